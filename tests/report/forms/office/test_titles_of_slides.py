"""Words of slides: a finding is never cut, whatever the names; it is set smaller, or stands in the notes."""

import io
import re
import zipfile

import pandas as pd
import pytest

from analysis.report import Figure, Passage, Table, comparison
from analysis.report.forms.document import Document, Shown
from analysis.report.forms.markdown import Heading
from analysis.report.forms.office.slides import document_to_slides
from analysis.report.parts.look import new_drawing

from ...truths.planted import plant, share

NAMES = (
    "quadriceps exercise alone at home, three sessions each day x",
    "stimulation of the quadriceps at home, thirty minutes a day x",
    "stimulation at home and early motion on a motion device too x",
)


def slides_of(*blocks, title="Title"):
    """Give the title of each slide with its size in hundredths of a point (None: as the master has it), and the notes."""
    file = document_to_slides(Document((Shown("cell", (Heading(1, title), *blocks)),)), stamp="now")
    archive = zipfile.ZipFile(io.BytesIO(file))
    titles, said = [], []
    for number in range(1, sum(name.startswith("ppt/slides/slide") for name in archive.namelist()) + 1):
        slide = archive.read(f"ppt/slides/slide{number}.xml").decode()
        notes = archive.read(f"ppt/notesSlides/notesSlide{number}.xml").decode()
        shape = re.search(r'<p:ph type="title".*?</p:sp>', slide, flags=re.DOTALL)[0]
        size = re.search(r'<a:rPr[^>]* sz="(\d+)"', shape)
        titles.append((_words(shape), int(size[1]) if size else None))
        said.append(_words(notes))
    return titles, said


def text_of(number, *blocks):
    """Give the paragraphs under the title of a slide, with their size in hundredths of a point (None: as the master has it)."""
    file = document_to_slides(Document((Shown("cell", (Heading(1, "Title"), *blocks)),)), stamp="now")
    slide = zipfile.ZipFile(io.BytesIO(file)).read(f"ppt/slides/slide{number}.xml").decode()
    shape = re.search(r'<p:ph idx="1".*?</p:sp>', slide, flags=re.DOTALL)[0]
    sizes = set(re.findall(r"<a:rPr[^>]*?(?: sz=\"(\d+)\")? ?/>", shape))
    return [_words(one) for one in re.findall(r"<a:p>.*?</a:p>", shape, flags=re.DOTALL)], sizes


def _words(part):
    return "".join(re.findall(r"<a:t>(.*?)</a:t>", part)).replace("\u00a0", " ")


def figure(message):
    def draw(width):
        drawing = new_drawing(width, 2.0)
        drawing.add_subplot().plot([0, 1])
        return drawing

    table = Table(pd.DataFrame({"n": [1]}), "Counted.")
    return Figure("f", "What is drawn", "Caption.", "It rises.", table, draw, message)


@pytest.mark.parametrize(("letters", "size"), [(84, None), (85, 1600), (190, 1600), (191, 1400), (280, 1400)])
def test_a_long_finding_is_set_smaller_and_stays_whole(letters, size):
    message = ("four " * 60)[: letters - 1] + "d"
    titles, _ = slides_of(figure(message))
    assert titles[1] == (" ".join(message.split()), size)


def test_a_finding_that_no_size_holds_stands_in_the_notes_under_what_is_drawn():
    message = f"{'A finding with many words ' * 12}at its end"
    titles, said = slides_of(figure(message))
    assert titles[1] == ("What is drawn", None)
    assert message in said[1]


def test_a_title_of_a_notebook_that_no_size_holds_is_cut_and_whole_in_the_text():
    title = f"{'A long title of many words ' * 12}at its end"
    file = document_to_slides(Document((Shown("cell", (Heading(1, title),)),)), stamp="now")
    first = zipfile.ZipFile(io.BytesIO(file)).read("ppt/slides/slide1.xml").decode()
    shown = re.findall(r"<a:t>(.*?)</a:t>", first)
    assert shown[0].endswith("…")
    assert title in "".join(shown[1:])


def test_names_of_sixty_letters_stand_whole_in_the_titles_of_a_comparison(study_in_memory):
    """Of three protocols one differs: its slide names it whole, with its numbers, and the other too."""
    assert {len(name) // 10 for name in NAMES} == {6}
    effect = {NAMES[1]: dict.fromkeys((12, 26, 52), 0.3)}
    cohort = plant(protocols=NAMES, effect=effect, lose=share(dict.fromkeys(NAMES, 0.1)))
    study = study_in_memory(cohort, imputations=2, design="randomised")
    blocks = [*comparison.differences(study), *comparison.responder_analysis(study), *comparison.flow(study)]
    messages = [one.message for one in blocks if isinstance(one, Figure) and one.message]
    titles, _ = slides_of(*blocks)
    assert [title for title, _ in titles[1:]] == messages
    told, other = re.escape(NAMES[1][1:]), re.escape(NAMES[2])
    assert re.fullmatch(
        rf"S{told}: 0\.\d\d N·m/kg higher at week 26 \(.* to .*\); {other}: cannot be told", messages[0]
    )
    assert all(f"s{NAMES[1][1:]}" in one.lower() for one in messages[:2])
    assert all(size == (None if len(title) <= 84 else 1600 if len(title) <= 190 else 1400) for title, size in titles)


@pytest.mark.parametrize(("letters", "size"), [(100, ""), (110, "1400"), (142, "1400"), (143, "1200"), (200, "1200")])
def test_many_words_of_in_short_are_set_smaller_and_stay_whole(letters, size):
    points = tuple(f"{number}{'x' * (letters - 2)}." for number in range(7))
    assert text_of(2, Passage(("All.",), "answer", points=points)) == (list(points), {size})


def test_of_points_that_no_size_holds_the_first_and_the_last_two_stay():
    points = tuple(f"{number}{'x' * 298}." for number in range(7))
    told, sizes = text_of(2, Passage(("All.",), "answer", points=points))
    assert told == [points[0], points[1], *points[-2:], "The rest is in the notes."]
    assert sizes == {"1200"}
    alone, _ = text_of(2, Passage(tuple(f"One {'x' * 300}." for _ in range(7)), "caution"))
    assert len(alone) == 5
    assert alone[-1] == "The rest is in the notes."


def test_in_short_of_very_long_names_keeps_doubts_and_harms_on_the_slide(study_in_memory):
    cohort = plant(protocols=NAMES, effect={NAMES[1]: dict.fromkeys((12, 26, 52), 0.3)}, lose=share({NAMES[2]: 0.4}))
    (answer,) = comparison.answer(study_in_memory(cohort, imputations=2, design="randomised"))
    told, sizes = text_of(2, answer)
    assert told == list(answer.points)
    assert told[-1] == "Harms were not recorded, so nothing is said of them."
    assert sizes == {"1200"}

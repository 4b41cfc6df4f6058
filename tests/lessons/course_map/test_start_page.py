"""The start page: the map with what was done, the next lesson, the fifteen errors, and links that lead somewhere."""

import re
from urllib.parse import unquote

import pytest

from analysis.lessons import Progress, copy_lessons, lesson_notebook, start_course
from analysis.lessons.course_map.facts import lesson_facts
from analysis.lessons.glossary import anchor, glossary, glossary_page
from analysis.lessons.source import course_sources, lesson_outlines
from analysis.report.running.notebooks import run_notebook

FIRST = "1_what_did_we_measure"
#: Papers that the text of a lesson names, and what they are linked to.
PAPERS = {5: {"Beletsky 2021, *Orthopedics* 44:299": "https://doi.org/10.3928/01477447-20210819-03"}}


def links(text):
    return dict(re.findall(r"\[([^\]]+)\]\(([^)]+)\)", text))


def finish(folder, outline):
    for name in outline.exercises:
        Progress(folder).keep(outline.number, name, "right", seed=1, answer=1.0)


def test_the_map_tells_what_was_done_of_each_lesson(tmp_path):
    first, second = lesson_outlines()[:2]
    finish(tmp_path, first)
    Progress(tmp_path).keep(2, second.exercises[0], "noted", seed=1, answer=3.0)
    Progress(tmp_path).keep(2, second.exercises[1], "wrong", seed=1, answer=3.0)
    lines = str(start_course(tmp_path).map).splitlines()
    assert lines[0] == "Lesson 1. What did we measure, and how well? 40 minutes; 7 of 7 exercises done, finished."
    assert lines[1].endswith("40 minutes; 1 of 5 exercises done, begun.")
    assert lines[2].endswith("60 minutes; 0 of 9 exercises done, not begun.")
    total = sum(len(one.exercises) for one in lesson_outlines())
    assert lines[-1] == f"In all {total} exercises, 8 of them done, and about 6 hours."
    Progress(tmp_path).keep("recall", "tight_mean", "wrong", seed=1, answer="a")
    Progress(tmp_path).keep("recall", "what_p_is", "right", seed=1, answer="b")
    assert str(start_course(tmp_path).map).endswith(
        "about 6 hours. Of questions on earlier lessons 2 answered, 1 of them rightly at the first try."
    )
    assert sum(facts.minutes for facts in lesson_facts()) == 375


def test_the_next_lesson_is_the_first_that_is_not_finished(tmp_path):
    course = start_course(tmp_path)
    assert "(it takes about 40 minutes)" in str(course.next_lesson)
    finish(tmp_path, lesson_outlines()[0])
    Progress(tmp_path).keep(2, "patients", "noted", seed=1, answer=3.0)
    assert str(course.next_lesson).endswith("average the visits? (1 of its 5 exercises are done)")
    assert 'href="2_why_not_average_the_visits.ipynb"' in course.next_lesson._repr_html_()
    for outline in lesson_outlines():
        finish(tmp_path, outline)
    assert str(course.next_lesson) == "All exercises of the lessons are done. Next: the quiz"
    assert 'href="quiz.ipynb"' in course.next_lesson._repr_html_()


def test_the_fifteen_errors_are_listed_once_with_the_place_where_they_stand(tmp_path):
    page = start_course(tmp_path).errors._repr_html_()
    listed = re.findall(r'<li value="(\d+)"><a href="(\w+)\.ipynb#([^"]+)">([^<]+)</a>', page)
    assert [int(number) for number, *_ in listed] == list(range(1, 16))
    for number, notebook, place, name in listed:
        text = course_sources()[notebook].read_text(encoding="utf-8")
        heading = f"## {unquote(place).replace('-', ' ')}\n"
        assert heading.replace("-", " ") in text.replace("-", " ")
        assert f"**Common error {number} of 15: {name}.**" in text


@pytest.mark.parametrize("version", ["learner", "instructor"])
def test_every_link_of_the_course_leads_to_a_file_of_the_folder(tmp_path, version):
    written = {path.name for path in copy_lessons(tmp_path, version=version)}
    assert len(written) == len(course_sources()) + 1
    course = start_course(tmp_path, whose=version)
    found = set()
    for source in course_sources().values():
        for cell in lesson_notebook(source, version).cells:
            found |= {link for link in links(cell.source).values() if not link.startswith("https://doi.org/")}
    shown = course.map, course.next_lesson, course.errors
    found |= {link for one in shown for link in re.findall(r'href="([^"#]+)', one._repr_html_())}
    assert found == written


@pytest.mark.parametrize("place", range(len(lesson_outlines())))
def test_a_lesson_ends_with_links_to_glossary_next_lesson_and_papers(place):
    facts = lesson_facts()
    last = lesson_notebook(course_sources()[facts[place].notebook]).cells[-1]
    found = links(last.source)
    assert found["glossary"] == "glossary.html"
    assert found["start page"] == "00_start.ipynb"
    if place + 1 < len(facts):
        following = facts[place + 1]
        title = f"Lesson {following.outline.number}. {following.outline.title}"
        assert found[title] == f"{following.notebook}.ipynb"
    papers = {name: link for name, link in found.items() if link.startswith("http")}
    assert papers == PAPERS.get(place + 1, {})
    text = course_sources()[facts[place].notebook].read_text(encoding="utf-8")
    assert all(text.count(name) >= 2 for name in papers)


@pytest.mark.slow
@pytest.mark.parametrize("version", ["learner", "instructor"])
def test_the_start_page_runs_from_top_to_bottom(tmp_path, version):
    notebook, failure = run_notebook(
        lesson_notebook(course_sources()["00_start"], version), {}, working_folder=tmp_path
    )
    assert failure is None
    shown = [one["data"]["text/html"] for cell in notebook.cells for one in cell.get("outputs", [])]
    assert len(shown) == 3
    assert f'href="{FIRST}{"_instructor" if version == "instructor" else ""}.ipynb"' in shown[0]
    assert list(tmp_path.iterdir()) == []


def test_an_objective_goes_on_from_afterwards_you_can():
    for facts in lesson_facts():
        assert re.fullmatch(r"[a-z][^.]{20,120}", facts.objective)


def test_the_glossary_stands_alone_with_an_anchor_for_each_term():
    page = glossary_page()
    anchors = re.findall(r'<dt id="([^"]+)">', page)
    assert anchors == [anchor(term.name) for term in glossary()]
    assert len(set(anchors)) == len(glossary())
    assert all(re.fullmatch(r"[a-z0-9]+(-[a-z0-9]+)*", one) for one in anchors)
    assert not re.search(r"<script|http|src=", page)


@pytest.mark.parametrize("name", ["00_start", "quiz"])
def test_start_page_and_quiz_are_plain_and_give_the_caution(name):
    cells = lesson_notebook(course_sources()[name]).cells
    words = [cell.source for cell in cells if cell.cell_type == "markdown"]
    assert "treating clinician" in " ".join(words)
    text = re.sub(r"`[^`]*`", "code", "\n".join(words))
    assert max(len(one.split()) for one in re.split(r"(?<=[.?!:])\s+|\n", text)) <= 30
    assert not any({"solution", "teaching-note"} & set(cell.metadata.get("tags", [])) for cell in cells)

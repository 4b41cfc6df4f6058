"""What was said before is left out later, but for what belongs beside every number; nothing else goes."""

import pandas as pd
import pytest

from analysis.report import Figure, Passage, Table
from analysis.report.forms.document import Document, Shown
from analysis.report.forms.markdown import Heading
from analysis.report.forms.said_once import said_once

WHO = "Patients with a value at the week and a baseline are counted."
METHOD = "Intervals: Wilson score."


def table(*notes):
    return Table(pd.DataFrame({"n": [1]}), "Counted patients.", notes=notes)


def figure(caption, *notes):
    return Figure(name="f", title="F", caption=caption, alt="A.", table=table(*notes), draw=lambda _: None)


def notes_of(*blocks):
    made = said_once(Document((Shown("a", (Heading(1, "Title", "Title"), *blocks)),)))
    return [
        block.paragraphs if isinstance(block, Passage) else getattr(block, "table", block).notes
        for block in made.blocks
    ]


def test_a_note_stands_under_the_first_table_and_the_method_under_each():
    assert notes_of(table(WHO, METHOD), table(WHO, METHOD)) == [(WHO, METHOD), (METHOD,)]


@pytest.mark.parametrize(
    "note", ["Differences: Welch t, not adjusted for baseline.", "Adjusted for baseline; one slope for all."]
)
def test_how_a_number_was_made_stands_beside_each(note):
    assert notes_of(figure(f"Slopes. {note}", note), table(WHO, note), table(WHO, note)) == [
        (note,),
        (WHO, note),
        (note,),
    ]


def test_what_a_caption_or_a_list_says_is_no_note_again():
    assert notes_of(figure(f"Shares. {WHO}", WHO, METHOD), table(WHO)) == [(METHOD,), ()]
    assert notes_of(Passage((WHO, "Other."), "items"), table(WHO, "Other.")) == [(WHO, "Other."), ()]


def test_what_is_folded_under_a_figure_is_not_missed_where_it_can_be_seen():
    assert notes_of(figure("Shares.", WHO), figure("Shares.", WHO), table(WHO), table(WHO)) == [(WHO,), (), (WHO,), ()]


def test_what_a_list_of_the_same_section_says_is_not_folded_under_its_figure_too():
    shown = [
        Shown("a", (Heading(1, "Title", "Title"), figure("Shares.", WHO, METHOD))),
        Shown("b", (figure("F.", WHO),)),
    ]
    made = said_once(Document((*shown, Shown("a", (Passage((WHO, "More."), "items"),)))))
    assert [one.table.notes for one in made.blocks if isinstance(one, Figure)] == [(METHOD,), (WHO,)]
    assert made.blocks[-1].paragraphs == (WHO, "More.")


def test_an_item_stands_in_one_list_and_sentences_stay():
    assert notes_of(Passage((WHO,), "items"), Passage((WHO, "More."), "items"), Passage((WHO,), "items")) == [
        (WHO,),
        ("More.",),
    ]
    for kind in ("answer", "caution", "text", "absent"):
        assert notes_of(Passage((WHO,), kind), Passage((WHO,), kind)) == [(WHO,), (WHO,)]


def test_a_short_note_is_not_taken_for_a_part_of_a_longer_one():
    assert notes_of(table("Paired values of the same patients."), table("Paired values")) == [
        ("Paired values of the same patients.",), ("Paired values",),
    ]  # fmt: skip


def test_a_sentence_stands_in_one_caption_and_a_method_in_each():
    of_all = "Denominators (patients seen): usual 60 of 60; early 60 of 60."
    made = said_once(
        Document(
            (
                Shown(
                    "a",
                    (Heading(1, "Title", "Title"), figure(f"Shares. {of_all}"), figure(f"Change. {METHOD} {of_all}")),
                ),
            )
        )
    )
    assert [one.caption for one in made.blocks] == [f"Shares. {of_all}", f"Change. {METHOD}"]

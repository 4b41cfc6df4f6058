"""Sites over blocks of quarters: what is said and drawn is what was planted, and what is hidden is said to be hidden."""

import numpy as np
import pytest

from analysis.report import Figure, quarter
from analysis.report.quarter.findings.over_blocks import over_blocks_caption, over_blocks_words, span_words
from analysis.report.quarter.sites_over_time import blocks_of

from ...truths.grammar import faults
from ...truths.others.planted_quarters import FOUR, plant, prepared

NO_TEST = "No rule and no test was applied to these values"


@pytest.fixture
def study_of(tmp_path):
    def make(*, options=None, **planted):
        folder = tmp_path / "cohort"
        folder.mkdir(exist_ok=True)
        return prepared(plant(**planted), folder, **(options or {}))

    return make


def told(study):
    """Give everything in words of the section, with the titles of its panels."""
    words, *figures = quarter.sites_over_time(study)
    said = [*words.paragraphs, *(text for one in figures for text in (one.caption, one.alt))]
    assert [fault for text in said for fault in faults(text)] == []
    drawing = figures[0].drawing() if figures else None
    return " ".join(said), [
        axes.get_title(loc="left") for axes in drawing.axes if axes.get_title(loc="left")
    ] if drawing else []


def test_every_site_has_a_panel_by_name_against_the_line_of_all(study_of):
    study = study_of(improved=lambda q, site: 0.3 if site == "west" and q >= 8 else 0.6, spread=0.0)
    said, titles = told(study)
    assert titles == sorted(FOUR)
    assert "16 of 16 values can be shown." in said
    assert NO_TEST in said
    assert "hidden because" not in said
    found = blocks_of(study)
    assert found.spans == ("2022", "2023", "2024", "2025")
    value = found.of("west").set_index("span")["value"]
    # Of the 36 seen in a quarter 60 % are 21.6, counted as 22, and 30 % are 10.8, counted as 11.
    assert value.to_numpy() == pytest.approx([22 / 36, 22 / 36, 11 / 36, 11 / 36])
    assert found.of("north")["value"].to_numpy() == pytest.approx(22 / 36)


def test_the_marks_are_drawn_where_the_values_are(study_of):
    found = blocks_of(study := study_of(improved=lambda q, site: 0.3 if site == "west" else 0.6))
    (figure,) = [one for one in quarter.sites_over_time(study) if isinstance(one, Figure)]
    for axes in figure.drawing().axes:
        marks = [line for line in axes.lines if line.get_marker() == "o"]
        rows = found.of(axes.get_title(loc="left"))
        np.testing.assert_allclose([one.get_ydata()[0] for one in marks], 100 * rows["value"])
        np.testing.assert_allclose([one.get_xdata()[0] for one in marks], rows["span"])


def test_the_pictures_keep_the_rules_at_a_desk_and_on_a_phone(study_of, drawn):
    study = study_of(sites=tuple(f"a clinic with a long name {letter}" for letter in "abcdefg"), each=30)
    (figure,) = [one for one in quarter.sites_over_time(study) if isinstance(one, Figure)]
    assert [drawn.problems(figure.drawing(width)) for width in ("wide", "narrow")] == [[], []]


def test_a_site_of_few_patients_is_hidden_and_said_to_be(study_of):
    study = study_of(
        sites=(*FOUR, "tiny"), started={"tiny": 2}, improved=lambda q, site: 0.0 if site == "tiny" else 0.6
    )
    found = blocks_of(study)
    shown = len(found.shown)
    said, titles = told(study)
    assert shown < 20
    assert f"{shown} of 20 values can be shown; {20 - shown} are hidden because of small counts." in said
    assert "tiny" not in titles
    assert "tiny" not in said
    assert "One site has no value that can be shown: it has no panel and stands in the table alone." in said
    figure = quarter.sites_over_time(study).items[1]
    assert {row[0] for row in figure.table.rows()} == {"All sites", *FOUR, "tiny"}
    words = [text.get_text() for axes in figure.drawing().axes for text in axes.texts]
    assert words.count("hidden") == 20 - shown - len(found.spans)  # those of the site without a panel have none


def test_a_block_that_waits_is_said_and_the_window_stands_beside(study_of):
    study = study_of(quarters=14)
    found = blocks_of(study)
    assert found.spans == ("2022", "2023", "Q3 2024 to Q2 2025")
    assert found.waiting == ("2024",)
    said, _ = told(study)
    assert "The block 2024 shares some quarters with the last span" in said
    assert "open mark" in said


def test_blocks_of_a_later_release_stand_as_released_and_the_words_say_so(study_of):
    first = study_of(quarters=12)
    quarter.record_release(first)
    assert "as they were first released" not in over_blocks_caption(blocks_of(first))
    second = study_of(quarters=13, improved=lambda q, site: 0.3)
    assert "as they were first released" in over_blocks_caption(blocks_of(second))
    np.testing.assert_array_equal(*(blocks_of(one).of("north")["value"][:3] for one in (first, second)))


def test_too_few_quarters_for_a_block_and_one_site_alone(study_of):
    (words,) = quarter.sites_over_time(study_of(quarters=3))
    assert words.kind == "absent"
    assert quarter.sites_over_time(study_of(sites=("north",), each=160)).items == ()


def test_one_site_that_can_be_shown_at_all_is_counted_in_the_singular(study_of):
    found = blocks_of(study_of(quarters=4, options={"small_counts": "shown"}))
    assert (
        over_blocks_words(found)[0]
        == "Patients improved of 4 sites over one span of quarters: 4 of 4 values can be shown."
    )


def test_spans_are_named_by_their_year_or_their_quarters():
    assert span_words(["2025-Q1", "2025-Q2"]) == "Q1 2025 to Q2 2025"
    assert span_words([f"2025-{month:02d}" for month in range(1, 13)]) == "2025"


def test_more_sites_than_a_page_holds_stand_on_several_figures(tmp_path):
    many = tuple(f"site {k:02d}" for k in range(30))
    study = prepared(plant(sites=many, each=24, quarters=8, harms=0.4), tmp_path, small_counts="shown")
    whole = blocks_of(study)
    figures = [one for one in quarter.sites_over_time(study) if isinstance(one, Figure)]
    assert len(whole.drawn) == 30
    assert [one.name for one in figures] == ["sites-over-time-1", "sites-over-time-2"]
    told = [set(one.table.data["site"]) - {""} for one in figures]
    assert [len(one) for one in told] == [24, 6]
    assert set.union(*told) == set(many)
    assert figures[0].title.endswith("part 1 of 2")
    assert figures[0].alt != figures[1].alt

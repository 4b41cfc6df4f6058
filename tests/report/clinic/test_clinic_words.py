"""What a clinic's page must say of counts whose truth is planted, and what it must not: other clinics, verdicts on what is hidden."""

from dataclasses import replace

import pandas as pd
import pytest

from analysis.errors import ReportError
from analysis.report import Figure, Passage, clinic
from analysis.report.clinic import network
from analysis.report.clinic.findings import Late, Questions, find
from analysis.report.clinic.words import (
    FIRST_RELEASE,
    NO_QUESTION,
    late_words,
    questions_in_short,
    questions_words,
    region_words,
)
from analysis.report.forms.document import Document, Shown
from analysis.report.forms.markdown import Heading
from analysis.report.forms.said_once import said_once

from ..truths.grammar import faults
from ..truths.others.planted_quarters import FOUR, plant
from ..truths.pages import repeated_alternatives, said_twice
from .planted_pages import SECTIONS, page_of, planted_page, sentences_on, words_on

TEN = tuple(f"site {letter}" for letter in "abcdefghij")
BAD = {"sites": TEN, "each": 18, "improved": lambda q, site: 0.25 if site == "site d" else 0.6}
HIDDEN = {"sites": (*FOUR, "tiny"), "started": {"tiny": 4}, "improved": lambda q, site: 0.25 if site == "tiny" else 0.6}
#: The clinic, what is planted, what the page must say, what it must not.
TRUTHS = {
    "nothing there": (
        "north", {},
        ["Of 2 indicators over Q1 2025 to Q4 2025, 2 can be judged. Of those judged, none has a signal against the network.",
         "within the 95 % limits", "Completeness: of 1 measure 1 can be judged, and it reaches the 80 % asked for.",
         "Of 4 values over blocks of quarters 4 can be shown.", FIRST_RELEASE],
        ["is hidden", "has a signal against the network: ", "worth a look", "(below)", "(above)"],
    ),
    "the clinic is bad": (
        "site d", BAD,
        ["patients improved (below) has a signal against the network", "a signal (below)"],
        ["none has"],
    ),
    "another one is bad": ("site a", BAD, ["none has a signal against the network"], ["(below)"]),
    "the clinic is hidden": (
        "tiny", HIDDEN,
        ["Of 2 indicators over Q1 2025 to Q4 2025, none can be judged; 2 are hidden because of small counts.",
         "Patients improved: hidden because of small counts.", "Completeness of 1 measure cannot be judged"],
        ["none has", "within the 95", "beyond the 9", "reaches"],
    ),
    "few seen": (
        "site d", {"sites": TEN, "each": 60, "seen": lambda q, site: 0.4 if site == "site d" else 0.75},
        ["Of those judged, none has a signal against the network.",
         "under the 80 % asked for: IKDC subjective knee score; IKDC subjective knee score (below) has a signal against the network.",
         "a signal (below)"],
        ["(above)"],
    ),
    "half lost": (
        "north", {"seen": 0.5}, ["under the 80 % asked for: ikdc", "Completeness: of 1 measure 1 can be judged"], ["reaches the"],
    ),
}  # fmt: skip


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "cohort").mkdir()
    return tmp_path / "cohort"


@pytest.mark.parametrize("name", TRUTHS)
def test_the_page_says_what_was_planted_and_names_no_other_clinic(name, folder):
    site, planted, must, must_not = TRUTHS[name]
    page = planted_page(folder, site, **planted)
    said = words_on(page)
    whole = "\n".join(said)
    assert [one for one in must if one.lower() not in whole.lower()] == []
    assert [one for one in must_not if one in whole] == []
    others = set(page.study.released.sites) - {site}
    assert others
    assert [one for one in others for text in said if one in text] == []
    assert [fault for text in sentences_on(page) for fault in faults(text)] == []
    (answer,) = clinic.answer(page)
    assert sum(len(text.split()) for text in answer.paragraphs) <= 80


@pytest.mark.parametrize("site", ["north", "tiny"])
def test_no_sentence_stands_twice_on_the_page_and_every_picture_keeps_the_rules(site, folder, drawn):
    page = planted_page(folder, site, **HIDDEN)
    shown = [Shown(one.__name__, tuple(one(page))) for one in SECTIONS]
    document = said_once(Document((Shown("title", (Heading(1, "Report", "Report"),)), *shown)))
    assert said_twice(document) == []
    assert repeated_alternatives(document) == []
    figures = [one for one in clinic.over_time(page) if isinstance(one, Figure)]
    assert len(figures) == (site == "north")
    assert [drawn.problems(one.drawing(width)) for one in figures for width in ("wide", "narrow")] == [[], []] * len(
        figures
    )


@pytest.mark.slow
def test_every_count_on_the_page_is_one_that_the_quarter_releases(folder):
    printed = []
    for site in ("tiny", "north"):
        page = planted_page(folder, site, **HIDDEN)
        released = set(page.study.released.table["value"].dropna())
        tables = [item.table if isinstance(item, Figure) else item for section in (clinic.indicators, clinic.completeness, clinic.over_time)
                  for item in section(page) if not isinstance(item, Passage)]  # fmt: skip
        counts = pd.concat([one.data[["numerator", "denominator"]] for one in tables]).melt()["value"].dropna()
        assert set(counts) <= released
        printed.append(len(counts))
        texts = [cell for one in tables for row in one.rows() for cell in row]
        assert not {"1", "2", "3", "4"} & {part for text in texts for part in text.split("/")}
    assert printed[0] < printed[1]


def test_the_side_of_a_signal_is_that_of_the_list_of_signals(folder):
    """After adjustment a site may lie on the other side of the whole than its counts do."""
    page = planted_page(folder, "site d", **BAD)
    (site,) = page.study.found.sites.signals
    found = replace(page.study.found, sites=replace(page.study.found.sites, signals=(replace(site, way="above"),)))
    main, *_ = find(replace(page.study, found=found), "site d", None).followed
    assert main.value < main.network
    assert region_words(main) == "a signal (above)"


def test_one_site_is_compared_with_nothing(folder):
    page = planted_page(folder, None, sites=("only",), each=160)
    assert page.site == "only"
    assert "There is one site only, so it is compared with nothing." in words_on(page)
    assert clinic.over_time(page).items == ()


def test_counts_without_patients_have_no_completeness_and_no_questions(tmp_path):
    rows = [("Main", f"{year}-Q{q}", site, 30, 60) for year in (2024, 2025) for q in range(1, 5) for site in ("a", "b")]
    pd.DataFrame(rows, columns=["indicator", "period", "site", "numerator", "denominator"]).to_csv(
        tmp_path / "aggregates.csv", index=False
    )
    page = page_of(tmp_path, "a", releases=str(tmp_path.parent / "ledger.json"))
    said = "\n".join(words_on(page))
    assert "Not in the data: which values were expected" in said
    assert "Which questions are open cannot be said." in said
    assert "Completeness:" not in said


@pytest.mark.slow
def test_late_data_are_told_as_far_as_the_ledger_goes(folder):
    first = planted_page(folder, "north")
    clinic.record_release(first)
    cohort = plant(
        seen=lambda q, site: 1.0 if site == "north" else 0.9, improved=lambda q, site: 0.8 if site == "north" else 0.6
    )
    again = page_of(folder, "north", cohort=replace(cohort, as_of="2026-09-01"))
    late = again.found.late
    assert late.compared + late.stand == 3
    assert {one.name: (was[1], now[1]) for one, was, now in late.revised}["improved"] == (
        first.found.followed[0].denominator,
        again.found.followed[0].denominator,
    )
    text = " ".join(late_words(late))
    assert "late data revised" in text
    assert FIRST_RELEASE not in text
    other = planted_page(folder, "north", quarters=17)
    assert (other.found.late.compared, other.found.late.stand) == (0, 0)
    assert "so what came late to this clinic cannot be told" in " ".join(late_words(other.found.late))


def test_sentences_of_late_data_and_questions_over_a_grid():
    for n in (0, 1, 2):
        for stand in (0, 1, 2):
            for of_network in (0, 1, 5):
                late = Late("2025-Q3", "2026-01-01", n, stand, (), of_network, min(of_network, n))
                assert [fault for text in late_words(late) for fault in faults(text)] == []
        asked = Questions({"warning": n, "unlikely": 2 * n} if n else {}, n > 1)
        assert [fault for text in questions_words(asked) for fault in faults(text)] == []
    assert late_words(Late()) == [FIRST_RELEASE]
    assert questions_words(Questions({}, of_many=False)) == [NO_QUESTION]
    said = questions_words(Questions({"impossible": 3, "unlikely": 1}, of_many=False, hidden=False))[0]
    assert (
        said == "Open are 4 questions, about 10 patients or fewer: 3 impossible values and 1 unlikely value or change."
    )


@pytest.mark.parametrize(
    ("kinds", "told", "short"),
    [
        (
            {"impossible": 3, "unlikely": 1},
            "are 10 questions or fewer: impossible values and unlikely values or changes.",
            "10 or fewer",
        ),
        ({"impossible": 1, "unlikely": 0}, "are 10 questions or fewer: impossible values.", "10 or fewer"),
        (
            {"impossible": 2, "unlikely": 40},
            "more than 10 patients: impossible values and unlikely values or changes.",
            "42",
        ),
        ({"impossible": 12, "unlikely": 40}, "patients: 12 impossible values and 40 unlikely values or changes.", "52"),
    ],
)
def test_a_small_count_of_questions_is_hidden_and_cannot_be_taken_from_their_sum(kinds, told, short):
    asked = Questions(kinds, of_many=sum(kinds.values()) > 10)
    assert questions_words(asked)[0].endswith(told)
    assert questions_in_short(asked) == f"Questions open: {short}."


def test_questions_are_those_to_the_clinic(folder):
    cohort = plant(quarters=8)
    visits = cohort.visits.copy()
    mine = cohort.patients.loc[cohort.patients["site"] == "north", "patient_id"].iloc[:2]
    visits.loc[visits["patient_id"].isin(mine) & visits["week"].eq(26), "value"] = 500.0
    planted = replace(cohort, visits=visits)
    north = page_of(folder, "north", cohort=planted).found.questions
    east = page_of(folder, "east", cohort=planted).found.questions
    assert north.total - east.total >= 2
    assert not north.of_many


def test_the_quarter_is_counted_once_for_all_clinics_until_something_changes(folder, monkeypatch):
    page = planted_page(folder, "north", quarters=6)
    calls = []
    monkeypatch.setattr(network, "prepare_quarter", lambda *_, **__: calls.append(1) or page.study)
    monkeypatch.setattr(network, "_questions", lambda _: None)
    clinic.record_release(page)  # its own release leaves the study as it is
    assert clinic.prepare_clinic(folder, site="east").study is page.study
    assert calls == []
    clinic.prepare_clinic(folder, site="east", level=0.9)
    assert calls == [1]


@pytest.mark.parametrize("named", [None, "nowhere"])
def test_a_clinic_that_is_not_there_is_refused(folder, named):
    with pytest.raises(ReportError, match="clinic") as caught:
        planted_page(folder, named, quarters=4)
    assert "east, north, south, west" in caught.value.what_to_do


def test_patients_without_a_site_are_no_clinic(folder):
    cohort = plant(quarters=4, sites=("only",))
    with pytest.raises(ReportError, match="No site is recorded"):
        page_of(folder, None, cohort=replace(cohort, patients=cohort.patients.drop(columns="site")))

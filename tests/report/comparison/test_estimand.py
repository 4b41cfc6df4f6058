"""What is estimated in words, doses against plan, and the checklist of reporting items."""

import re
from dataclasses import replace

import pandas as pd
import pytest

from analysis.cohort import visit_frame
from analysis.cohort.modalities import NMES, TENS
from analysis.outcomes.home_programme.intercurrent_events import intercurrent_events
from analysis.report import comparison
from analysis.report.comparison.checklist import CONSORT, STROBE
from analysis.report.running.notebooks import find_report, read_notebook

#: Items of CONSORT 2025 (PLoS Med 2025;22:e1004587) and of STROBE for cohort studies (BMJ 2007;335:806).
CONSORT_ITEMS = (
    "1a 1b 2 3 4 5a 5b 6 7 8 9 10 11 12a 12b 13 14 15 16a 16b 17a 17b 18 19 20a 20b 21a 21b 21c 21d 22a 22b 23a 23b "
    "24a 24b 25 26 27 28 29 30"
)
STROBE_ITEMS = (
    "1a 1b 2 3 4 5 6a 6b 7 8 9 10 11 12a 12b 12c 12d 12e 13a 13b 13c 14a 14b 14c 15 16a 16b 16c 17 18 19 20 21 22"
)


@pytest.fixture(scope="module")
def studies(study_in_memory, invented):
    return {design: study_in_memory(invented, design=design) for design in ("randomised", "observational")}


def rows(section, name):
    table = next(item for item in section if getattr(item, "name", "") == name)
    return table.cells()


def test_events_are_counted_once_a_patient_up_to_the_week_with_the_values_after_them(make_cohort):
    cohort = make_cohort(weeks=(0, 6, 12), patients=16)
    events = pd.DataFrame(
        [
            ("p00", 3.0, "flare"), ("p00", 5.0, "flare"), ("p04", 7.0, "flare"), ("p09", 12.0, "withdrawal"),
            ("p01", 20.0, "flare"), ("p14", 5.0, "fall"), ("p14", 7.0, "fall"),
        ],
        columns=["patient_id", "week", "event"],
    )  # fmt: skip
    cohort = replace(cohort, events=events)
    found = intercurrent_events(cohort, visit_frame(cohort, "pain"), 12.0).table
    # p04, p09 and p14 have no value at week 12: p04 was last seen at week 6, before the flare of week 7, p14 then too, but
    # after a first fall in week 5.
    assert found.to_numpy().tolist() == [["flare", 2, 1, 1, 16], ["fall", 1, 1, 0, 16], ["withdrawal", 1, 0, 0, 16]]


def test_an_event_before_the_start_is_not_intercurrent(make_cohort):
    """ICH E9(R1), A.3.1: events that occur after the start of treatment. The injury itself came 4 weeks before."""
    cohort = make_cohort(weeks=(0, 6, 12), patients=16)
    events = pd.DataFrame(
        [("p00", -4.0, "injury"), ("p01", -4.0, "injury"), ("p00", -1.0, "flare"), ("p00", 7.0, "flare"), ("p05", 0.0, "fall")],
        columns=["patient_id", "week", "event"],
    )  # fmt: skip
    cohort = replace(cohort, events=events)
    found = intercurrent_events(cohort, visit_frame(cohort, "pain"), 12.0).table
    assert found[["event", "patients"]].to_numpy().tolist() == [["fall", 1], ["flare", 1]]


def test_events_not_recorded_are_said(make_cohort, study_in_memory):
    study = study_in_memory(make_cohort())
    said = comparison.estimand(study)
    assert any("Not in the data: events" in str(item) for item in said)


def test_each_part_of_the_estimand_is_said_by_design(studies):
    for design, study in studies.items():
        said = rows(comparison.estimand(study), "estimand").set_index("Part")["In this report"]
        assert list(said.index[:5]) == ["Population", "Protocols", "Outcome", "Intercurrent events", "Summary"]
        assert said["Population"].startswith("The 90 patients of the cohort")
        assert "week 26" in said["Outcome"]
        assert ("an association" in said["Summary"]) == (design == "observational")
        assert "adjusted for the baseline value and site" in said["Summary"]
        assert not re.search(r"\beffects?\b", " ".join(said)) or design == "randomised"


def test_an_event_after_which_nobody_was_seen_is_handled_as_hypothetical(studies):
    shown = rows(comparison.estimand(studies["randomised"]), "intercurrent-events").set_index("Event")
    assert shown.loc["withdrawal", "Handled"] == "hypothetical"
    assert shown.loc["withdrawal", "Measured after it"].startswith("0/")
    assert "treatment policy" in set(shown["Handled"])


def test_the_number_of_comparisons_and_what_is_not_adjusted_are_said(studies):
    said = " ".join(str(item) for item in comparison.estimand(studies["randomised"]))
    assert "There are 2 comparisons at the primary week" in said
    assert (
        "none of their intervals is adjusted for their number, but those of other weeks that In short names and those of means "
        "under other assumptions about missing visits."
    ) in said


def test_doses_are_those_of_the_sessions(studies, invented):
    table = next(iter(comparison.doses(studies["randomised"]))).data.set_index(["modality", "protocol"])
    sessions = invented.sessions.merge(invented.patients[["patient_id", "protocol"]]).dropna(
        subset=["sessions_prescribed", "sessions_done"]
    )
    mine = sessions[
        (sessions["protocol"] == "home stimulation")
        & (sessions["modality"] == "neuromuscular electrical stimulation (NMES)")
    ]
    row = table.loc[(NMES, "home stimulation")]
    each = mine.groupby("patient_id")[["sessions_prescribed", "sessions_done"]].sum().mean()
    assert row["planned"] == pytest.approx(each["sessions_prescribed"])
    assert row["done"] == pytest.approx(each["sessions_done"])
    assert row["part"] == pytest.approx(each["sessions_done"] / each["sessions_prescribed"])
    assert pd.isna(table.loc[("exercise", "home stimulation"), "knee"])


def test_what_a_protocol_does_not_have_is_not_prescribed_and_never_0_per_cent(studies):
    """The exercise arm of the invented cohort has no stimulation."""
    study = studies["randomised"]
    for section, name in ((comparison.home_programme(study), "adherence"), (comparison.doses(study), "doses")):
        table = next(item for item in section if getattr(item, "name", "") == name)
        cells = table.cells().assign(modality=table.groups())
        mine = cells[(cells["Protocol"] == "exercise only") & (cells["modality"] != "exercise")]
        assert len(mine) == 2
        assert (mine.drop(columns="modality").isin(["exercise only", "not prescribed", "–", "0"])).all().all()
        assert (mine == "not prescribed").any(axis=1).all()
        assert not cells.isin(["0/0", "–/–"]).any().any()
    figure = next(item for item in comparison.adherence_detail(study) if getattr(item, "alt", ""))
    assert "exercise only, neuromuscular electrical stimulation (NMES): not prescribed" in figure.alt
    assert " 0 %" not in figure.alt
    assert "–" not in figure.alt


def test_the_effect_of_the_home_dose_is_shown_by_modality(studies):
    """Stimulation, which the exercise arm never has, moves from 0; exercise, which all have, hardly moves."""
    items = list(comparison.dose_and_recovery(studies["randomised"]))
    figures = {item.name: item for item in items if getattr(item, "alt", "")}
    kinds = ("neuromuscular-electrical-stimulation-nmes", "transcutaneous-electrical-nerve-stimulation-tens")
    assert [name for name in figures if name.startswith("home-dose-effect")] == [
        f"home-dose-effect-{kind}" for kind in kinds
    ]
    assert {name for name in figures if name.startswith("dose-change")} == {
        f"dose-change-{kind}" for kind in ("exercise", *kinds)
    }
    for kind in kinds:
        figure = figures[f"home-dose-effect-{kind}"]
        assert (figure.data["first_stage_f"] > 100).all()
        assert len(figure.data) == 2
        assert "None is prescribed under exercise only: a dose of 0 by design." in figure.caption
        assert "exercise only" not in figures[f"dose-change-{kind}"].alt
        assert "Not prescribed to exercise only" in figures[f"dose-change-{kind}"].caption
    said = " ".join(text for item in items for text in getattr(item, "paragraphs", ()))
    assert "Exercise: no estimate of what it did is shown for home stimulation (F 0." in said
    assert "since the allocation hardly moved the dose (F below 10)" in said
    assert (
        "Home stimulation, home stimulation and early motion: the allocation moved "
        f"{NMES} and {TENS} "
        "at once, so that each estimate holds what the other did too."
    ) in said
    observed = list(comparison.dose_and_recovery(studies["observational"]))
    assert not [item for item in observed if getattr(item, "name", "").startswith("home-dose-effect")]


def test_an_arm_without_the_dose_does_not_take_the_others_from_the_report(invented, study_in_memory):
    """'home stimulation' had no TENS: its neighbour is shown, and the reason is said."""
    people = invented.patients
    without = people.loc[people["protocol"] == "home stimulation", "patient_id"]
    sessions = invented.sessions
    gone = sessions["patient_id"].isin(without) & (
        sessions["modality"] == "transcutaneous electrical nerve stimulation (TENS)"
    )
    study = study_in_memory(replace(invented, sessions=sessions[~gone]), design="randomised")
    items = list(comparison.dose_and_recovery(study))
    figure = next(
        item
        for item in items
        if getattr(item, "name", "") == "home-dose-effect-transcutaneous-electrical-nerve-stimulation-tens"
    )
    assert figure.data["protocol"].tolist() == ["home stimulation and early motion"]
    said = " ".join(text for item in items for text in getattr(item, "paragraphs", ()))
    assert (
        "Transcutaneous electrical nerve stimulation (TENS): prescribed neither to home stimulation nor to exercise only"
        in said
    )


@pytest.mark.parametrize(("items", "numbers"), [(CONSORT, CONSORT_ITEMS), (STROBE, STROBE_ITEMS)])
def test_every_item_of_the_statement_is_there_once_in_order(items, numbers):
    assert [number for number, _, _ in items] == numbers.split()


@pytest.mark.slow
def test_the_checklist_follows_the_design_and_names_sections_that_exist(studies):
    headings = {
        re.sub("^#+ ", "", line).strip()
        for cell in read_notebook(find_report("protocol_comparison")).cells
        if cell.cell_type == "markdown"
        for line in cell.source.splitlines()
        if line.startswith("#")
    }
    known = headings | {"Patients, Flow", "Patients, At the start"}
    for design, study in studies.items():
        section = comparison.checklist(study)
        shown = rows(section, "checklist")
        assert len(shown) == {"randomised": 42, "observational": 34}[design]
        met = shown[shown["Met"] == "yes"]["Section, or what is missing"]
        named = {one for text in met if not text.startswith("This report ") for one in text.split("; ")}
        assert named <= known
        counted = [int(n) for n in re.findall(r"\d+", str(next(iter(section))))]
        absent = shown.loc[shown["Met"] == "no", "Section, or what is missing"]
        assert absent.str.startswith("Not known from the data").all()
        assert counted == [len(shown), *((shown["Met"] == what).sum() for what in ("yes", "in part", "no"))]


def test_what_a_bare_cohort_lacks_is_not_ticked(make_cohort, study_in_memory):
    study = study_in_memory(make_cohort(), design="randomised")
    shown = rows(comparison.checklist(study), "checklist")
    met = {row[0].split()[0]: row[1] for row in shown.to_numpy().tolist()}
    assert [met[number] for number in ("11", "15", "24a", "27")] == ["no"] * 4
    assert met["22b"] == "in part"
    said = {row[0].split()[0]: row[2] for row in shown.to_numpy().tolist()}
    assert (
        said["22b"] == "Patients, Flow: reasons given for 0 of 3 lost"
    )  # every fifth of 16, and no event is on record
    assert len(comparison.doses(study)) == 0

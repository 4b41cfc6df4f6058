"""One patient's page: what is shown, the rule in words, and from which cohorts it is refused."""

import re
from dataclasses import replace

import pandas as pd
import pytest

from analysis.cohort import Provenance, write_cohort
from analysis.cohort.modalities import NMES, TENS
from analysis.errors import CohortError
from analysis.report import make_report, one_patient
from analysis.report.one_patient import study
from analysis.report.one_patient.study import prepare_patient
from analysis.report.parts.figures import Figure
from analysis.report.parts.passages import Passage
from synthetic_cohort import generate_cohort

SECTIONS = [
    "In short", "Visits on the curves of the other patients", "Each visit", "The weeks ahead", "Change and thresholds",
    "Home sessions", "Brace", "Events", "Cautions", "Appendix",
]  # fmt: skip


@pytest.fixture(scope="module")
def cohort():
    return generate_cohort(patients=90, seed=3).observed


#: As imported by a map that names the therapist.
_NAMED = Provenance(steps=("Relabelled for a test.",), decided=("patients.therapist",))


def real(cohort, privacy):
    """Give the cohort out as imported, for the rules of privacy."""
    return replace(cohort, provenance=_NAMED, privacy=privacy)


@pytest.fixture
def page_of(monkeypatch):
    """Give a function that prepares the page of patient p0002 of a cohort in memory."""

    def prepare(cohort, **parameters):
        monkeypatch.setattr(study, "load_cohort", lambda folder: cohort)
        return prepare_patient("in memory", **{"patient": "p0002", "measures": ["knee_flexion"], **parameters})

    return prepare


def text_of(section):
    return "\n".join(str(item) for item in section)


def kinds(section):
    return [item.kind for item in section if isinstance(item, Passage)]


@pytest.mark.slow
def test_the_page_keeps_the_rules_and_has_every_section(tmp_path, page_rules, cohort):
    folder = write_cohort(cohort, tmp_path / "cohort")
    parameters = {"patient": "p0002", "measures": ["knee_flexion"]}
    files = make_report("one_patient", folder, tmp_path / "report", parameters=parameters)
    page = files.html.read_text(encoding="utf-8")
    assert page_rules.problems(page) == []
    assert re.findall(r"<h2 id=\"[^\"]*\">(.*?)</h2>", page) == SECTIONS
    assert (
        "The rule: a value is off the expected curve where it lies outside the 95 % prediction interval"
        in page.replace("\u00a0", " ")
    )
    assert page.count("<figure") == 3
    assert "groups of patients" not in page
    assert "recommends nothing for a patient" in page
    # No other patient is named, in text, table or picture's words.
    assert set(re.findall(r"\bp\d{4}\b", page)) == {"p0002"}


def test_a_value_far_off_is_marked_in_the_answer_the_table_and_the_figure(page_of, cohort):
    visits = cohort.visits.copy()
    chosen = (visits["patient_id"] == "p0002") & (visits["measure"] == "knee_flexion") & (visits["week"] == 12)
    assert chosen.any()
    visits.loc[chosen, "value"] = 60.0
    page = page_of(replace(cohort, visits=visits))
    answer = text_of(one_patient.answer(page))
    assert "60 deg at week 12, below" in answer
    assert "worse than expected" in answer
    assert "by chance alone" in answer.lower()
    rows = list(one_patient.visits(page))[1].cells()
    assert rows.loc[rows["Value"] == "60", "Where"].tolist() == ["off: below"]
    assert "below what was expected at week 12" in next(iter(one_patient.curves(page))).alt


def test_above_is_worse_where_lower_is_better(page_of, cohort):
    visits = cohort.visits.copy()
    chosen = (visits["patient_id"] == "p0002") & (visits["measure"] == "pain") & (visits["week"] == 26)
    assert chosen.any()
    visits.loc[chosen, "value"] = 10.0
    page = page_of(replace(cohort, visits=visits), measures=["pain"])
    assert re.search(r"10\.0 points at week 26, above .* \(worse than expected\)", text_of(one_patient.answer(page)))


def test_figures_can_be_read_at_both_widths(page_of, cohort, drawn):
    page = page_of(cohort)
    shown = [
        item
        for section in (one_patient.curves(page), one_patient.sessions(page), one_patient.brace(page))
        for item in section
        if isinstance(item, Figure)
    ]
    assert [figure.name for figure in shown] == ["patient", "sessions", "brace"]
    for figure in shown:
        assert [drawn.problems(figure.drawing(width)) for width in ("wide", "narrow")] == [[], []], figure.name
        assert re.search(r"\d", figure.alt)
    visits = cohort.visits
    own = (visits["patient_id"] == "p0002") & (visits["measure"] == "knee_flexion") & (visits["limb"] == "involved")
    assert own.sum() >= 3
    assert drawn.not_drawn(shown[0].drawing(), visits.loc[own, "value"]) == []


@pytest.mark.slow
def test_by_default_every_measure_of_the_patient_is_shown_symmetry_after_torque(page_of, cohort):
    names = [one.measure.name for one in page_of(cohort, measures=[]).found]
    assert names[:2] == ["quadriceps_torque", "limb_symmetry_index"]
    assert set(names[2:]) == {"knee_flexion", "knee_extension", "pain", "ikdc"}


def test_sessions_that_were_not_prescribed_have_no_share(page_of, cohort):
    """p0002 did three sessions of one kind that nobody prescribed, and of another nothing is known."""
    own = pd.DataFrame(
        {"patient_id": "p0002", "week": [1.0, 2.0, 1.0, 1.0],
         "modality": ["exercise", "exercise", NMES, TENS],
         "sessions_prescribed": [5, 0, 0, None], "sessions_done": [4, 1, 3, 2]}
    )  # fmt: skip
    section = one_patient.sessions(page_of(replace(cohort, sessions=own)))
    cells = next(iter(section)).cells().set_index("Modality")["Sessions done / prescribed"]
    assert cells.to_dict() == {
        "exercise": "4/5 (80 %)", NMES: "3, none prescribed", TENS: "not known"
    }  # fmt: skip
    alt = list(section)[1].alt
    assert "neuromuscular electrical stimulation (NMES): 3 done, none prescribed" in alt
    assert "transcutaneous electrical nerve stimulation (TENS): what was prescribed or done is not known" in alt


def test_tables_that_the_cohort_lacks_are_said_to_be_absent(page_of, cohort):
    page = page_of(replace(cohort, sessions=None, brace_limits=None, events=None))
    for section in (one_patient.sessions(page), one_patient.brace(page), one_patient.events(page)):
        assert kinds(section) == ["absent"]


def test_a_patient_with_the_baseline_only_has_the_weeks_ahead(page_of, cohort):
    kept = cohort.visits[(cohort.visits["patient_id"] != "p0002") | (cohort.visits["week"] <= 0)]
    page = page_of(replace(cohort, visits=kept))
    assert "No visit of this patient could be compared" in text_of(one_patient.answer(page))
    assert len(next(iter(one_patient.ahead(page))).cells()) == len(page.found[0].others.weeks)
    assert kinds(one_patient.thresholds(page)) == ["absent"]


def test_measures_that_cannot_be_compared_say_why(page_of, cohort):
    own = (cohort.visits["patient_id"] == "p0002") & (cohort.visits["week"] <= 0)
    page = page_of(replace(cohort, visits=cohort.visits[~own]))
    assert "Not compared: Knee flexion. The patient has no value at or before week 0" in text_of(
        one_patient.curves(page)
    )
    assert kinds(one_patient.visits(page)) == ["absent"]


def test_thresholds_say_what_was_reached_and_where_the_number_comes_from(page_of, cohort):
    section = one_patient.thresholds(page_of(cohort, measures=["pain"]))
    table = next(iter(section)).cells()
    change = float(table["Change"].iloc[0].replace("\u2212", "-"))
    expected = (
        "improved by the threshold"
        if change <= -2
        else "worse by the threshold"
        if change >= 2
        else "less than the threshold"
    )
    assert table["Against it"].iloc[0] == expected
    assert "minimal important change" in text_of(section)


def test_the_safe_harbor_level_is_refused(tmp_path, cohort):
    folder = write_cohort(real(cohort, "safe-harbor"), tmp_path / "cohort")
    with pytest.raises(CohortError, match="made from a cohort at the limited level"):
        prepare_patient(folder, patient="p0002")


def test_in_a_limited_cohort_the_patient_must_be_named(tmp_path, cohort):
    folder = write_cohort(real(cohort, "limited"), tmp_path / "cohort")
    with pytest.raises(CohortError, match="No patient is named"):
        prepare_patient(folder)
    with pytest.raises(CohortError, match="There is no patient 'nobody'"):
        prepare_patient(folder, patient="nobody")
    page = prepare_patient(folder, patient="p0002", measures=["pain"])
    assert not page.invented
    assert page.found[0].patient == "p0002"


def test_an_unknown_measure_is_refused(tmp_path, cohort):
    folder = write_cohort(cohort, tmp_path / "cohort")
    with pytest.raises(CohortError, match="There is no measure 'strength'"):
        prepare_patient(folder, measures=["strength"])


def test_three_measures_leave_no_empty_axes(cohort, page_of):
    page = page_of(cohort, measures=["knee_flexion", "pain", "ikdc"])
    figure = next(item for item in one_patient.curves(page) if isinstance(item, Figure))
    assert [axes.axison for axes in figure.drawing("wide").axes] == [True, True, True, False]

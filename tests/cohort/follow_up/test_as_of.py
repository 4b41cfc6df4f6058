"""Up to when the data go: read, kept as far as the level allows, and what was due and lost counted up to it."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.cohort import Cohort, check_cohort, deidentify, disclosure_risk, import_cohort, load_cohort, write_cohort
from analysis.cohort.follow_up.as_of import due_weeks, follow_up_words, kept_due_week, week_due
from analysis.cohort.follow_up.expected_visits import seen_weeks, visit_grid
from analysis.errors import CohortError, DeidentificationError, KneecurveError
from analysis.exploring.panel import offered_characteristics
from analysis.outcomes import observational_comparison, patient_flow, responders
from analysis.outcomes.missing.missing_by_week import missing_by_week
from analysis.outcomes.missing.missing_patterns import missing_patterns
from analysis.quality.completeness import completeness, expected_values
from analysis.quality.lost import visit_patterns

MAP = (
    '{top}[patients]\npatient_id = "id"\nprotocol = "arm"\n{quarter}[week]\ndate = "seen"\nstart = "start"\n'
    '[schedule]\nweeks = [0, 6, 26]\n[[values]]\nmeasure = "pain"\ncolumn = "pain"\n'
)
#: Starts in January and in June 2024; all but the last are seen at weeks 0 and 6, the first two at week 26.
ROWS = [
    ("A1", "2024-01-08", ("2024-01-08", "2024-02-19", "2024-07-08")),
    ("A2", "2024-01-15", ("2024-01-15", "2024-02-26", "2024-07-15")),
    ("A3", "2024-01-22", ("2024-01-22", "2024-03-04")),
    ("B1", "2024-06-03", ("2024-06-03", "2024-07-15")),
    ("B2", "2024-06-10", ("2024-06-10",)),
]


def source(folder, *, top="", level="limited"):
    quarters = {"01": "2024-Q1", "06": "2024-Q2"}
    lines = ["id,arm,start,quarter,seen,pain"]
    for patient, start, days in ROWS:
        lines += [f"{patient},usual,{start},{quarters[start[5:7]]},{day},{9 - i}" for i, day in enumerate(days)]
    (folder / "clinic.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    limited = level == "limited"
    text = MAP.format(
        top=('privacy = "limited"\n' if limited else "") + top, quarter='quarter = "quarter"\n' if limited else ""
    )
    (folder / "clinic.toml").write_text(text, encoding="utf-8")
    return folder / "clinic.csv", folder / "clinic.toml"


def test_the_last_day_seen_is_taken_where_nobody_names_one(tmp_path):
    cohort = import_cohort(*source(tmp_path)).cohort
    assert cohort.as_of == "2024-07-15"
    # 27, 26, 25, 6 and 5 weeks, less the late window: week 26 was due for nobody, week 6 for the three of January
    assert cohort.patients["due_week"].tolist() == [6.0, 6.0, 6.0, 0.0, 0.0]
    assert "Data up to 15 July 2024, the last day seen." in cohort.provenance.steps


def test_a_day_named_later_makes_more_visits_due(tmp_path):
    file, map_file = source(tmp_path)
    cohort = import_cohort(file, map_file, as_of="2024-09-01").cohort
    assert cohort.patients["due_week"].tolist() == [26.0, 26.0, 26.0, 6.0, 6.0]
    by_key = import_cohort(*source(tmp_path, top="as_of = 2024-09-01\n")).cohort
    assert by_key.as_of == cohort.as_of == "2024-09-01"
    back = load_cohort(write_cohort(cohort, tmp_path / "cohort"))
    assert back.as_of == "2024-09-01"
    assert follow_up_words(back) == "Data up to 1 September 2024."


@pytest.mark.parametrize(
    ("day", "message"),
    [
        ("2024-07-01", "lies before the last day seen, 2024-07-15"),
        ("9999-01-01", "still to come"),
        ("31.12.2024", "is no day up to which"),
        ("2024-02-30", "is no day up to which"),
    ],
)
def test_a_day_that_cannot_be_is_refused(tmp_path, day, message):
    with pytest.raises(CohortError, match=message) as caught:
        import_cohort(*source(tmp_path), as_of=day)
    assert caught.value.where == "--as-of"


def test_safe_harbor_keeps_the_year_alone(tmp_path):
    cohort = import_cohort(*source(tmp_path, level="safe-harbor"), as_of="2024-09-01").cohort
    assert cohort.as_of == "2024"
    assert "due_week" not in cohort.patients
    assert due_weeks(cohort).isna().all()
    assert any("safe-harbor level keeps no day" in step for step in cohort.provenance.steps)
    with pytest.raises(CohortError, match="not an as-of date at the safe-harbor level"):
        Cohort(cohort.patients, cohort.visits, as_of="2024-09-01")


def test_a_week_due_is_refused_at_the_safe_harbor_level():
    patients = pd.DataFrame({"patient_id": ["P1", "P2"], "protocol": "usual", "due_week": [26.0, 6.0]})
    visits = pd.DataFrame({"patient_id": ["P1"], "week": 0, "measure": "pain", "limb": "none", "value": [4]})
    found = check_cohort(Cohort(patients, visits)).findings
    assert "tells when the patient started" in " ".join(found["problem"])
    assert check_cohort(Cohort(patients, visits, privacy="limited")).n_identifiers == 0


def test_deidentification_keeps_what_was_due_beside_the_quarter_at_the_limited_level_only(tmp_path):
    file, _ = source(tmp_path)
    deidentify(file, tmp_path / "out", level="limited", patient="id", start="start", as_of="2024-09-01")
    made = pd.read_csv(tmp_path / "out" / "clinic.csv")
    weeks = made.groupby("patient_id")["due_week"].first()
    assert sorted(weeks) == [9, 10, 28, 29, 30]  # 83, 90, 223, 230 and 237 days, less the late window
    deidentify(file, tmp_path / "bare", patient="id", start="start", as_of="2024-09-01")
    assert "due_week" not in pd.read_csv(tmp_path / "bare" / "clinic.csv")


def test_deidentification_takes_the_last_day_seen_where_nobody_names_one(tmp_path):
    file, _ = source(tmp_path)
    deidentify(file, tmp_path / "out", level="limited", patient="id", start="start")
    weeks = pd.read_csv(tmp_path / "out" / "clinic.csv").groupby("patient_id")["due_week"].first()
    assert sorted(weeks) == [3, 4, 22, 23, 24]  # 35, 42, 175, 182 and 189 days up to 15 July 2024, less the late window


def test_deidentification_knows_no_last_day_where_only_the_start_or_older_days_are_told(tmp_path):
    lines = ["id,birth_date,start", *(f"A{i},1980-0{i}-11,2024-0{i}-08" for i in range(1, 7))]
    (tmp_path / "people.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    deidentify(tmp_path / "people.csv", tmp_path / "out", level="limited", patient="id", start="start")
    made = pd.read_csv(tmp_path / "out" / "people.csv")
    assert "quarter" in made
    assert "due_week" not in made


def test_a_limited_cohort_loses_the_day_when_it_is_made_safe(tmp_path):
    cohort = import_cohort(*source(tmp_path), as_of="2024-09-01").cohort
    deidentify(write_cohort(cohort, tmp_path / "cohort"), tmp_path / "safe", keep=["protocol"])
    safe = load_cohort(tmp_path / "safe")
    assert (safe.as_of, "due_week" in safe.patients, "quarter" in safe.patients) == ("2024", False, False)
    with pytest.raises(DeidentificationError):
        write_cohort(Cohort(cohort.patients, cohort.visits, as_of="2024"), tmp_path / "wrong")


@pytest.fixture
def late(tmp_path):
    """Give five patients of whom three are due at week 26, one of these unseen then, and two are not due."""
    return import_cohort(*source(tmp_path), as_of="2024-09-01").cohort


def test_who_is_not_yet_due_is_not_lost(late):
    grid = visit_grid(late, seen_weeks(late), [0, 6, 26]).pivot_table(
        index="patient_id", columns="week", values="state", aggfunc="first", observed=True
    )
    states = grid.astype("str").to_numpy().tolist()
    assert states[2] == ["seen", "seen", "not seen again"]
    assert states[3] == ["seen", "seen", "not yet due"]
    assert states[4] == ["seen", "not seen again", "not yet due"]
    flow = patient_flow(late, weeks=[0, 6, 26])
    assert flow.patients["lost"].tolist() == [False, False, True, False, True]
    at_26 = flow.by_week[flow.by_week["week"] == 26].iloc[0]
    assert (at_26["allocated"], at_26["due"], at_26["seen"], at_26["share"]) == (5, 3, 2, pytest.approx(2 / 3))
    row = missing_by_week(late, "pain", weeks=[0, 6, 26]).table.iloc[-1]
    assert (row["expected"], row["seen"], row["missing"], row["not_yet_due"]) == (3, 2, 1, 2)
    found = missing_patterns(late, "pain", weeks=[0, 6, 26], week=26, covariates=[])
    assert dict(zip(found.patterns["pattern"], found.patterns["kind"], strict=True)) == {
        "xxx": "complete", "xx.": "stopped", "xx-": "complete", "x.-": "stopped",
    }  # fmt: skip
    patterns = visit_patterns(late)
    assert patterns["lost"].tolist() == [False, False, True, False, True]
    assert patterns["expected"].tolist() == [3, 3, 3, 2, 2]
    share = completeness(expected_values(late), ["week"])
    assert share["expected"].tolist() == [5, 5, 3]


def test_who_is_not_yet_due_is_no_failure(late):
    found = responders(late, "pain", week=26, threshold=1.0, missing="non-response")
    assert found.table[["allocated", "n", "responders"]].iloc[0].tolist() == [5, 3, 2]
    assert "2 of these were not yet due by the as-of date, and are in no count." in found.notes


def test_quarters_alone_tell_when_all_of_a_quarter_were_due():
    patients = pd.DataFrame({"patient_id": ["a", "b"], "protocol": "usual", "quarter": ["2025-Q4", "2026-01"]})
    visits = pd.DataFrame(
        {"patient_id": ["a", "b"], "week": [26, 0], "measure": "pain", "limb": "none", "value": [4, 5]}
    )
    dated = Cohort(patients, visits, privacy="limited", as_of="2026-07-20")
    assert due_weeks(dated).round(2).tolist() == [26.10, 22.08]  # 201 and 170 days
    undated = Cohort(patients, visits, privacy="limited")  # a was seen on 1 April 2026 at the earliest: 91 and 60 days
    assert due_weeks(undated).tolist() == [pytest.approx(13.0), pytest.approx(60 / 7)]
    assert follow_up_words(undated).endswith("the last day seen is 1 April 2026 or later.")


@given(st.floats(0, 5_000))
def test_a_week_is_due_when_its_late_window_has_passed(week):
    window = max(2.0, week / 10)
    assert week_due(week + window) == pytest.approx(week, abs=1e-9)
    kept = kept_due_week(pd.Series([week, np.nan]), [0.0, 6.0, 26.0])
    assert kept.iloc[0] == max(one for one in (0.0, 6.0, 26.0) if one <= week + 1e-9)
    assert np.isnan(kept.iloc[1])


def test_the_week_due_is_no_trait_of_a_patient(late):
    with pytest.raises(KneecurveError, match="after the protocol began"):
        observational_comparison(
            replace(late, patients=late.patients.assign(protocol=["a", "b", "a", "b", "a"])), "pain", ["due_week"]
        )
    assert "due_week" not in offered_characteristics(late)
    assert "due_week" in disclosure_risk(late).quasi_identifiers

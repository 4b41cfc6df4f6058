"""Baseline rules and change at a week."""

import numpy as np
import pandas as pd
import pytest

from analysis.cohort import Cohort
from analysis.errors import CohortError, ModelError
from analysis.outcomes.change.change import change_at_week, change_frame, weeks_seen
from analysis.outcomes.chosen_endpoint import choose_endpoint


@pytest.fixture
def cohort():
    patients = pd.DataFrame({"patient_id": ["a", "b", "c"], "protocol": ["usual", "usual", "early"]})
    visits = pd.DataFrame(
        [("a", -6, 7), ("a", -1, 5), ("a", 12, 2), ("b", 12, 4), ("c", 0, 6)], columns=["patient_id", "week", "value"]
    ).assign(measure="pain", limb="none")
    return Cohort(patients, visits)


@pytest.mark.parametrize(
    ("rule", "expected"), [("last before start", 5.0), ("first before start", 7.0), ("mean before start", 6.0)]
)
def test_baseline_rules(cohort, rule, expected):
    frame = change_frame(cohort, choose_endpoint(cohort, "pain", week=26, baseline=rule, criterion=None))
    of_a = frame[frame["patient_id"] == "a"]
    assert of_a["baseline"].eq(expected).all()
    last = of_a[of_a["week"] == 12].iloc[0]
    assert (last["change"], last["improvement"]) == (2 - expected, expected - 2)


def test_every_patient_has_a_row_and_a_status(cohort):
    table = change_at_week(cohort, choose_endpoint(cohort, "pain", week=12, criterion=None)).set_index("patient_id")
    assert table["status"].astype("str").to_dict() == {"a": "seen", "b": "seen, no baseline", "c": "not seen"}
    assert table.loc["a", "improvement"] == 3
    assert table.loc[["b", "c"], "improvement"].isna().all()
    assert table.loc["c", "baseline"] == 6


def test_a_missing_value_is_the_same_as_no_row(cohort):
    gone = cohort.visits[cohort.visits["week"] != 12]
    blank = cohort.visits.assign(value=cohort.visits["value"].where(cohort.visits["week"] != 12, np.nan))
    left, right = (
        change_at_week(those := Cohort(cohort.patients, v), choose_endpoint(those, "pain", week=12, criterion=None))
        for v in (gone, blank)
    )
    pd.testing.assert_frame_equal(left, right)
    assert weeks_seen(Cohort(cohort.patients, blank), "pain") == [-6.0, -1.0, 0.0]


def test_no_change_is_no_negative_zero(cohort):
    """In a measure where lower is better the sign is turned; "-0" would look like a worsening too small to show."""
    same = Cohort(cohort.patients, cohort.visits.assign(value=5.0))
    for frame in (
        change_frame(same, choose_endpoint(same, "pain", week=26, criterion=None)),
        change_at_week(same, choose_endpoint(same, "pain", week=12, criterion=None)),
    ):
        assert not np.signbit(frame["improvement"].dropna()).any()


def test_an_unknown_rule_is_explained(cohort):
    with pytest.raises(
        ModelError, match=r"There is no baseline rule 'median'\.\n  what to do: Use one of: last before"
    ):
        change_frame(cohort, choose_endpoint(cohort, "pain", week=26, baseline="median", criterion=None))


def test_a_week_that_is_no_number_is_refused(cohort):
    with pytest.raises(ModelError, match="The week nan is not a number of weeks"):
        change_at_week(cohort, choose_endpoint(cohort, "pain", week=float("nan"), criterion=None))


def test_an_unknown_measure_lists_the_known_ones(cohort):
    with pytest.raises(CohortError, match=r"There is no measure 'strength'\.\n  where: measures known: "):
        change_at_week(cohort, choose_endpoint(cohort, "strength", week=12, criterion=None))

"""Responders by protocol: counted by hand, and where the counting stops."""

import dataclasses
import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from scipy import stats

from analysis.cohort import Cohort, Threshold, load_catalogue
from analysis.errors import CohortWarning, ModelError
from analysis.outcomes.chosen_endpoint import choose_endpoint
from analysis.outcomes.responders.change_distribution import change_distribution
from analysis.outcomes.responders.responders import responders
from analysis.outcomes.responders.threshold_grid import threshold_grid


def test_counted_by_hand(two_protocols):
    found = responders(two_protocols, "ikdc", week=26, threshold=12)
    assert found.table["protocol"].tolist() == ["usual", "early"]
    assert found.table[["allocated", "n", "responders"]].to_numpy().tolist() == [[10, 8, 4], [20, 16, 12]]
    assert found.table["share"].tolist() == [0.5, 0.75]
    assert found.differences["difference"].tolist() == [0.25]
    assert found.differences[["n", "reference_n"]].to_numpy().tolist() == [[16, 8]]
    assert found.differences["number_needed_to_treat"].tolist() == [4.0]
    assert found.differences["number_needed_through_infinity"].tolist() == [True]
    assert "Denominator: patients with a value at the week and a baseline; the others are left out." in found.notes
    assert "Of 30 patients 6 have no value at week 26." in found.notes


def test_missing_as_non_response_uses_every_patient(two_protocols):
    found = responders(two_protocols, "ikdc", week=26, threshold=12, missing="non-response")
    assert found.table[["n", "responders"]].to_numpy().tolist() == [[10, 4], [20, 12]]
    assert found.distribution.shares["n"].unique().tolist() == [10, 20]


def test_the_distribution_passes_through_the_responders(two_protocols):
    for missing in ("excluded", "non-response"):
        found = responders(two_protocols, "ikdc", week=26, threshold=12, missing=missing)
        at = found.distribution.shares.query("threshold == 12")
        assert at["responders"].tolist() == found.table["responders"].tolist()
        assert at["share"].tolist() == found.table["share"].tolist()
        gap = found.distribution.differences.query("threshold == 12").iloc[0]
        assert gap["difference"] == found.differences["difference"].iloc[0]
        assert gap["lower"] == found.differences["lower"].iloc[0]


def test_mean_difference_is_welchs(two_protocols):
    """scipy.stats.ttest_ind with equal_var=False on the improvements typed here."""
    found = responders(two_protocols, "ikdc", week=26, threshold=12)
    usual = [12, 15, 20, 30, 0, 5, 11, -3]
    early = [12] * 6 + [25] * 6 + [3, 4, 0, -8]
    test = stats.ttest_ind(early, usual, equal_var=False)
    row = found.mean_differences.iloc[0]
    assert row["estimate"] == pytest.approx(np.mean(early) - np.mean(usual))
    assert row["estimate"] / row["std_error"] == pytest.approx(test.statistic)
    assert (row["lower"], row["upper"]) == pytest.approx(tuple(test.confidence_interval()))
    assert found.mean_improvement["mean"].tolist() == pytest.approx([np.mean(usual), np.mean(early)])


def test_lower_is_better(make_cohort):
    cohort = make_cohort({"usual": [-2, -1, 2], "early": [-3, -2, -2]}, measure="pain", baseline=6)
    found = responders(cohort, "pain", week=26, threshold=2)
    assert found.table["responders"].tolist() == [1, 3]
    assert "a fall from baseline of at least 2 points" in found.endpoint.threshold.words


def test_reaching_means_at_least_despite_rounding(make_cohort):
    """6.1 - 4.1 is 1.9999999999999996 in binary."""
    cohort = make_cohort({"usual": [4.1 - 6.1]}, measure="pain", baseline=6.1)
    assert responders(cohort, "pain", week=26, threshold=2).table["responders"].tolist() == [1]


def test_nobody_and_everybody(make_cohort):
    found = responders(make_cohort({"usual": [0] * 20, "early": [30] * 10}), "ikdc", week=26, threshold=12)
    assert found.table["share"].tolist() == [0.0, 1.0]
    assert found.table["upper"].iloc[0] == pytest.approx(0.1611, abs=5e-5)
    assert found.differences["lower"].iloc[0] == pytest.approx(0.6791, abs=5e-5)
    assert found.differences["upper"].iloc[0] == 1
    nobody = responders(make_cohort({"usual": [0] * 20, "early": [0] * 10}), "ikdc", week=26, threshold=12)
    assert math.isinf(nobody.differences["number_needed_to_treat"].iloc[0])
    assert nobody.mean_differences["lower"].isna().all()


@pytest.mark.parametrize("missing", ["excluded", "non-response"])
def test_a_week_nobody_reached_is_missing_not_zero(two_protocols, missing):
    found = responders(two_protocols, "ikdc", week=104, threshold=12, missing=missing)
    assert found.table["n"].tolist() == [0, 0]
    assert found.table[["share", "lower", "upper"]].isna().all(axis=None)
    assert found.differences[["difference", "lower", "upper", "number_needed_to_treat"]].isna().all(axis=None)
    assert "Nobody has both a baseline and a value at week 104: the shares are missing, not 0 %." in found.notes


def test_a_protocol_nobody_of_which_was_seen(make_cohort):
    cohort = make_cohort({"usual": [20, 0], "early": [None, None]})
    left_out = responders(cohort, "ikdc", week=26, threshold=12)
    assert left_out.table["share"].isna().tolist() == [False, True]
    counted = responders(cohort, "ikdc", week=26, threshold=12, missing="non-response")
    assert counted.table["n"].tolist() == [2, 2]
    assert "Nobody of early was seen at week 26; the 0 % there says only that." in counted.notes
    assert counted.distribution.shares["n"].eq(2).all()


def test_one_protocol_only(make_cohort):
    found = responders(make_cohort({"usual": [20, 0]}), "ikdc", week=26, threshold=12)
    assert found.table["share"].tolist() == [0.5]
    assert found.differences.empty
    assert "number_needed_in_words" in found.differences
    assert found.mean_differences.empty
    assert found.distribution.differences.empty


def test_a_protocol_with_one_patient(make_cohort):
    found = responders(make_cohort({"usual": [20, 0, 15], "early": [20]}), "ikdc", week=26, threshold=12)
    assert found.table["n"].tolist() == [3, 1]
    assert found.mean_differences["estimate"].notna().all()
    assert found.mean_differences["lower"].isna().all()
    assert found.mean_improvement["standard_deviation"].isna().tolist() == [False, True]


def test_a_missing_baseline_is_said(make_cohort):
    cohort = make_cohort({"usual": [20, 0]}, baselines=[50, None])
    found = responders(cohort, "ikdc", week=26, threshold=12)
    assert found.table["n"].tolist() == [1]
    assert "1 of 2 patients seen at week 26 have no baseline." in found.notes


def test_a_negative_threshold_is_an_error(make_cohort):
    cohort = make_cohort({"usual": [-2, -1]}, measure="pain", baseline=6)
    with pytest.raises(ModelError) as caught:
        responders(cohort, "pain", week=26, threshold=-2)
    assert str(caught.value) == (
        "The threshold -2 points is not a size of improvement.\n"
        "  where: measure 'pain', lower is better\n"
        "  what to do: Give a positive number: how far pain falls in a patient who has improved."
    )


def test_week_zero_is_an_error(two_protocols):
    with pytest.raises(
        ModelError, match=r"There is no change from baseline at week 0\.\n  what to do: Name a week after"
    ):
        responders(two_protocols, "ikdc", week=0, threshold=12)


def test_unknown_rule_and_reference(two_protocols):
    with pytest.raises(ModelError, match="There is no rule 'carried forward' for missing visits"):
        responders(two_protocols, "ikdc", week=26, missing="carried forward")
    with pytest.raises(ModelError, match=r"no protocol 'late' to compare with\.\n  where: .*: usual, early"):
        responders(two_protocols, "ikdc", week=26, reference="late")


def test_another_reference_turns_the_difference_round(two_protocols):
    one = responders(two_protocols, "ikdc", week=26, threshold=12).differences.iloc[0]
    other = responders(two_protocols, "ikdc", week=26, threshold=12, reference="early").differences.iloc[0]
    assert other["difference"] == -one["difference"]
    assert other["lower"] == pytest.approx(-one["upper"])


def test_default_threshold_is_named_with_its_source(two_protocols):
    found = responders(two_protocols, "ikdc", week=26)
    published = load_catalogue()["ikdc"].threshold()
    assert found.endpoint.threshold.value == published.value
    assert published.source in found.endpoint.threshold.words
    assert found.endpoint.threshold.name == "minimal important change"
    assert "the cohort names no procedure" in found.endpoint.threshold.caution


def test_default_threshold_without_an_important_change_is_the_detectable_one(make_cohort):
    cohort = make_cohort({"usual": [0]})
    visits = cohort.visits.assign(measure="knee_flexion", limb="involved")
    found = responders(Cohort(cohort.patients, visits), "knee_flexion", week=26)
    assert found.endpoint.threshold.name == "minimal detectable change"
    assert "this is the error of measurement, not importance" in found.endpoint.threshold.caution


def test_a_threshold_of_another_procedure_warns(make_cohort):
    cohort = make_cohort({"usual": [20, 0]})
    replaced = Cohort(cohort.patients.assign(procedure="knee replacement"), cohort.visits)
    other = Threshold(10, "MIC", "athletes", procedure="ligament reconstruction")
    with pytest.warns(CohortWarning, match="found in athletes, not named as knee replacement"):
        responders(replaced, "ikdc", week=26, threshold=other)


def test_it_shows_itself_with_markup_as_text(make_cohort):
    cohort = make_cohort({"<b>usual</b>": [20, 0], "early": [20, 20]})
    shown = responders(cohort, "ikdc", week=26, threshold=12)._repr_html_()
    assert "&lt;b&gt;usual" in shown
    assert "<b>usual" not in shown
    assert "P001" not in shown
    assert "number_needed_in_words" in shown


@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.lists(st.one_of(st.none(), st.integers(-40, 40)), min_size=1, max_size=25),
    st.lists(st.one_of(st.none(), st.integers(-40, 40)), min_size=1, max_size=25),
    st.integers(1, 40),
)
def test_shares_fall_with_the_threshold_and_never_leave_their_intervals(make_cohort, usual, early, threshold):
    cohort = make_cohort({"usual": usual, "early": early})
    found = change_distribution(cohort, choose_endpoint(cohort, "ikdc", week=26))
    for _, rows in found.shares.groupby("protocol"):
        assert rows["share"].dropna().is_monotonic_decreasing
        assert (rows["lower"].dropna() <= rows["share"].dropna() + 1e-12).all()
    counted = responders(cohort, "ikdc", week=26, threshold=threshold)
    for row, changes in zip(counted.table.itertuples(), (usual, early), strict=True):
        seen = [change for change in changes if change is not None]
        assert (row.n, row.responders) == (len(seen), sum(change >= threshold for change in seen))


def test_relabelled_and_reordered_patients_give_the_same(two_protocols, rng):
    order = rng.permutation(len(two_protocols.patients))
    shuffled = Cohort(
        two_protocols.patients.iloc[order], two_protocols.visits.sample(frac=1, random_state=3).reset_index(drop=True)
    )
    one, other = (responders(cohort, "ikdc", week=26, threshold=12) for cohort in (two_protocols, shuffled))
    pd.testing.assert_frame_equal(one.table, other.table)
    pd.testing.assert_frame_equal(one.distribution.shares, other.distribution.shares)


def test_who_is_not_yet_due_is_no_failure_in_the_distribution(two_protocols):
    """The six patients not seen are not due at week 26: out of the count, at the threshold and at every other amount."""
    unseen = ~two_protocols.patients["patient_id"].isin(
        two_protocols.visits.loc[two_protocols.visits["week"] == 26, "patient_id"]
    )
    people = two_protocols.patients.assign(due_week=np.where(unseen, 12.0, 40.0))
    cohort = dataclasses.replace(two_protocols, patients=people, as_of="2025")
    found = responders(cohort, "ikdc", week=26, threshold=12, missing="non-response")
    whole = change_distribution(cohort, found.endpoint, thresholds=[12])
    assert found.table["n"].tolist() == [8, 16]
    for shares in (whole.shares, found.distribution.shares):
        assert shares.groupby("protocol")["n"].max().to_dict() == {"usual": 8, "early": 16}
    grid = threshold_grid(cohort, found.endpoint, thresholds=[12]).table
    assert grid.loc[grid["missing"] == "non-response", "n"].tolist() == [8, 16]
    none_due = dataclasses.replace(cohort, visits=cohort.visits[cohort.visits["week"] < 26])
    assert change_distribution(none_due, found.endpoint, thresholds=[12]).shares["n"].tolist() == [0, 0]

"""Outcomes in order: each as its own curves say, tested with one level; and effect sizes against a worked example."""

import numpy as np
import pytest

from analysis.curves.recovery import fit_recovery
from analysis.errors import CohortError, ModelError
from analysis.outcomes.comparisons.compare_outcomes import compare_outcomes
from analysis.outcomes.comparisons.effect_size import small_sample_factor, standardised_difference
from analysis.statistics.graphical_tests import graphical_test, in_order
from synthetic_cohort import generate_cohort

MEASURES = ["quadriceps_torque", "ikdc", "pain", "knee_flexion"]


@pytest.fixture(scope="module")
def cohort():
    return generate_cohort(patients=240, seed=1).observed


@pytest.fixture(scope="module")
def found(cohort):
    return compare_outcomes(cohort, MEASURES, week=26)


def test_a_worked_example_of_a_standardised_difference():
    """Borenstein et al. 2009, chapter 4: means 103 and 100, SD 5.5 and 4.5, 50 each: d 0.5970, J 0.9923, g 0.5924, and its
    variance 0.0411 (the last from memory)."""
    spread = np.sqrt((5.5**2 + 4.5**2) / 2)
    one = standardised_difference(3.0, spread * np.sqrt(2 / 50), spread, 98).iloc[0]
    assert 3.0 / spread == pytest.approx(0.5970, abs=5e-5)
    assert small_sample_factor(98) == pytest.approx(0.9923, abs=5e-5)
    assert one["standardised"] == pytest.approx(0.5924, abs=5e-5)
    assert one["standardised_std_error"] ** 2 == pytest.approx(0.0411, abs=1e-4)


def test_without_a_spread_there_is_no_standardised_difference():
    assert standardised_difference([1.0, 1.0], [0.5, 0.5], [0.0, np.nan], [10, 10])["standardised"].isna().all()
    assert standardised_difference(1.0, 0.5, 2.0, 0)["standardised"].isna().all()


def test_each_outcome_is_what_its_own_curves_say(found, cohort):
    for name in MEASURES:
        own = fit_recovery(cohort, name, primary_week=26).primary_differences()
        rows = found.table[found.table["measure"] == name]
        assert rows["estimate"].tolist() == own["estimate"].tolist()
        assert rows["p_value"].tolist() == own["p_value"].tolist()
        at = cohort.visits[
            (cohort.visits["measure"] == name) & (cohort.visits["week"] == 26) & (cohort.visits["limb"] != "uninvolved")
        ]
        assert rows["n"].sum() + rows["reference_n"].iloc[0] == at["patient_id"].nunique()


def test_they_are_tested_by_the_graph_in_their_order(found):
    tested = graphical_test(found.table["p_value"].tolist(), *in_order(4, 2))
    assert found.table["adjusted_p_value"].tolist() == tested["adjusted_p_value"].tolist()
    assert found.table["found"].tolist() == tested["rejected"].tolist()
    assert found.table["place"].tolist() == [1, 1, 2, 2, 3, 3, 4, 4]


def test_what_comes_after_an_outcome_without_a_difference_is_not_tested(found):
    for _, rows in found.table.groupby("protocol"):
        so_far = True
        for row in rows.itertuples():
            assert row.tested == so_far
            assert not row.found or row.tested
            so_far = so_far and row.found


def test_the_standard_deviation_is_that_of_the_start(found, cohort):
    pain = found.table[found.table["measure"] == "pain"].iloc[0]
    start = cohort.visits.query("measure == 'pain' and week == 0").merge(cohort.patients[["patient_id", "protocol"]])
    groups = start.groupby("protocol", observed=True)["value"]
    pooled = np.sqrt((groups.var() * (groups.count() - 1)).sum() / (groups.count() - 1).sum())
    assert pain["standard_deviation"] == pytest.approx(pooled)
    assert pain["standardised"] == pytest.approx(pain["estimate"] / pooled, rel=0.01)


def test_a_measure_not_seen_then_takes_its_own_week_and_it_is_said(cohort):
    found = compare_outcomes(cohort, ["ikdc", "quadriceps_torque"], week=6)
    assert found.table.groupby("measure")["week"].first().to_dict() == {"ikdc": 6, "quadriceps_torque": 26}
    assert any("Not seen at the primary week: Quadriceps torque at week 26" in note for note in found.notes)


@pytest.mark.parametrize(
    ("names", "error", "said"),
    [
        ([], ModelError, "No outcome is named"), (["pain", "pain"], ModelError, "each named once"),
        (["pain", "strength"], CohortError, "There is no measure 'strength'"),
    ],
)  # fmt: skip
def test_what_is_no_order_is_refused(cohort, names, error, said):
    with pytest.raises(error, match=said):
        compare_outcomes(cohort, names)

"""States counted together with their missing values filled: near the truth where those seen are not; and what is refused."""

import numpy as np
import pandas as pd
import pytest
from scipy.stats import multivariate_normal

from analysis.cohort import Cohort
from analysis.errors import ModelError
from analysis.outcomes import choose_endpoint, missing_states_analyses, with_states_together
from analysis.outcomes.missing.states_model import MOST_VALUES, PATIENTS_PER_VALUE, fit_states
from analysis.outcomes.responders.states_together import states_of
from synthetic_cohort import generate_cohort

STATES = ["pain 3", "ikdc 60"]
WEEKS = (0.0, 12.0, 26.0)
#: Means of pain and score by week; of the other protocol the last differ by these.
MEAN, BETTER = np.array([5.0, 45.0, 4.0, 52.0, 3.0, 60.0]), np.array([0, 0, 0, 0, -0.8, 5.0])
SPREAD = np.array([1.5, 9.0] * 3)
#: Pain goes against the score; all visits of a patient go together.
OF_MEASURES, OF_WEEKS = np.array([[1.0, -0.6], [-0.6, 1.0]]), 0.4 * np.eye(3) + 0.6
COVARIANCE = np.kron(OF_WEEKS, OF_MEASURES) * np.outer(SPREAD, SPREAD)


def drawn(rng, n):
    """Everybody's values, (patients, week by measure), and their protocols."""
    protocol = np.resize(["usual", "early"], n)
    return rng.multivariate_normal(MEAN, COVARIANCE, n) + np.outer(protocol == "early", BETTER), protocol


def with_losses(rng, values):
    """Who did badly at week 12, which is seen, is often not seen at week 26; some lack one measure only."""
    seen = values.copy()
    seen[rng.random(len(values)) < np.where(values[:, 3] < 52, 0.6, 0.05), 4:] = np.nan
    seen[rng.random(len(values)) < 0.1, 4] = np.nan
    return seen


def cohort_of(values, protocol):
    names = [f"P{place:05d}" for place in range(len(values))]
    visits = pd.DataFrame(
        {
            "patient_id": np.repeat(names, 6), "week": np.tile(np.repeat(WEEKS, 2), len(values)),
            "measure": np.tile(["pain", "ikdc"], 3 * len(values)), "limb": "none", "value": values.ravel(),
        }
    ).dropna(subset="value")  # fmt: skip
    return Cohort(pd.DataFrame({"patient_id": names, "protocol": pd.Categorical(protocol, ["usual", "early"])}), visits)


def all_reached(values):
    return (values[:, 4] <= 3) & (values[:, 5] >= 60)


def analyses(cohort, states=STATES, *, week=26, draws=20):
    both = with_states_together(cohort, states)
    endpoint = choose_endpoint(both, "states_together", week=week, criterion="state", threshold=1)
    return missing_states_analyses(both, endpoint, states, draws=draws)


@pytest.fixture(scope="module")
def planted():
    rng = np.random.default_rng(3)
    values, protocol = drawn(rng, 1500)
    return values, with_losses(rng, values), protocol


def test_shares_of_filled_states_are_near_the_truth_where_those_of_the_seen_are_not(planted):
    values, seen, protocol = planted
    made = fit_states(cohort_of(seen, protocol), states_of(cohort_of(seen, protocol), STATES, week=26))
    filled = np.mean(list(made.reached(20, np.random.default_rng(1))), axis=0)
    judged = np.isfinite(seen[:, 4:]).all(axis=1)
    for one in ("usual", "early"):
        of = protocol == one
        truth = all_reached(values[of]).mean()
        left_out = all_reached(values[of & judged]).mean()
        assert left_out - truth > 0.06  # the seen did better
        assert filled[of].mean() == pytest.approx(truth, abs=0.025)  # about twice the error of so many patients


def test_a_patient_seen_with_a_part_not_reached_is_never_filled_as_reached(planted):
    _, seen, protocol = planted
    cohort = cohort_of(seen, protocol)
    made = fit_states(cohort, states_of(cohort, STATES, week=26))
    filled = np.array(list(made.reached(10, np.random.default_rng(1))))
    fails = (np.isnan(seen[:, 4]) & (seen[:, 5] < 60)) | (np.isnan(seen[:, 5]) & (seen[:, 4] > 3))
    assert fails.sum() > 20
    assert not filled[:, fails].any()
    judged = np.isfinite(seen[:, 4:]).all(axis=1)
    assert (filled[:, judged] == all_reached(seen[judged])).all()


def test_a_patient_is_filled_as_often_as_the_normal_of_both_measures_says(planted):
    """Independent computation: the orthant of the conditional normal with the parameters that made the data (scipy)."""
    _, seen, protocol = planted
    gone = np.flatnonzero(np.isnan(seen[:, 4:]).all(axis=1) & (protocol == "usual"))
    cohort = cohort_of(seen, protocol)
    made = fit_states(cohort, states_of(cohort, STATES, week=26))
    filled = np.mean(list(made.reached(60, np.random.default_rng(2))), axis=0)[gone]
    gain = COVARIANCE[4:, :4] @ np.linalg.inv(COVARIANCE[:4, :4])
    left = COVARIANCE[4:, 4:] - gain @ COVARIANCE[:4, 4:]
    turn = np.array([1.0, -1.0])  # pain at most, score at least
    expected = [
        multivariate_normal(turn * (MEAN[4:] + gain @ (seen[one, :4] - MEAN[:4])), left * np.outer(turn, turn)).cdf(
            [3, -60]
        )
        for one in gone
    ]
    alone = np.array([0.15, 0.3, 0.5, 1.0])
    assert filled.mean() == pytest.approx(np.mean(expected), abs=0.02)  # 60 draws, parameters estimated
    for low, high in zip([0.0, *alone[:-1]], alone, strict=True):
        among = (np.array(expected) >= low) & (np.array(expected) < high)
        if among.sum() > 20:
            assert filled[among].mean() == pytest.approx(np.mean(np.array(expected)[among]), abs=0.05)


def test_the_analyses_stand_side_by_side_as_for_one_measure(planted):
    _, seen, protocol = planted
    found = analyses(cohort_of(seen[:400], protocol[:400]))
    table = found.responders.set_index("analysis")
    assert list(table.index) == ["observed cases", "missing counted as non-response", "multiple imputation"]
    assert table.loc["multiple imputation", ["n", "reference_n"]].tolist() == [200, 200]
    assert table.loc["multiple imputation", "assumption"] == "missing at random"
    assert (table["lower"] < table["difference"]).all()
    assert (table["difference"] < table["upper"]).all()
    assert found.differences.empty
    said = " ".join(found.notes)
    assert "Joint normal model of 6 values of a patient" in said
    assert "Pain at week 0, week 12, week 26" in said
    assert "20 completed data sets, each judged by the same states." in said


def test_without_a_gap_all_analyses_agree(rng):
    values, protocol = drawn(rng, 120)
    found = analyses(cohort_of(values, protocol), draws=2)
    assert found.responders["difference"].to_numpy() == pytest.approx(found.responders["difference"].iloc[0])


@pytest.mark.parametrize(("patients", "between"), [(40, 0), (60, 1), pytest.param(200, 2, marks=pytest.mark.slow)])
def test_visits_between_are_taken_the_latest_first_while_there_are_patients_for_them(patients, between):
    cohort = generate_cohort(patients=patients, seed=1).observed
    made = fit_states(cohort, states_of(cohort, ["pain 3", "ikdc 60"], week=26))
    weeks = sorted({week for _, week in made.values})
    assert weeks == [0.0, *[6.0, 12.0][2 - between :], 26.0]
    assert len(made.values) <= min(MOST_VALUES, max(patients // PATIENTS_PER_VALUE, 4))


def test_what_cannot_be_filled_is_refused_with_the_reason(planted):
    _, seen, protocol = planted
    nobody = seen[:80].copy()
    nobody[protocol[:80] == "early", 4] = np.nan
    with pytest.raises(ModelError, match="Nobody of early has a value of Pain at week 26"):
        analyses(cohort_of(nobody, protocol[:80]))
    same = seen[:80].copy()
    same[:, 4] = np.where(np.isnan(same[:, 4]), np.nan, 2.0)
    with pytest.raises(ModelError, match="All values of Pain at week 26 are the same"):
        analyses(cohort_of(same, protocol[:80]))
    with pytest.raises(ModelError, match="No joint model of the measures counted together could be fitted"):
        analyses(cohort_of(np.nan_to_num(drawn(np.random.default_rng(1), 6)[0]), protocol[:6]))


def test_another_endpoint_and_one_protocol_are_refused(planted):
    _, seen, _ = planted
    alone = with_states_together(cohort_of(seen[:60], np.resize(["usual"], 60)), STATES)
    endpoint = choose_endpoint(alone, "states_together", week=26, criterion="state", threshold=1)
    with pytest.raises(ModelError, match="one protocol only"):
        missing_states_analyses(alone, endpoint, STATES, draws=2)
    with pytest.raises(ModelError, match="counts no states together"):
        missing_states_analyses(alone, choose_endpoint(alone, "pain", week=26, threshold=2), STATES, draws=2)


@pytest.mark.slow
def test_over_many_trials_the_filled_difference_is_not_biased_and_its_interval_holds_the_truth():
    rng = np.random.default_rng(8)
    many, protocol = drawn(rng, 400_000)
    truth = all_reached(many[protocol == "early"]).mean() - all_reached(many[protocol == "usual"]).mean()
    estimates, held = [], []
    for _ in range(200):
        values, protocol = drawn(rng, 160)
        found = analyses(cohort_of(with_losses(rng, values), protocol), draws=20).responders.iloc[-1]
        estimates.append(found["difference"])
        held.append(found["lower"] <= truth <= found["upper"])
    assert np.mean(estimates) == pytest.approx(truth, abs=3 * np.std(estimates) / np.sqrt(200))
    assert 0.91 <= np.mean(held) <= 0.995  # 200 trials of 95 %: 0.92 to 0.98 by chance

"""Missing values of one protocol shifted: what moves, by how much, and where the finding turns."""

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf

from analysis.cohort import Cohort
from analysis.outcomes.chosen_endpoint import choose_endpoint
from analysis.outcomes.missing.missing_analyses import missing_data_analyses
from analysis.outcomes.missing.tipping_point import tipping_point

from .trial_with_losses import trial


def test_a_shift_moves_the_difference_by_the_share_missing(rng):
    """With no baseline slope the difference moves by delta times the share missing; here less by adjustment: within the
    baseline's part. Delta 0 is the analysis at random, by the same draws exactly."""
    cohort = trial(rng, n=300)
    found = tipping_point(cohort, choose_endpoint(cohort, "ikdc", week=26, criterion=None), draws=30, deltas=[-8, 8])
    table = found.table.set_index("delta")
    share = table.loc[0, "n_missing"] / table.loc[0, "n"]
    assert (table.loc[8, "difference"] - table.loc[0, "difference"]) == pytest.approx(8 * share, rel=0.1)
    at_random = missing_data_analyses(cohort, choose_endpoint(cohort, "ikdc", week=26), draws=60).differences
    same = at_random[at_random["assumption"] == "missing at random"].set_index("analysis").loc["multiple imputation"]
    assert table.loc[0, "difference"] == pytest.approx(same["difference"], abs=0.35 * same["std_error"])


def test_the_tipping_point_is_where_the_interval_reaches_zero(rng):
    cohort = trial(rng, n=300, early=5)
    found = tipping_point(cohort, choose_endpoint(cohort, "ikdc", week=26, criterion=None), draws=30)
    turn = found.tipping.iloc[0]
    assert turn["excludes_zero"]
    there = tipping_point(
        cohort, choose_endpoint(cohort, "ikdc", week=26, criterion=None), draws=30, deltas=[turn["delta"]]
    ).table.set_index("delta")
    assert there["lower"].iloc[0 if turn["delta"] < 0 else 1] == pytest.approx(0, abs=0.05)
    at = tipping_point(
        cohort, choose_endpoint(cohort, "ikdc", week=26, criterion=None), draws=30, deltas=[turn["delta_of_estimate"]]
    ).table
    assert at["difference"].abs().min() == pytest.approx(0, abs=1e-8)


def test_a_shift_is_that_of_one_protocol_and_leaves_the_others_as_they_are(rng):
    """Three protocols, baselines complete: the same draws serve every shift, so the difference moves by delta times the
    coefficient of a mark of the protocol's missing values (statsmodels), and by nothing of the other's."""
    two = trial(rng, n=150, lost=0.5)
    arms = np.resize(["usual", "early", "usual", "late"], 150)
    cohort = Cohort(two.patients.assign(protocol=pd.Categorical(arms, ["usual", "early", "late"])), two.visits)
    endpoint = choose_endpoint(cohort, "ikdc", week=26, criterion=None)
    found = tipping_point(cohort, endpoint, draws=3, deltas=[8]).table.set_index(["protocol", "delta"])["difference"]
    visits = cohort.visits.pivot_table(index="patient_id", columns="week", values="value")
    people = cohort.patients.set_index("patient_id").join(visits[[0, 26]].set_axis(["start", "end"], axis=1))
    for name in ("early", "late"):
        people["mark"] = (people["end"].isna() & (people["protocol"] == name)).astype(float)
        slope = smf.ols("mark ~ protocol + start", people).fit().params[f"protocol[T.{name}]"]
        assert found[name, 8.0] - found[name, 0.0] == pytest.approx(8 * slope, rel=1e-9)


def test_of_two_shifts_that_turn_a_finding_the_nearer_one_is_given(rng):
    """A difference above 0 whose interval holds 0: a shift up turns it sooner than one down, which does too."""
    cohort = trial(rng, n=120, early=2, lost=0.5)
    endpoint = choose_endpoint(cohort, "ikdc", week=26, criterion=None)
    found = tipping_point(cohort, endpoint, draws=30, deltas=np.linspace(-30, 30, 61))
    table, turn = found.table.set_index("delta"), found.tipping.iloc[0]
    assert table.loc[0, "lower"] < 0 < table.loc[0, "difference"] < table.loc[0, "upper"]
    up, down = table.index[table["lower"] > 0].min(), table.index[table["upper"] < 0].max()
    assert 0 < up < -down
    assert up - 1 <= turn["delta"] <= up

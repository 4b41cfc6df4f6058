"""Responders at several weeks of the same patients."""

import numpy as np
import pandas as pd
import pytest

from analysis.cohort import Cohort
from analysis.errors import ModelError
from analysis.outcomes.chosen_endpoint import choose_endpoint
from analysis.outcomes.responders.repeated_responders import repeated_responders
from analysis.outcomes.responders.responders import responders


def cohort_of(rng, n=160, weeks=(12, 26, 52), lost=0.0):
    protocol = np.resize(["usual", "early"], n)
    own = rng.normal(0, 8, n)
    rows = [(f"P{i}", 0, 40.0) for i in range(n)]
    for k, week in enumerate(weeks):
        gain = own + rng.normal(6 + 3 * k, 8, n) + 5 * (protocol == "early")
        rows += [(f"P{i}", week, 40 + gain[i]) for i in range(n) if rng.random() >= lost]
    patients = pd.DataFrame({"patient_id": [f"P{i}" for i in range(n)], "protocol": protocol})
    visits = pd.DataFrame(rows, columns=["patient_id", "week", "value"]).assign(measure="ikdc", limb="none")
    return Cohort(patients, visits)


def test_with_every_visit_made_the_shares_are_the_raw_ones(rng):
    cohort = cohort_of(rng)
    found = repeated_responders(cohort, choose_endpoint(cohort, "ikdc", week=26, threshold=10))
    for week in (12.0, 26.0, 52.0):
        raw = responders(cohort, "ikdc", week=week, threshold=10)
        here = found.table[found.table["week"] == week]
        assert here["share"].tolist() == pytest.approx(raw.table["share"].tolist(), rel=1e-6)
        gap = found.differences[found.differences["week"] == week].iloc[0]
        assert gap["difference"] == pytest.approx(raw.differences["difference"].item(), rel=1e-5)
        p, n = raw.table["share"].to_numpy(), raw.table["n"].to_numpy()
        assert gap["std_error"] == pytest.approx(np.sqrt((p * (1 - p) / n).sum()), rel=0.02)
        assert gap["odds_ratio"] == pytest.approx(raw.ratios["odds_ratio"].item(), rel=1e-5)
    assert 0 < found.association < 1


@pytest.mark.parametrize(
    ("early", "usual", "lower", "upper"), [((56, 70), (48, 80), 0.0524, 0.3339), ((69, 70), (1, 80), 0.8901, 0.9888)]
)
def test_limits_at_one_week_are_those_of_counts(make_cohort, early, usual, lower, upper):
    """Newcombe, Stat Med 1998;17:873, Table II, method 10; the second row in R, the method written out."""
    gains = {name: [30] * yes + [0] * (n - yes) for name, (yes, n) in {"usual": usual, "early": early}.items()}
    found = repeated_responders(
        those := make_cohort(gains),
        choose_endpoint(those, "ikdc", week=26, threshold=10),
        weeks=[26],
        correlation="independence",
    )
    assert found.differences["week"].tolist() == [26.0, "mean"]
    for _, row in found.differences.iterrows():
        assert row[["lower", "upper"]].tolist() == pytest.approx([lower, upper], abs=5e-5)


def test_the_mean_over_the_weeks_is_narrower_than_one_week(rng):
    found = repeated_responders(
        those := cohort_of(rng, lost=0.2), choose_endpoint(those, "ikdc", week=26, threshold=10)
    )
    gaps = found.differences.set_index("week")
    assert gaps.loc["mean", "difference"] == pytest.approx(gaps["difference"].iloc[:3].mean())
    assert gaps.loc["mean", "std_error"] < gaps["std_error"].iloc[:3].min()


def test_small_trials_take_bias_reduced_errors(rng):
    found = repeated_responders(
        those := cohort_of(rng, n=36), choose_endpoint(those, "ikdc", week=26, threshold=10), correlation="independence"
    )
    assert "bias-reduced errors" in found.notes[1]


def test_weeks_without_both_answers_are_left_out(rng):
    cohort = cohort_of(rng)
    late = cohort.visits.assign(value=cohort.visits["value"].where(cohort.visits["week"] != 52, 99.0))
    found = repeated_responders(
        those := Cohort(cohort.patients, late), choose_endpoint(those, "ikdc", week=26, threshold=10)
    )
    assert found.table["week"].unique().tolist() == [12.0, 26.0]
    assert "Left out, as nobody or everybody of a protocol responded: week 52." in found.notes
    early = set(cohort.patients.loc[cohort.patients["protocol"] == "early", "patient_id"])
    all_of_one = (cohort.visits["week"] == 52) & cohort.visits["patient_id"].isin(early)
    one = Cohort(cohort.patients, cohort.visits.assign(value=cohort.visits["value"].mask(all_of_one, 99.0)))
    found = repeated_responders(one, choose_endpoint(one, "ikdc", week=26, threshold=10))
    assert found.table["week"].unique().tolist() == [12.0, 26.0]  # both answers in every protocol, not in one
    with pytest.raises(ModelError, match="At no week did some patients respond and some not in every protocol"):
        repeated_responders(
            those := Cohort(cohort.patients, late), choose_endpoint(those, "ikdc", week=26, threshold=10), weeks=[52]
        )

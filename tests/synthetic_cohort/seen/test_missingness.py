"""What each mechanism of missingness does, seen against the complete truth."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from analysis.cohort import visit_frame
from analysis.curves.mixed_model import fit_mixed
from synthetic_cohort import generate_cohort, load_scenario

N = 20_000
TORQUE = "measure == 'quadriceps_torque' and limb == 'involved'"


def cohort(mechanism):
    """A cohort whose losses depend on torque only, and strongly, so that the mechanism shows."""
    scenario = load_scenario("ligament reconstruction").with_missingness(mechanism)
    plan = replace(scenario.missingness, score_odds_ratio=2.5, adherence_odds_ratio=1.0, untested_share=0.0)
    series = tuple(replace(one, site_sd=0.0, therapist_sd=0.0) for one in scenario.series)
    return generate_cohort(replace(scenario, missingness=plan, series=series), patients=N, seed=31)


@pytest.fixture(scope="module")
def by_mechanism():
    return {name: cohort(name) for name in ("completely at random", "at random", "not at random")}


def torque(made):
    """Complete torque by week, and whether it was seen."""
    values = made.complete.visits.query(TORQUE).set_index(["patient_id", "week"])["value"].unstack()
    missing = made.missing.query(TORQUE).set_index(["patient_id", "week"])["missing"].unstack()
    return values, ~missing.astype(bool)


def dependence_given_last(made):
    """Correlation of being seen at week 26 with torque at week 26 beyond torque at week 12, both seen at 12."""
    values, seen = torque(made)
    now, last, baseline = (values.loc[seen[12.0], week].to_numpy() for week in (26.0, 12.0, 0.0))
    design = np.column_stack([np.ones(len(now)), last, baseline, last**2])
    rest = now - design @ np.linalg.lstsq(design, now, rcond=None)[0]
    return np.corrcoef(rest, seen.loc[seen[12.0], 26.0])[0, 1] * np.sqrt(len(now))


def test_completely_at_random_leaves_the_means_alone(by_mechanism):
    values, seen = torque(by_mechanism["completely at random"])
    for week in (12.0, 26.0, 52.0):
        kept = values.loc[seen[week], week]
        error = values[week].std() * np.sqrt(1 / len(kept) - 1 / N)
        assert abs(kept.mean() - values[week].mean()) < 4 * error
    lost = by_mechanism["completely at random"].missing.query(TORQUE + " and week == 52")["reason"]
    share = lost.isin(["withdrew", "moved away", "could not be reached"]).mean()
    assert share == pytest.approx(0.25, abs=4 * np.sqrt(0.25 * 0.75 / N))


@pytest.mark.parametrize("mechanism", ["at random", "not at random"])
def test_completers_look_better_than_the_cohort(by_mechanism, mechanism):
    values, seen = torque(by_mechanism[mechanism])
    assert values.loc[seen[52.0], 52.0].mean() > values[52.0].mean() + 0.05


def test_only_not_at_random_depends_on_the_unseen_value(by_mechanism):
    """Standard normal where nothing depends on the unseen value given the last one seen."""
    assert abs(dependence_given_last(by_mechanism["completely at random"])) < 4
    assert abs(dependence_given_last(by_mechanism["at random"])) < 4
    assert dependence_given_last(by_mechanism["not at random"]) > 8


@pytest.mark.slow
def test_a_likelihood_model_is_right_at_random_and_wrong_not_at_random(by_mechanism):
    """Mean at week 52 of all protocols, unstructured covariance of all visits: 4 standard errors. Torque
    tracks closely, so even losses that follow the unseen value bias the model little, but they do."""
    errors = {}
    for mechanism, made in by_mechanism.items():
        frame = visit_frame(made.observed, "quadriceps_torque")
        model = fit_mixed(frame, "value ~ C(week) * protocol", patient_effects=None, residual="unstructured",
                          inference="normal")  # fmt: skip
        means = model.means(by="protocol", weeks=[52.0]).merge(
            made.truth.protocol_means.query(TORQUE + " and week == 52"), on="protocol"
        )
        errors[mechanism] = ((means["estimate"] - means["value"]) / means["std_error"]).to_numpy()
    assert np.abs(errors["completely at random"]).max() < 4
    assert np.abs(errors["at random"]).max() < 4
    assert errors["not at random"].sum() / np.sqrt(3) > 4


def test_monotone_and_intermittent(by_mechanism):
    """Some visits are missed and followed by a seen one; who is lost stays lost."""
    missing = by_mechanism["at random"].missing.query("measure == 'pain'")
    reasons = missing.assign(reason=missing["reason"].astype("object").where(missing["missing"], "seen"))
    wide = reasons.set_index(["patient_id", "week"])["reason"].unstack()
    gone = wide.isin(["withdrew", "moved away", "could not be reached"]).to_numpy()
    assert (np.diff(gone.astype(int), axis=1) >= 0).all()
    missed = (wide == "missed visit").to_numpy()
    seen_later = np.flip(np.maximum.accumulate(np.flip((wide == "seen").to_numpy(), axis=1), axis=1), axis=1)
    assert (missed & seen_later).any(axis=1).mean() > 0.05


def test_single_measurements_are_left_out_too():
    made = generate_cohort(patients=2_000, seed=32)
    share = made.missing.query("week == 12")["reason"].eq("not tested").mean()
    assert share == pytest.approx(0.02 * 0.86, abs=0.005)


@pytest.mark.slow
def test_lower_adherence_loses_more():
    scenario = load_scenario("ligament reconstruction")
    plan = replace(scenario.missingness, score_odds_ratio=1.0, adherence_odds_ratio=2.5)
    made = generate_cohort(replace(scenario, missingness=plan), patients=N, seed=33)
    share = made.truth.patients.set_index("patient_id")["expected_share"]
    lost = made.missing.query("measure == 'pain' and week == 26").set_index("patient_id")["missing"]
    assert lost[share < 0.5].mean() > 1.5 * lost[share > 0.8].mean()


def test_names_carry_the_mechanism():
    made = generate_cohort("ligament reconstruction, no difference, missing not at random", patients=20)
    assert made.scenario.missingness.lost == "not at random"
    assert made.scenario.effects == ()
    assert made.observed.provenance.scenario == "ligament reconstruction, no difference, missing not at random"
    assert set(made.observed.provenance.parameters) == {"patients"}
    assert isinstance(made.missing["reason"].dtype, pd.CategoricalDtype)

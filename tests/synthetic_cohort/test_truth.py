"""The integrated truth agrees with what many patients show."""

from dataclasses import replace

import numpy as np
import pytest

from synthetic_cohort import generate_cohort, list_scenarios, load_scenario
from synthetic_cohort.expected.expectation import series_means

BASE = [name for name in list_scenarios() if not name.endswith("no difference")]
#: Tens of thousands of patients of each scenario: one of them every time, the others with the simulations.
SIMULATED = [BASE[0], *(pytest.param(name, marks=pytest.mark.slow) for name in BASE[1:])]


def without_places(scenario):
    """Sites and therapists of one cohort are a few draws, so a mean over patients keeps their share of error."""
    return replace(scenario, series=tuple(replace(one, site_sd=0.0, therapist_sd=0.0) for one in scenario.series))


@pytest.mark.parametrize("name", SIMULATED)
def test_protocol_means_are_the_means_of_many_patients(name):
    """Every mean of 30,000 patients lies within 4.5 standard errors of the integrated one; mean square z near 1."""
    made = generate_cohort(without_places(load_scenario(name)), patients=30_000, seed=5)
    visits = made.complete.visits
    protocol = np.repeat(made.complete.patients["protocol"].astype("str").to_numpy(), len(visits) // 30_000)
    seen = (
        visits.assign(protocol=protocol)
        .groupby(["protocol", "measure", "limb", "week"], observed=True)["value"]
        .agg(["mean", "std", "count"])
        .reset_index()
    )
    truth = made.truth.protocol_means
    both = truth.merge(seen, on=["protocol", "measure", "limb", "week"])
    assert len(both) == len(truth)
    z = (both["mean"] - both["value"]) / (both["std"] / np.sqrt(both["count"]))
    assert z.abs().max() < 4.5
    assert 0.3 < (z**2).mean() < 2.5


@pytest.mark.parametrize("name", SIMULATED)
def test_standard_deviations_are_those_of_many_patients(name):
    """Every one of 20,000 patients without any effect of a protocol within 4.5 of its standard errors: pain at its floor of 0 and
    scores at their ceiling of 100 spread less than the values that were cut."""
    scenario = without_places(load_scenario(name)).without_effects()
    made = generate_cohort(scenario, patients=20_000, seed=7)
    values = made.complete.visits.groupby(["measure", "limb", "week"], observed=True)["value"]
    seen = values.std()
    # delta method: variance of a standard deviation by the fourth moment
    kurtosis = values.apply(lambda one: (((one - one.mean()) / one.std()) ** 4).mean())
    error = seen * np.sqrt((kurtosis - 1) / 4 / values.size())
    judged = 0
    for series in scenario.series:
        means = series_means(scenario, series)
        for week, sd in zip(means.weeks, means.sd, strict=True):
            if week in series.weeks:
                key = (series.measure, series.limb, week)
                assert abs(sd - seen[key]) < 4.5 * error[key], key
                judged += 1
    assert judged > 20


@pytest.mark.parametrize("name", BASE)
def test_reference_means_are_those_of_the_scenario(name):
    scenario = load_scenario(name)
    means = generate_cohort(name, patients=1).truth.protocol_means
    at_start = means[(means["protocol"] == scenario.reference) & (means["week"] == 0)]
    for series in scenario.series:
        row = at_start[(at_start["measure"] == series.measure) & (at_start["limb"] == series.limb)]
        assert row["value"].item() == pytest.approx(series.before, abs=1e-9)


def test_true_curves_have_no_measurement_error():
    """The variance of measured less true torque is that of the stated error: 5.5 % of the mean, plus rounding."""
    made = generate_cohort(patients=20_000, seed=6)
    truth, complete = made.truth.curves, made.complete.visits
    rows = (truth["measure"] == "quadriceps_torque") & (truth["limb"] == "involved") & (truth["week"] == 26)
    error = complete.loc[rows, "value"] - truth.loc[rows, "value"]
    mean = made.truth.protocol_means.query("measure == 'quadriceps_torque' and limb == 'involved' and week == 26")
    expected = 0.055 * mean["value"].iloc[0]
    assert error.std() == pytest.approx(expected, rel=0.03)
    assert abs(error.mean()) < 4 * expected / np.sqrt(20_000)


@pytest.mark.slow
def test_the_naive_dose_response_is_as_wrong_as_the_truth_says():
    """Slope of change on the expected share of sessions, within protocols, 60,000 patients."""
    scenario = load_scenario("ligament reconstruction")
    scenario = replace(scenario, home=replace(scenario.home, follows_recovery=0.8, gain_of_full_adherence=0.2))
    made = generate_cohort(scenario, patients=60_000, seed=8)
    visits = made.complete.visits.query("measure == 'quadriceps_torque' and limb == 'involved' and week in (0, 26)")
    wide = visits.pivot(index="patient_id", columns="week", values="value")
    change = (wide[26.0] - wide[0.0]).to_numpy()
    share = made.truth.patients["expected_share"].to_numpy()
    protocol = made.complete.patients["protocol"]
    x = share - np.asarray(
        protocol.map(dict(made.truth.patients["expected_share"].groupby(protocol.to_numpy()).mean())), float
    )
    slope = np.dot(x, change) / np.dot(x, x)
    residual = change - change.mean() - slope * x
    error = residual.std() / np.sqrt(np.dot(x, x))
    truth = made.truth.dose_response.iloc[0]
    assert truth["causal_slope"] == 0.2
    assert truth["bias"] > 0.1
    assert abs(slope - truth["naive_slope"]) < 4 * error


@pytest.mark.slow
def test_an_own_gain_leaves_the_means_of_protocols_as_they_are():
    scenario = without_places(load_scenario("ligament reconstruction"))
    with_gain = replace(scenario, home=replace(scenario.home, gain_of_full_adherence=0.5))
    made = generate_cohort(with_gain, patients=40_000, seed=9)
    rows = made.complete.visits.query("measure == 'quadriceps_torque' and limb == 'involved' and week == 26")
    truth = made.truth.protocol_means.query("measure == 'quadriceps_torque' and limb == 'involved' and week == 26")
    assert rows["value"].mean() == pytest.approx(truth["value"].mean(), abs=4 * rows["value"].std() / 200)

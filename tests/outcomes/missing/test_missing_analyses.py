"""Missing visits: imputation by the conditional normal, analyses that must agree."""

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf

from analysis.cohort import Cohort
from analysis.errors import ModelError
from analysis.outcomes.chosen_endpoint import choose_endpoint
from analysis.outcomes.missing.completed_data import mean_differences, shifted_differences
from analysis.outcomes.missing.imputation import expected_means, imputations
from analysis.outcomes.missing.missing_analyses import missing_data_analyses
from analysis.outcomes.missing.tipping_point import tipping_point
from analysis.outcomes.missing.weekly_model import fit_weekly
from analysis.outcomes.responders.responders import responders
from synthetic_cohort import generate_cohort

from .trial_with_losses import trial


def test_differences_of_completed_data_are_those_of_statsmodels(rng):
    frame = pd.DataFrame({"protocol": np.resize(["a", "b", "c"], 50), "baseline": rng.normal(50, 9, 50)})
    frame["value"] = frame["baseline"] * 0.6 + rng.normal(0, 5, 50) + (frame["protocol"] == "c") * 3
    codes = frame["protocol"].map({"a": 0, "b": 1, "c": 2}).to_numpy()
    estimate, variance = mean_differences(frame["value"].to_numpy(), frame["baseline"].to_numpy(), codes, 1, 3)
    fit = smf.ols("value ~ C(protocol, Treatment('b')) + baseline", frame).fit()
    np.testing.assert_allclose(estimate, fit.params.iloc[1:3], rtol=1e-10)
    np.testing.assert_allclose(variance, fit.bse.iloc[1:3] ** 2, rtol=1e-10)


@pytest.mark.parametrize("adjusted", [True, False])
def test_shifts_at_once_are_shifts_one_by_one(rng, adjusted):
    value, protocol = rng.normal(0, 1, 40), np.arange(40) % 3
    start = rng.normal(0, 1, 40) if adjusted else None
    moved, deltas = (protocol == 2) & (rng.random(40) < 0.5), np.array([-3.0, 0.0, 0.5])
    together = shifted_differences(value, np.array([moved, protocol == 0]), deltas, start, protocol, 1, 3)
    for group, mark in enumerate([moved, protocol == 0]):
        for step, delta in enumerate(deltas):
            alone = mean_differences(value + delta * mark, start, protocol, 1, 3)
            np.testing.assert_allclose(together[0][group, step], alone[0], rtol=1e-12)
            np.testing.assert_allclose(together[1][group, step], alone[1], rtol=1e-12)


def closed_form(model, assumption):
    """Expected values of the gaps at the last week with the parameters at their estimates, worked out by another road:
    from the precision matrix, E(gap | seen) = mean - Q_gg^-1 Q_gs (seen - mean), patient by patient."""
    coefficients, filled = model.fit.coefficient_values, model.values.copy()
    own, usual = ((model.design(name) @ coefficients)[model.kinds[1]] for name in (None, "usual"))
    Q = np.linalg.inv(model.covariance)
    for who, row in enumerate(model.values):
        gap = ~np.isfinite(row)
        if not gap.any():
            continue
        mean, last = own[who].copy(), np.flatnonzero(~gap)[-1]
        for week in range(1, len(row)):
            if assumption == "copy reference" or (assumption == "jump to reference" and week > last):
                mean[week] = usual[who, week]
            elif assumption == "copy increments in reference" and week > last:
                mean[week] = own[who, last] + usual[who, week] - usual[who, last]
        away = row[~gap] - mean[~gap]
        filled[who, gap] = mean[gap] - np.linalg.solve(Q[np.ix_(gap, gap)], Q[np.ix_(gap, ~gap)] @ away)
    return filled


def test_what_is_taken_of_patients_seen_once_or_never():
    """Own means 0, 5, 9; reference 1, 3, 4. From the first value on those of the reference rise by 2 and 3."""
    own, reference = np.array([[0.0, 5.0, 9.0]]), np.array([[1.0, 3.0, 4.0]])
    once, never = np.array([True, False, False]), np.zeros(3, dtype=bool)
    increments = "copy increments in reference"
    for seen, baseline, assumption, expected in [
        (once, True, increments, [0, 2, 3]), (once, True, "jump to reference", [0, 3, 4]),
        (once, False, increments, [0, 2, 3]), (once, False, "copy reference", [1, 3, 4]),
        (never, True, increments, [0, 2, 3]), (never, True, "jump to reference", [0, 3, 4]),
        (never, False, increments, [1, 3, 4]), (never, False, "jump to reference", [1, 3, 4]),
    ]:  # fmt: skip
        assert expected_means(own, reference, seen, assumption, baseline=baseline).tolist() == [expected]


@pytest.mark.parametrize(
    "assumption", ["missing at random", "jump to reference", "copy reference", "copy increments in reference"]
)
def test_the_mean_over_imputations_is_the_closed_form(rng, assumption):
    """Baselines are complete, so least squares is linear in the values and the mean of its estimate over imputations is
    its estimate from the expected values, but for drawing the parameters; within 4 Monte Carlo errors of 150."""
    model = fit_weekly(trial(rng, n=400, lost=0.4, early=8), "ikdc")
    expected = closed_form(model, assumption)
    target = mean_differences(expected[:, 2], expected[:, 0], model.protocol, 0, 2)[0].item()
    drawn = [
        mean_differences(one[:, 2], one[:, 0], model.protocol, 0, 2)[0].item()
        for one in imputations(model, 150, rng, assumption=assumption, reference="usual", places=[0, 2])
    ]
    assert np.mean(drawn) == pytest.approx(target, abs=4 * np.std(drawn) / 150**0.5)
    assert np.std(drawn) < 1.5


def test_a_few_weeks_are_filled_as_all_are(rng):
    """The weeks asked for have the same normal whether or not the others are filled: mean and spread of 400 fillings."""
    model = fit_weekly(trial(rng, n=60, lost=0.5), "ikdc")
    gap = ~np.isfinite(model.values[:, 2])
    every = np.array([one[gap, 2] for one in imputations(model, 400, np.random.default_rng(1))])
    few = list(imputations(model, 400, np.random.default_rng(2), places=[2]))
    last = np.array([one[gap, 2] for one in few])
    error = every.std(axis=0) * (2 / 400) ** 0.5
    assert (np.abs(every.mean(axis=0) - last.mean(axis=0)) < 4.5 * error).all()
    np.testing.assert_allclose(every.std(axis=0), last.std(axis=0), rtol=0.2)
    assert np.isnan(few[0][:, 1]).sum() == np.isnan(model.values[:, 1]).sum()


def test_gaps_are_filled_from_the_conditional_normal(rng):
    """One pattern, the last week missing: mean and spread of 800 fillings of one patient by the closed form, with the
    parameters at their estimates (500 patients: drawing them adds little)."""
    cohort = trial(rng, n=500)
    model = fit_weekly(cohort, "ikdc")
    who = int(np.flatnonzero(np.isfinite(model.values[:, 1]) & ~np.isfinite(model.values[:, 2]))[0])
    drawn = np.array([filled[who, 2] for filled in imputations(model, 800, rng)])
    mean = (model.design() @ model.fit.coefficient_values)[model.kinds[1][who]]
    V = model.covariance
    pull = np.linalg.solve(V[:2, :2], V[:2, 2])
    expected = mean[2] + pull @ (model.values[who, :2] - mean[:2])
    spread = np.sqrt(V[2, 2] - pull @ V[:2, 2])
    assert drawn.mean() == pytest.approx(expected, abs=0.8)
    assert drawn.std() == pytest.approx(spread, rel=0.1)


def test_what_was_seen_stays_and_every_gap_is_filled(rng):
    model = fit_weekly(trial(rng), "ikdc")
    seen = np.isfinite(model.values)
    for assumption in ("missing at random", "jump to reference", "copy reference", "copy increments in reference"):
        filled = next(imputations(model, 1, np.random.default_rng(3), assumption=assumption, reference="usual"))
        assert np.isfinite(filled).all()
        np.testing.assert_array_equal(filled[seen], model.values[seen])


def test_means_under_each_assumption_about_the_reference():
    """Carpenter, Roger & Kenward 2013, section 3: last seen at the second of four weeks."""
    own, reference = np.array([[0.0, 10, 20, 30]]), np.array([[1.0, 4, 6, 7]])
    seen = np.array([True, True, False, False])
    means = {
        name: expected_means(own, reference, seen, name)[0].tolist()
        for name in ("jump to reference", "copy reference", "copy increments in reference")
    }
    assert means == {
        "jump to reference": [0, 10, 6, 7],
        "copy reference": [0, 4, 6, 7],
        "copy increments in reference": [0, 10, 12, 13],
    }


def test_without_a_baseline_there_is_no_visit_that_keeps_the_own_protocol():
    """A baseline comes before the protocols part, a first visit after the start does not: nobody seen, or seen first at
    the second of three weeks."""
    own, reference = np.array([[10.0, 20, 30]]), np.array([[1.0, 2, 3]])
    never, late = np.array([False, False, False]), np.array([False, True, False])
    for name, seen_late in (
        ("jump to reference", [10, 20, 3]),
        ("copy reference", [1, 2, 3]),
        ("copy increments in reference", [10, 20, 21]),
    ):
        assert expected_means(own, reference, never, name, baseline=False)[0].tolist() == [1, 2, 3]
        assert expected_means(own, reference, late, name, baseline=False)[0].tolist() == seen_late
    assert expected_means(own, reference, never, "jump to reference")[0].tolist() == [10, 2, 3]


def test_an_arm_half_of_which_was_never_seen_jumps_to_half_the_difference():
    """No baseline, weeks 6 and 12, early 10 better, every second patient of early never seen: who never came has the
    mean of the reference, so the difference is about 5 at both weeks and not 10 at the first."""
    rng = np.random.default_rng(5)
    ids = np.array([f"P{i:03d}" for i in range(160)])
    protocol = np.resize(["usual", "early"], 160)
    seen = (protocol == "usual") | (np.arange(160) % 4 == 1)
    values = 50 + 10 * (protocol == "early")[:, None] + rng.normal(0, 2, (160, 1)) + rng.normal(0, 1, (160, 2))
    visits = pd.DataFrame({"patient_id": ids.repeat(2), "week": np.tile([6, 12], 160), "value": values.ravel()})
    cohort = Cohort(
        pd.DataFrame({"patient_id": ids, "protocol": protocol}),
        visits[seen.repeat(2)].assign(measure="ikdc", limb="none"),
    )
    for week in (6, 12):
        table = missing_data_analyses(
            cohort, choose_endpoint(cohort, "ikdc", week=week, reference="usual"), draws=40
        ).differences
        by = table[table["analysis"] == "multiple imputation"].set_index("assumption")["difference"]
        assert by["missing at random"] == pytest.approx(10, abs=1.5)
        for name in ("jump to reference", "copy reference", "copy increments in reference"):
            assert by[name] == pytest.approx(5, abs=0.8), (name, week)


def test_assumptions_about_the_reference_pull_the_difference_towards_zero(rng):
    """The usual order for a protocol that gains over the reference: at random, increments, copy or jump."""
    cohort = trial(rng, n=600, lost=0.4, early=10)
    found = missing_data_analyses(
        cohort, choose_endpoint(cohort, "ikdc", week=26, threshold=12, reference="usual"), draws=60
    )
    gap = found.differences[found.differences["analysis"] == "multiple imputation"].set_index("assumption")[
        "difference"
    ]
    assert gap["missing at random"] > gap["copy increments in reference"] > gap["jump to reference"] > 0


def test_imputation_at_random_agrees_with_the_mixed_model(rng):
    """The same estimand: within 4 Monte Carlo errors of 150 imputations, and 2 % of a standard error for the finite
    sample; slow test: more draws."""
    table = missing_data_analyses(
        those := trial(rng, n=400), choose_endpoint(those, "ikdc", week=26), draws=150
    ).differences
    by = table.set_index(["analysis", "assumption"])
    mixed, imputed = by.loc[("mixed model", "missing at random")], by.loc[("multiple imputation", "missing at random")]
    error = imputed["std_error"].item()
    assert imputed["difference"].item() == pytest.approx(
        mixed["difference"].item(), abs=error * (4 / 150**0.5 / 2 + 0.02)
    )
    assert error == pytest.approx(mixed["std_error"].item(), rel=0.1)


def test_no_gaps_no_difference_between_the_analyses(rng):
    table = missing_data_analyses(
        those := trial(rng, lost=0.0), choose_endpoint(those, "ikdc", week=26, threshold=12), draws=5
    )
    difference = table.differences.groupby("analysis")["difference"].first()
    assert difference["multiple imputation"] == pytest.approx(difference["observed cases"])
    assert (table.responders["difference"] == table.responders["difference"].iloc[0]).all()


@pytest.mark.parametrize(("criterion", "threshold"), [("percent", 25), ("state", 60)])
def test_other_criteria_without_gaps(rng, criterion, threshold):
    cohort = trial(rng, lost=0.0)
    endpoint = choose_endpoint(cohort, "ikdc", week=26, threshold=threshold, criterion=criterion)
    found = missing_data_analyses(cohort, endpoint, draws=2).responders
    counted = responders(cohort, endpoint)
    assert 0 < counted.table["share"].min() < counted.table["share"].max() < 1
    assert "multiple imputation" in set(found["analysis"])
    assert found["difference"].tolist() == pytest.approx([counted.differences["difference"].item()] * len(found))


def test_what_cannot_be_asked(rng):
    cohort = trial(rng, n=60)
    with pytest.raises(
        ModelError, match=r"Week 20 is not a scheduled week after the start\.\n  where: schedule: 0, 12, 26"
    ):
        missing_data_analyses(cohort, choose_endpoint(cohort, "ikdc", week=20))
    with pytest.raises(ModelError, match="A shift is not a finite number"):
        tipping_point(cohort, choose_endpoint(cohort, "ikdc", week=26, criterion=None), deltas=[np.inf])
    model = fit_weekly(cohort, "ikdc")
    with pytest.raises(ModelError, match="There is no assumption 'carried forward'"):
        next(imputations(model, 1, rng, assumption="carried forward"))
    with pytest.raises(ModelError, match=r"There is no protocol 'late'\.\n  where: protocols: usual, early"):
        next(imputations(model, 1, rng, reference="late"))


def test_nobody_responds_is_not_certainty(rng):
    """Agresti & Caffo 2000: with x responders of n the variance is that of x + 1 of n + 2, here 1 of 42 in both."""
    cohort = trial(rng, n=80)
    shares = missing_data_analyses(
        cohort, choose_endpoint(cohort, "ikdc", week=26, threshold=90, reference="usual"), draws=5
    ).responders
    imputed = shares[shares["analysis"] == "multiple imputation"]
    assert (imputed["difference"] == 0).all()
    assert imputed["std_error"].tolist() == pytest.approx([(2 * 1 / 42 * 41 / 42 / 42) ** 0.5] * 4)
    assert (imputed["upper"] > 0.04).all()


def test_limits_of_imputed_shares_stay_within_what_is_possible(rng):
    """Nearly all of one protocol respond and nearly none of the other, 8 patients each."""
    shares = missing_data_analyses(
        those := trial(rng, n=16, early=45, lost=0.1), choose_endpoint(those, "ikdc", week=26, threshold=38), draws=10
    ).responders
    imputed = shares[shares["analysis"] == "multiple imputation"]
    assert (imputed["difference"] > 0.7).all()
    assert (imputed["lower"] < imputed["difference"]).all()
    assert (imputed["upper"] <= 1).all()


def test_a_week_that_nobody_of_a_protocol_reached(rng):
    cohort = trial(rng, n=120)
    early = cohort.patients.loc[cohort.patients["protocol"] == "early", "patient_id"]
    lost = cohort.visits["patient_id"].isin(early) & (cohort.visits["week"] == 26)
    without = Cohort(cohort.patients, cohort.visits[~lost])
    with pytest.raises(ModelError, match=r"Nobody of early was seen at week 26, so nothing is known of it there\."):
        missing_data_analyses(without, choose_endpoint(without, "ikdc", week=26), draws=5)
    found = missing_data_analyses(without, choose_endpoint(without, "ikdc", week=12), draws=5)
    assert "Week 26 is left out: nobody of early was seen there." in found.notes
    assert found.differences["difference"].notna().all()
    start = cohort.visits["patient_id"].isin(early) & (cohort.visits["week"] > 0)
    with pytest.raises(ModelError, match="Fewer than two weeks have been reached by somebody of every protocol"):
        fit_weekly(Cohort(cohort.patients, cohort.visits[~start]), "ikdc")


def test_one_patient_of_a_protocol_has_a_wide_interval(rng):
    cohort = trial(rng, n=120)
    keep = cohort.patients[(cohort.patients["protocol"] == "usual") | (cohort.patients["patient_id"] == "P00001")]
    visits = cohort.visits[cohort.visits["patient_id"].isin(keep["patient_id"])]
    whole = pd.DataFrame({"patient_id": "P00001", "week": [0, 12, 26], "value": [50.0, 60, 70]})
    visits = pd.concat([visits[visits["patient_id"] != "P00001"], whole.assign(measure="ikdc", limb="none")])
    table = missing_data_analyses(
        those := Cohort(keep, visits), choose_endpoint(those, "ikdc", week=26), draws=20
    ).differences
    assert (table["upper"] - table["lower"] > 20).all()
    assert (table["n"] == 1).all()


def test_too_few_to_compare_or_to_draw(rng):
    cohort = trial(rng, n=60)
    usual = cohort.patients[cohort.patients["protocol"] == "usual"]
    one = Cohort(usual, cohort.visits[cohort.visits["patient_id"].isin(usual["patient_id"])])
    for call in (missing_data_analyses, tipping_point):
        with pytest.raises(ModelError, match=r"There is one protocol only, so there is nothing to compare\."):
            call(one, choose_endpoint(one, "ikdc", week=26))
        with pytest.raises(ModelError, match=r"1 draws are too few\."):
            call(cohort, choose_endpoint(cohort, "ikdc", week=26), draws=1)


def test_without_a_baseline_nothing_is_adjusted(rng):
    cohort = trial(rng, n=80)
    found = missing_data_analyses(
        those := Cohort(cohort.patients, cohort.visits[cohort.visits["week"] > 0]),
        choose_endpoint(those, "ikdc", week=26),
        draws=5,
    )
    assert found.covariates == ()
    assert {"There is no baseline.", "Differences of means are adjusted for nothing."} <= set(found.notes)
    observed, mixed = found.differences["difference"].iloc[:2]
    assert found.differences["analysis"].iloc[1] == "mixed model"
    assert mixed == pytest.approx(observed, abs=2)
    other = missing_data_analyses(cohort, choose_endpoint(cohort, "ikdc", week=26), draws=5, covariates=[])
    left_out = "The mixed model is left out: it is adjusted for the baseline and the others for nothing"
    assert "mixed model" not in set(other.differences["analysis"])
    assert any(note.startswith(left_out) for note in other.notes)


def test_a_measure_without_a_threshold_has_no_responders():
    cohort = generate_cohort(patients=60, seed=1).observed
    told = []
    torque = cohort.visits[cohort.visits["measure"] == "quadriceps_torque"]
    turned = Cohort(cohort.patients, torque.assign(measure="thigh_girth"))
    endpoint = choose_endpoint(turned, "thigh_girth", week=26, criterion=None, reference="exercise only")
    found = missing_data_analyses(turned, endpoint, draws=2, tell=lambda *at: told.append(at))
    assert found.responders.empty
    assert told[-1] == (8, 8)

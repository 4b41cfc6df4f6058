"""The effect of the home dose, by the allocation of a trial: Wald's ratio, two-stage least squares, bad input."""

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf

from analysis.cohort import Cohort
from analysis.cohort.modalities import NMES
from analysis.errors import ModelError
from analysis.outcomes.chosen_endpoint import choose_endpoint
from analysis.outcomes.home_programme.complier_effect import complier_effect
from synthetic_cohort import generate_cohort

from .cohort_of_sessions import COLUMNS, score_at_week_8, three_arms, with_stimulation


def test_the_effect_by_allocation_without_covariates_is_walds_ratio(rng):
    cohort = with_stimulation(rng)
    found = complier_effect(
        cohort,
        score_at_week_8(cohort, reference="usual"),
        randomised=True,
        modality=NMES,
        covariates=(),
    )
    means = found.patients.groupby(found.patients["protocol"].astype(str))[["improvement", "exposure"]].mean()
    gap = means.loc["early"] - means.loc["usual"]
    row = found.table.iloc[0]
    assert means.loc["usual", "exposure"] == 0  # nothing prescribed there: a dose of 0, not a missing one
    assert row["effect"] == pytest.approx(gap["improvement"] / gap["exposure"])
    assert row["allocation_effect"] == pytest.approx(gap["improvement"])
    assert row["lower"] < -10 < row["upper"]


def test_with_the_baseline_it_is_two_stage_least_squares(rng):
    """statsmodels.sandbox.regression.gmm.IV2SLS: improvement on exposure and baseline, allocation as instrument."""
    from statsmodels.sandbox.regression.gmm import IV2SLS

    cohort = with_stimulation(rng)
    endpoint = score_at_week_8(cohort, reference="usual")
    found = complier_effect(cohort, endpoint, randomised=True, modality=NMES)
    known = found.patients.dropna()
    others = np.column_stack([known["baseline"], np.ones(len(known))])
    given = (known["protocol"] == "early").astype(float)
    fit = IV2SLS(
        known["improvement"].to_numpy(), np.column_stack([known["exposure"], others]), np.column_stack([given, others])
    ).fit()
    assert found.table["effect"].item() == pytest.approx(fit.params[0])


def test_a_dose_that_both_have_alike_is_weak_and_said(rng):
    found = complier_effect(those := with_stimulation(rng, offered=False), score_at_week_8(those), randomised=True)
    row = found.table.iloc[0]
    assert row["first_stage_f"] < 10
    assert any("the allocation hardly moves the dose" in note for note in found.notes)
    assert row["robust_upper"] - row["robust_lower"] > row["upper"] - row["lower"]


def test_lost_patients_break_the_allocation_and_are_said():
    cohort = generate_cohort(patients=90, seed=2).observed
    found = complier_effect(
        cohort,
        choose_endpoint(cohort, "quadriceps_torque", week=26, criterion=None),
        randomised=True,
        modality=NMES,
    )
    assert (found.table["n"] < found.table["allocated"]).all()
    assert sum("breaks the random allocation" in note for note in found.notes) == 2


def test_a_protocol_with_one_patient_has_no_effect(rng):
    cohort = with_stimulation(rng, n=10)
    keep = cohort.patients["protocol"].ne("early") | cohort.patients["patient_id"].eq("P01")
    few = Cohort(cohort.patients[keep], cohort.visits, sessions=cohort.sessions)
    row = complier_effect(few, score_at_week_8(few, reference="usual"), randomised=True).table.iloc[0]
    assert row["n"] == 1
    assert np.isnan(row["effect"])
    alone = Cohort(cohort.patients[cohort.patients["protocol"] == "usual"], cohort.visits, sessions=cohort.sessions)
    assert complier_effect(alone, score_at_week_8(alone), randomised=True).table.empty


def test_an_arm_without_the_dose_does_not_hide_the_others(rng):
    """'alike' and 'usual' have no stimulation: nothing moved between them. 'early' is compared all the same."""
    found = complier_effect(
        those := three_arms(rng),
        score_at_week_8(those),
        randomised=True,
        modality=NMES,
    )
    table = found.table.set_index("protocol")
    assert found.by_design == ("usual", "alike")
    assert table.loc["early", "first_stage_f"] > 100
    assert table.loc["early", "lower"] < -10 < table.loc["early", "upper"]
    assert table.loc["early", ["dose", "reference_dose"]].tolist() == [pytest.approx(0.6, abs=0.15), 0]
    alike = table.loc["alike"]
    assert alike[["n", "reference_n", "dose", "reference_dose", "dose_difference"]].tolist() == [23, 22, 0, 0, 0]
    assert alike[["first_stage_f", "effect", "lower", "upper", "robust_lower"]].isna().all()
    assert "alike: neither it nor usual prescribes it, so the allocation moves no dose." in found.notes
    assert "Not prescribed to usual, alike: a dose of 0 by design." in found.notes
    without = complier_effect(
        those := with_stimulation(np.random.default_rng(20), n=90),
        score_at_week_8(those),
        randomised=True,
        modality=NMES,
    )
    assert without.by_design == ("usual",)


def test_the_allocation_effect_is_there_where_no_dose_was_moved(rng):
    """It needs no dose: the regression of the improvement on the protocol and the baseline (smf.ols)."""
    found = complier_effect(
        those := three_arms(rng),
        score_at_week_8(those),
        randomised=True,
        modality=NMES,
    )
    two = found.patients[found.patients["protocol"].isin(["usual", "alike"])].astype({"protocol": "str"})
    fit = smf.ols("improvement ~ I(protocol == 'alike') + baseline", two).fit(cov_type="HC1", use_t=True)
    row = found.table.set_index("protocol").loc["alike"]
    assert row["allocation_effect"] == pytest.approx(fit.params.iloc[1])
    assert row[["allocation_lower", "allocation_upper"]].tolist() == pytest.approx(fit.conf_int().iloc[1].tolist())


def test_sessions_together_hide_the_modality_that_differs(rng):
    """All sessions: the share done is alike in both. Stimulation alone: 0 by design against what was done."""
    cohort = with_stimulation(rng, n=90)
    together = complier_effect(cohort, score_at_week_8(cohort), randomised=True)
    alone = complier_effect(
        cohort,
        score_at_week_8(cohort),
        randomised=True,
        modality=NMES,
    )
    assert together.table["first_stage_f"].item() < 10 < 100 < alone.table["first_stage_f"].item()
    assert any(
        "exercise, neuromuscular electrical stimulation (NMES) are counted together" in note for note in together.notes
    )
    assert not any("counted together" in note for note in alone.notes)


def test_what_was_prescribed_and_not_written_down_is_missing_and_not_0(rng):
    """Sessions of 'usual' with the prescription missing: nothing is known of the share, so nobody there has a dose."""
    cohort = with_stimulation(rng, n=40, offered=False)
    of_usual = cohort.sessions["patient_id"].isin(
        cohort.patients.loc[cohort.patients["protocol"] == "usual", "patient_id"]
    )
    here = of_usual & (cohort.sessions["modality"] == "neuromuscular electrical stimulation (NMES)")
    sessions = cohort.sessions.assign(sessions_prescribed=cohort.sessions["sessions_prescribed"].mask(here))
    endpoint = score_at_week_8(cohort, reference="usual")
    unknown = Cohort(cohort.patients, cohort.visits, sessions=sessions)
    found = complier_effect(unknown, endpoint, randomised=True, modality=NMES)
    assert found.by_design == ()
    assert found.table[["n", "reference_n"]].to_numpy().tolist() == [[20, 0]]


def test_sessions_of_their_own_accord_are_said(rng):
    cohort = with_stimulation(rng, n=40)
    own = pd.DataFrame(
        [
            ("P00", 1, NMES, 0, 3),
            ("P02", 1, NMES, 0, 0),
        ],
        columns=COLUMNS,
    )
    more = Cohort(cohort.patients, cohort.visits, sessions=pd.concat([cohort.sessions, own], ignore_index=True))
    found = complier_effect(
        more,
        score_at_week_8(more, reference="usual"),
        randomised=True,
        modality=NMES,
    )
    assert found.by_design == ("usual",)
    assert "1 patient of these did some that was not prescribed; it counts as 0." in found.notes


def test_bad_choices_are_explained(rng):
    cohort = with_stimulation(rng, n=10)
    with pytest.raises(
        ModelError, match=r"an instrument only where patients were allocated .*\n.*\n  what to do: Without a trial"
    ):
        complier_effect(cohort, score_at_week_8(cohort), randomised=False)
    with pytest.raises(ModelError, match="There is no covariate 'mood'"):
        complier_effect(cohort, score_at_week_8(cohort), randomised=True, covariates=["mood"])
    with pytest.raises(ModelError, match="no modality 'rest'"):
        complier_effect(cohort, score_at_week_8(cohort), randomised=True, modality="rest")

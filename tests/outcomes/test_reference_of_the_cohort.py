"""Every comparison takes the reference that the cohort names, and none fills visits under a reference that nobody named."""

from dataclasses import replace

import pytest

from analysis import outcomes
from analysis.cohort.modalities import NMES
from analysis.curves.recovery import fit_recovery
from analysis.errors import ModelError
from analysis.outcomes.chosen_endpoint import choose_endpoint
from analysis.outcomes.missing.imputation import imputations
from analysis.outcomes.missing.missing_analyses import missing_data_analyses
from analysis.outcomes.missing.tipping_point import tipping_point
from analysis.outcomes.missing.weekly_model import fit_weekly
from analysis.outcomes.responders.adjusted_difference import adjusted_difference
from analysis.outcomes.responders.better_or_worse import better_or_worse
from analysis.outcomes.responders.kept_response import reached_and_kept
from analysis.outcomes.responders.limb_symmetry import limb_symmetry
from analysis.outcomes.responders.repeated_responders import repeated_responders
from analysis.outcomes.responders.threshold_grid import threshold_grid
from analysis.outcomes.responders.time_to_response import time_to_response
from analysis.outcomes.true_response.probability_of_response import probability_of_response
from synthetic_cohort import generate_cohort

NAMED = "home stimulation"
AT_26 = {"week": 26}
ABOUT_REFERENCE = {"jump to reference", "copy reference", "copy increments in reference"}

COMPARISONS = {
    "curves": lambda one: fit_recovery(one, "pain").differences(),
    "responders": lambda one: outcomes.responders(one, "pain", **AT_26).differences,
    "ratios": lambda one: outcomes.responders(one, "pain", **AT_26).ratios,
    "means": lambda one: outcomes.responders(one, "pain", **AT_26).mean_differences,
    "distribution": lambda one: outcomes.change_distribution(one, choose_endpoint(one, "pain", **AT_26)).differences,
    "adjusted": lambda one: adjusted_difference(one, outcomes.responders(one, "pain", **AT_26)).differences,
    "directions": lambda one: better_or_worse(one, choose_endpoint(one, "pain", **AT_26)).differences,
    "kept": lambda one: reached_and_kept(one, choose_endpoint(one, "pain", **AT_26)).differences,
    "time to response": lambda one: time_to_response(one, choose_endpoint(one, "pain", week=26)).differences,
    "repeated": lambda one: repeated_responders(one, choose_endpoint(one, "pain", week=26)).differences,
    "grid": lambda one: threshold_grid(one, choose_endpoint(one, "pain", **AT_26)).differences,
    "symmetry": lambda one: (
        limb_symmetry(
            one, choose_endpoint(one, "quadriceps_torque", **AT_26, threshold=3.0, criterion="state")
        ).differences
    ),
    "gap": lambda one: (
        outcomes.gap_regained(one, choose_endpoint(one, "quadriceps_torque", **AT_26, criterion=None)).differences
    ),
    "missing": lambda one: missing_data_analyses(one, choose_endpoint(one, "pain", **AT_26), draws=2).differences,
    "missing, responders": lambda one: (
        missing_data_analyses(one, choose_endpoint(one, "pain", **AT_26), draws=2).responders
    ),
    "tipping": lambda one: tipping_point(one, choose_endpoint(one, "pain", **AT_26, criterion=None), draws=2).table,
    "probability": lambda one: (
        probability_of_response(
            one, choose_endpoint(one, "pain", **AT_26), measurement_error=0.5, draws=2, free=False
        ).differences
    ),
    "stopping": lambda one: outcomes.time_to_stopping(one).differences,
    "complier": lambda one: (
        outcomes.complier_effect(one, choose_endpoint(one, "pain", **AT_26, criterion=None), randomised=True).table
    ),
}


@pytest.fixture(scope="module")
def cohort():
    """Two measures at three weeks are quick to fit."""
    made = generate_cohort(patients=90, seed=4).observed
    kept = made.visits["measure"].isin(["pain", "quadriceps_torque"]) & made.visits["week"].isin([0, 12, 26])
    return replace(made, visits=made.visits[kept])


SLOW = {"missing", "missing, responders"}


@pytest.mark.filterwarnings("ignore::analysis.errors.DistributionWarning")
@pytest.mark.parametrize(
    "name", [pytest.param(one, marks=pytest.mark.slow if one in SLOW else ()) for one in COMPARISONS]
)
def test_the_comparison_is_with_the_reference_of_the_cohort(cohort, name):
    for one, expected in (
        (cohort, "exercise only"),
        (replace(cohort, reference=NAMED), NAMED),
        (replace(cohort, reference=None), "exercise only"),
    ):
        table = COMPARISONS[name](one)
        assert set(table["reference"].astype("str")) == {expected}
        assert set(table["protocol"].astype("str")) == set(cohort.protocols) - {expected}


def test_no_visit_is_filled_under_a_reference_that_nobody_named(cohort):
    """Files often begin with the active protocol; jump to reference would then treat the untreated."""
    nameless = replace(cohort, reference=None)
    found = missing_data_analyses(nameless, choose_endpoint(nameless, "pain", **AT_26), draws=2)
    assert not ABOUT_REFERENCE & set(found.differences["assumption"])
    assert not ABOUT_REFERENCE & set(found.responders["assumption"])
    assert "multiple imputation" in set(found.differences["analysis"])
    assert any("are left out: no protocol is named as the reference" in note for note in found.notes)
    for one, named in ((cohort, {}), (nameless, {"reference": "exercise only"})):
        found = missing_data_analyses(one, choose_endpoint(one, "pain", **AT_26, **named), draws=2)
        assert set(found.differences["assumption"]) >= ABOUT_REFERENCE
        assert not any("are left out" in note for note in found.notes)
    model = fit_weekly(cohort, "pain")
    with pytest.raises(ModelError, match="To jump to reference a reference must be named"):
        next(imputations(model, 1, None, assumption="jump to reference"))


def test_a_cohort_whose_reference_did_no_sessions_has_stopping_times_and_no_differences(cohort):
    found = outcomes.time_to_stopping(cohort, modality=NMES)
    assert "exercise only" not in set(found.table["protocol"])
    assert len(found.table)
    assert found.differences.empty

"""A report adjusted for what was named, or with the baseline as an outcome, says so and is so in every analysis beside."""

import pytest

from analysis.curves.recovery import fit_recovery
from analysis.errors import ModelError
from analysis.outcomes import responders
from analysis.report import comparison
from analysis.report.parts.figures import Figure
from analysis.report.parts.numbers import signed
from analysis.report.parts.tables import Table
from synthetic_cohort import generate_cohort

NAMED = ["sex", "spline(age_years)"]
SAID = "the baseline, sex and a curve of age"


@pytest.fixture(scope="module")
def cohort():
    return generate_cohort(patients=120, seed=6).observed


@pytest.fixture(scope="module")
def named(study_in_memory, cohort):
    return study_in_memory(cohort, measure="ikdc", design="randomised", adjust_for=NAMED, imputations=2)


@pytest.fixture(scope="module")
def outcome(study_in_memory, cohort):
    return study_in_memory(cohort, measure="ikdc", design="randomised", baseline_as="outcome", imputations=2)


def tables(section):
    return {item.name: item for item in section if isinstance(item, Table | Figure)}


def test_every_analysis_is_adjusted_for_what_was_named(named, cohort):
    own = fit_recovery(cohort, "ikdc", adjust_for=NAMED).primary_differences()
    assert named.primary["estimate"].tolist() == own["estimate"].tolist()
    assert named.sensitivity.analyses.covariates[:2] == ("baseline", "sex")
    assert named.sensitivity.tipping.covariates == named.sensitivity.analyses.covariates
    assert not any("is left out" in note for note in named.sensitivity.analyses.notes if "mixed model" in note)
    side = tables(comparison.other_counts(named))["ways-of-counting"].data
    adjusted = responders(cohort, "ikdc", week=26, adjust_for=NAMED, reference="exercise only").adjusted.differences
    assert side.loc[side["way"] == f"adjusted for {SAID}", "difference"].tolist() == adjusted["difference"].tolist()


def test_it_is_said_on_the_first_page_in_the_methods_and_the_estimand(named):
    assert f"The model, adjusted for {SAID}, holds" in str(comparison.answer(named))
    assert "Adjusted for a curve of age, as named." in str(comparison.methods(named))
    estimand = str(comparison.estimand(named))
    assert "adjusted for the baseline value, sex and a curve of age" in estimand
    for section in (comparison.answer, comparison.estimand, comparison.baseline):
        assert "spline_1" not in str(section(named))


def test_the_baseline_as_an_outcome_is_said_and_the_covariate_stands_beside(outcome, cohort):
    assert "The model, with the baseline as an outcome and adjusted for site, holds all patients." in str(
        comparison.answer(outcome)
    )
    curves = [fit_recovery(cohort, "ikdc", baseline_as=way) for way in ("outcome", "covariate")]
    said = str(comparison.sensitivity(outcome))
    both = f"as a covariate, the model holds {curves[1].model.n_patients} patients, in place of {curves[0].model.n_patients}"
    assert both in said
    for estimate in curves[1].primary_differences()["estimate"]:
        assert signed(estimate, 1) in said[said.index(both) :]
    analyses = outcome.sensitivity.analyses.differences
    mixed = analyses[analyses["analysis"] == "mixed model"]
    assert mixed["difference"].tolist() == curves[0].primary_differences()["estimate"].tolist()


def test_the_baseline_is_no_outcome_where_nobody_drew_lots(study_in_memory, cohort):
    with pytest.raises(ModelError, match="is given by a random allocation only"):
        study_in_memory(cohort, measure="ikdc", design="observational", baseline_as="outcome")
    plain = study_in_memory(cohort, measure="ikdc", design="observational", imputations=2)
    assert "With the baseline taken in" not in str(comparison.sensitivity(plain))


def test_a_covariate_that_is_not_there_is_refused(study_in_memory, cohort):
    with pytest.raises(ModelError, match="There is no covariate 'height'"):
        study_in_memory(cohort, measure="ikdc", adjust_for=["height"])

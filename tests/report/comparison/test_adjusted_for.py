"""A report of several sites says of every analysis that it is adjusted for site, and it is."""

from dataclasses import replace

import pandas as pd
import pytest

from analysis.errors import DistributionWarning
from analysis.outcomes.chosen_endpoint import choose_endpoint
from analysis.outcomes.responders.adjusted_difference import adjusted_difference
from analysis.outcomes.true_response.probability_of_response import probability_of_response
from analysis.report import comparison
from analysis.report.parts.figures import Figure
from analysis.report.parts.tables import Table
from synthetic_cohort import generate_cohort


@pytest.fixture(scope="module")
def study(study_in_memory):
    """Three sites; six patients whose site was not recorded, and two who were not seen after the start."""
    cohort = generate_cohort(patients=120, seed=5).observed
    patients = cohort.patients.assign(site=cohort.patients["site"].mask(cohort.patients.index % 20 == 3))
    return study_in_memory(replace(cohort, patients=patients), measure="ikdc", reference="exercise only", imputations=3)


def items(section):
    return {item.name: item for item in section if isinstance(item, Table | Figure)}


def test_the_first_page_and_the_methods_name_the_site(study):
    said = "The model, adjusted for the baseline and site, holds 112 of 120 patients."
    assert said in str(comparison.answer(study))
    assert "Without a site, 6 patients are left out." in str(comparison.methods(study))
    population = str(comparison.estimand(study))
    said = "Not in the model are 8 patients without a value of IKDC subjective knee score at the start, one later or a site."
    assert said in population


def test_the_sensitivity_analyses_stand_beside_the_primary_one(study):
    shown = items(comparison.sensitivity(study))
    assert "adjusted for the baseline and site" in shown["missing-analyses"].caption
    mixed = shown["missing-analyses"].data.query("analysis == 'mixed model'").reset_index(drop=True)
    primary = study.curves.primary_differences()
    pd.testing.assert_series_equal(mixed["difference"], primary["estimate"], check_names=False)
    assert mixed["n"].sum() + mixed["reference_n"].iloc[0] == study.curves.model.n_patients == 112
    at_zero = shown["tipping-point"].data.query("delta == 0")["difference"].reset_index(drop=True)
    imputed = shown["missing-analyses"].data.query("assumption == 'missing at random' and analysis != 'mixed model'")
    assert (at_zero - imputed["difference"].reset_index(drop=True)).abs().max() < imputed["std_error"].min()


def test_the_responders_are_adjusted_for_the_same(study):
    found = study.responders[-1]
    side = items(comparison.other_counts(study))["ways-of-counting"].data
    row = side[side["way"] == "adjusted for the baseline and site"].reset_index(drop=True)
    expected = adjusted_difference(study.cohort, found, covariates=["baseline", "site"]).differences
    assert row["difference"].tolist() == expected["difference"].tolist()


@pytest.mark.slow
def test_the_probabilities_are_adjusted_for_the_same(study):
    found = study.responders[-1]
    table = items(comparison.probability(study))["expected-responders"].data
    with pytest.warns(DistributionWarning, match="IKDC subjective knee score: Normality is rejected"):
        own = probability_of_response(
            study.cohort,
            choose_endpoint(study.cohort, "ikdc", week=found.endpoint.week, reference="exercise only"),
            covariates=["site"],
            draws=12,
        )
    assert table["share"].tolist() == own.table["share"].tolist()


def test_the_answer_says_how_many_were_seen_at_its_week(study_in_memory):
    """Few came back by week 26: the patients in the model are not those whom the comparison at that week rests on."""
    cohort = generate_cohort(patients=60, seed=5).observed
    stays = cohort.patients["patient_id"].iloc[::5]
    seen = cohort.visits["week"].le(12) | cohort.visits["patient_id"].isin(stays)
    study = study_in_memory(replace(cohort, visits=cohort.visits[seen]), imputations=3)
    torque = study.curves.frame
    at = torque.loc[torque["week"] == 26, "patient_id"].nunique()
    assert 0 < at <= 12 < torque["patient_id"].nunique()
    assert str(comparison.answer(study)).startswith(
        f"At week 26, {at} of 60 patients were seen with a value of quadriceps torque: "
    )

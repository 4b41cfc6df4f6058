"""Every residual structure against nlme, and small-sample inference against the formulas written out densely in R.

The R calls stand in structure-calls.csv, one a case; sources and tolerances of each quantity in quantities.csv.
"""

import re

import numpy as np
import pytest

from analysis.curves.mixed_model import fit_mixed

FILE = "structures"
INFORMATION = ["expected", "observed"]


def interaction_of(formula):
    return ":".join(re.search(r"(\S+) \* (\S+)", formula).groups())


def test_criterion(reference, structure_case):
    fit = reference.fit(structure_case)
    assert fit.converged
    reference.check(FILE, structure_case, "criterion", fit.criterion)


def test_criterion_is_not_above_that_of_nlme(reference, structure_case):
    nlme = reference.values(FILE, structure_case, "criterion nlme").item()
    assert reference.fit(structure_case).criterion <= nlme + 1e-6


def test_coefficients(reference, coefficients_like, structure_case):
    fit = reference.fit(structure_case)
    errors = reference.values(FILE, structure_case, "std_error")
    reference.check(
        FILE, structure_case, "estimate", coefficients_like(fit, "estimate", errors.index), unit=errors.to_numpy()
    )
    reference.check(FILE, structure_case, "std_error", coefficients_like(fit, "std_error", errors.index))


@pytest.mark.parametrize("information", INFORMATION)
def test_satterthwaite(reference, coefficients_like, restricted_structure_case, information):
    fit = reference.fit(restricted_structure_case, "satterthwaite", information)
    quantity = f"df satterthwaite {information}"
    terms = reference.values(FILE, restricted_structure_case, quantity).index
    reference.check(FILE, restricted_structure_case, quantity, coefficients_like(fit, "df", terms))


@pytest.mark.parametrize("information", INFORMATION)
@pytest.mark.parametrize("inference", ["kenward-roger", "kenward-roger-linear"])
def test_kenward_roger(reference, coefficients_like, restricted_structure_case, inference, information):
    fit = reference.fit(restricted_structure_case, inference, information)
    quantity = f"std_error {inference} {information}"
    terms = reference.values(FILE, restricted_structure_case, quantity).index
    reference.check(FILE, restricted_structure_case, quantity, coefficients_like(fit, "std_error", terms))
    df = f"df kenward-roger {information}"  # the same with and without second derivatives
    reference.check(FILE, restricted_structure_case, df, coefficients_like(fit, "df", terms))


@pytest.mark.parametrize("information", INFORMATION)
@pytest.mark.parametrize("inference", ["satterthwaite", "kenward-roger", "kenward-roger-linear"])
def test_joint_test_of_the_interaction(reference, interaction_structure_case, inference, information):
    fit = reference.fit(interaction_structure_case, inference, information)
    table = fit.test(interaction_of(reference.cases[interaction_structure_case]["fixed"]))
    assert table["df_numerator"].item() == sum(":" in term for term in fit.coefficients.index)
    quantity = f"interaction {inference} {information}"
    reference.check(
        FILE, interaction_structure_case, quantity, table[["statistic", "df"]].to_numpy(dtype=float).ravel()
    )


def test_what_is_inferred_does_not_move_the_optimum(reference):
    """The other tests find the optimum of a case once, whatever is inferred from it."""
    given = reference.cases["knee intercept by-week ml"]
    chosen = {name: given[name] for name in ("fixed", "patient", "week", "patient_effects", "residual", "method")}
    fits = [
        fit_mixed(reference.load(given["data"]), **chosen, inference=inference, information=information)
        for inference, information in [("normal", "observed"), ("satterthwaite", "expected"), ("robust", "observed")]
    ]
    assert {fit.criterion for fit in fits} == {reference.fit("knee intercept by-week ml").criterion}
    assert all((fit.optimum.theta == fits[0].optimum.theta).all() for fit in fits)


def test_robust_standard_errors(reference, coefficients_like, structure_case):
    fit = reference.fit(structure_case, "robust")
    terms = reference.values(FILE, structure_case, "std_error robust").index
    reference.check(FILE, structure_case, "std_error robust", coefficients_like(fit, "std_error", terms))


def test_every_structure_is_covered_by_both_methods_and_both_data_sets(reference):
    rows = [case for case in reference.cases.values() if "residual" in case]
    seen = {(row["data"], row["residual"], row["method"]) for row in rows if row["patient_effects"] == "none"}
    structures = {residual for _, residual, _ in seen}
    assert len(structures) == 8
    assert len(seen) == 2 * 8 * 2
    assert np.unique([row["patient_effects"] for row in rows]).size == 4


def test_covariance_at_the_schedule(reference, structure_case):
    """V at the weeks of the schedule, in units of its two standard deviations."""
    fit = reference.fit(structure_case)
    V = fit.optimum.likelihood.covariance.matrix(fit.optimum.theta)[0] * fit.basis.scale**2
    wanted = reference.values(FILE, structure_case, "covariance")
    rows, columns = np.tril_indices(len(V))
    order = np.lexsort((rows, columns))  # R goes down the columns
    rows, columns = rows[order], columns[order]
    unit = np.sqrt(np.diag(V)[rows] * np.diag(V)[columns])
    assert len(wanted) == len(rows)
    reference.check(FILE, structure_case, "covariance", V[rows, columns], unit=unit)

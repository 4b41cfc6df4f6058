"""Patient effects with independent residuals against lme4, lmerTest and pbkrtest.

The R calls stand in lme4-calls.csv, one a case; sources and tolerances of each quantity in quantities.csv.
"""

import numpy as np
import pytest

FILE = "lme4"


def test_criterion(reference, lme4_case):
    fit = reference.fit(lme4_case)
    assert fit.converged
    reference.check(FILE, lme4_case, "criterion", fit.criterion)
    reference.check(FILE, lme4_case, "aic", fit.aic)


def test_a_singular_fit_is_reported_as_such(reference, lme4_case):
    fit = reference.fit(lme4_case)
    assert fit.boundary == lme4_case.startswith("singular")


def test_coefficients(reference, coefficients_like, lme4_case):
    fit = reference.fit(lme4_case)
    errors = reference.values(FILE, lme4_case, "std_error")
    estimates = coefficients_like(fit, "estimate", errors.index)
    reference.check(FILE, lme4_case, "estimate", estimates, unit=errors.to_numpy())
    reference.check(FILE, lme4_case, "std_error", coefficients_like(fit, "std_error", errors.index))


def test_patient_covariance(reference, lme4_case):
    D = reference.fit(lme4_case).patient_covariance.to_numpy()
    wanted = reference.values(FILE, lme4_case, "patient covariance")
    rows, columns = np.tril_indices(len(D))
    order = np.lexsort((rows, columns))  # R goes down the columns
    rows, columns = rows[order], columns[order]
    if len(wanted) < len(rows):  # independent effects: R lists the variances only
        rows = columns = np.arange(len(D))
    unit = np.sqrt(np.diag(D)[rows] * np.diag(D)[columns])
    reference.check(FILE, lme4_case, "patient covariance", D[rows, columns], unit=unit)


def test_satterthwaite(reference, coefficients_like, restricted_lme4_case):
    fit = reference.fit(restricted_lme4_case, "satterthwaite", "observed")
    terms = reference.values(FILE, restricted_lme4_case, "df satterthwaite").index
    reference.check(FILE, restricted_lme4_case, "df satterthwaite", coefficients_like(fit, "df", terms))


def test_kenward_roger(reference, coefficients_like, restricted_lme4_case):
    fit = reference.fit(restricted_lme4_case, "kenward-roger", "expected")
    terms = reference.values(FILE, restricted_lme4_case, "std_error kenward-roger").index
    reference.check(FILE, restricted_lme4_case, "std_error kenward-roger", coefficients_like(fit, "std_error", terms))
    reference.check(FILE, restricted_lme4_case, "df kenward-roger", coefficients_like(fit, "df", terms))


@pytest.mark.parametrize(("inference", "information"), [("satterthwaite", "observed"), ("kenward-roger", "expected")])
def test_joint_test_of_all_terms(reference, restricted_lme4_case, inference, information):
    fit = reference.fit(restricted_lme4_case, inference, information)
    terms = dict.fromkeys(column.term for column in fit.design.columns if column.term != "1")
    table = fit.test(" + ".join(terms))
    assert table["df_numerator"].item() == len(fit.coefficients) - 1
    got = table[["statistic", "df"]].to_numpy(dtype=float).ravel()
    reference.check(FILE, restricted_lme4_case, f"joint {inference}", got)


def test_kenward_roger_of_a_whole_plot_factor(reference):
    """Halekoh & Hojsgaard 2014, J Stat Softw 59(9): F 15.2105 on 1 and 2, p 0.0599; KRmodcomp of beets."""
    table = reference.fit("beets reml", "kenward-roger", "expected").test("harvest")
    got = table[["statistic", "df"]].to_numpy(dtype=float).ravel()
    reference.check(FILE, "beets reml", "harvest kenward-roger", got)
    assert round(table["p_value"].item(), 4) == 0.0599
    assert round(table["statistic"].item(), 4) == 15.2105

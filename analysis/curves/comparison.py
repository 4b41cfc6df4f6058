"""Compare two nested fits by their likelihoods."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd
from scipy import special

from analysis.errors import ModelError

if TYPE_CHECKING:
    from analysis.curves.mixed_model import MixedModel


def likelihood_ratio(one: MixedModel, other: MixedModel) -> pd.DataFrame:
    """Test the smaller of two nested models against the larger.

    Where the models differ by one patient effect, its variance is zero under the smaller model, on the boundary: the
    statistic then follows an equal mixture of two chi-squares (Self & Liang 1987, JASA 82; Stram & Lee 1994,
    Biometrics 50(4)): with k effects in the smaller model, k and k + 1 degrees of freedom if effects are correlated,
    0 and 1 if not.

    Parameters
    ----------
    one, other : MixedModel
        Fits of the same visits by the same method.

    Returns
    -------
    DataFrame
        One row: criterion_smaller, criterion_larger, statistic, df, p_value, method.

    Raises
    ------
    ModelError
        Where the fits are not comparable: other visits, other methods, REML with other fixed effects, not nested.
    """
    if (one.n_visits, one.n_patients, one.moments.outcome) != (other.n_visits, other.n_patients, other.moments.outcome):
        raise ModelError(
            "The two fits are not of the same visits.",
            where=f"{one.n_visits} and {other.n_visits} visits of {one.moments.outcome} and {other.moments.outcome}",
            what_to_do="Fit both to the rows that have all covariates of both.",
        )
    if one.method != other.method:
        raise ModelError(
            "One fit is by REML, the other by maximum likelihood.", what_to_do="Fit both with the same method=."
        )
    fixed_one, fixed_other = set(one.basis.names), set(other.basis.names)
    if one.method == "reml" and (fixed_one != fixed_other):
        raise ModelError(
            "REML likelihoods of models with different fixed effects cannot be compared.",
            where=f"fixed effects in one only: {', '.join(sorted(fixed_one ^ fixed_other))}",
            what_to_do="Fit both with method='ml', or test the term with fit.test(term).",
        )
    smaller, larger = sorted((one, other), key=lambda model: model.n_parameters)
    df = larger.n_parameters - smaller.n_parameters
    effects_small, effects_large = smaller.terms.names, larger.terms.names
    effects_nested = set(effects_small) <= set(effects_large) or larger.residual == "unstructured"
    nested = set(smaller.basis.names) <= set(larger.basis.names) and effects_nested
    if not nested or df == 0 or not _residual_nested(smaller, larger):
        raise ModelError(
            "Neither model is a special case of the other.",
            where=f"{smaller.n_parameters} and {larger.n_parameters} parameters",
            what_to_do="Compare their aic or bic instead.",
        )
    statistic = max(smaller.criterion - larger.criterion, 0.0)
    more = len(effects_large) - len(effects_small)
    same_otherwise = smaller.basis.names == larger.basis.names and smaller.residual == larger.residual
    if more == 1 and same_otherwise:
        low = len(effects_small) if larger.optimum.likelihood.covariance.correlated else 0
        p = 0.5 * _tail(statistic, low) + 0.5 * _tail(statistic, low + 1)
        method = f"mixture of chi-squares on {low} and {low + 1} df"
    else:
        p = _tail(statistic, df)
        method = f"chi-square on {df} df" + (" (conservative: variances at the boundary)" if more else "")
    return pd.DataFrame(
        {
            "criterion_smaller": [smaller.criterion],
            "criterion_larger": [larger.criterion],
            "statistic": [statistic],
            "df": [df],
            "p_value": [p],
            "method": [method],
        }
    )


_SPECIAL_CASES = {
    "independent": {"by-week", "compound-symmetry", "ar1", "ar1-by-week", "exponential", "toeplitz", "unstructured"},
    "by-week": {"ar1-by-week", "unstructured"},
    "compound-symmetry": {"toeplitz", "unstructured"},
    "ar1": {"ar1-by-week", "toeplitz", "unstructured"},
    "ar1-by-week": {"unstructured"},
    "exponential": {"unstructured"},
    "toeplitz": {"unstructured"},
    "unstructured": set[str](),
}


def _residual_nested(smaller: MixedModel, larger: MixedModel) -> bool:
    if smaller.residual == larger.residual:
        return True
    if larger.residual == "unstructured":
        return True  # patient effects are a special case of it too
    return larger.residual in _SPECIAL_CASES[smaller.residual]


def _tail(statistic: float, df: int) -> float:
    if df == 0:
        return 1.0 if statistic <= 0.0 else 0.0
    return float(special.chdtrc(df, statistic))

"""Compare two nested fits by their likelihoods."""

from __future__ import annotations

import warnings
from typing import Any

import numpy as np
import pandas as pd
from scipy import special

from analysis.curves.engine.fitted_model import FittedModel
from analysis.curves.engine.fitting import fit_parts
from analysis.curves.nested import check_same_visits, covariance_within, differing_means, mean_within
from analysis.curves.rows.moment_sums import visit_patterns
from analysis.errors import KneecurveWarning, ModelError
from analysis.progress import in_portions

_ROUNDING = 1e-6
"""A difference of criteria this small is none: the larger model ends where the smaller one is."""
_NOT_KNOWN = "an upper bound: no mixture is known, compare(bootstrap=999) simulates it"


def likelihood_ratio(one: FittedModel, other: FittedModel, *, bootstrap: int = 0, seed: int = 0) -> pd.DataFrame:
    """Test the smaller of two nested models against the larger.

    Where the larger model has one parameter that lies at a limit of its range under the smaller one (the variance of one
    more patient effect, the range of an exponential correlation), the statistic follows an equal mixture of two
    chi-squares, on df - 1 and df degrees of freedom (Self & Liang 1987, JASA 82, case 5 and 6; Stram & Lee 1994,
    Biometrics 50(4)). For several such parameters, and where the smaller fit itself lies at a boundary, no mixture is
    known in general; chi-square on df then gives an upper bound of p in the first case and an approximation in the
    second, and ``method`` says so.

    Parameters
    ----------
    one, other : FittedModel
        Fits of the same visits by the same method.
    bootstrap : int
        Samples of a parametric bootstrap from the smaller fit, both models fitted to each; 0 for none.
    seed : int
        Seed of the bootstrap.

    Returns
    -------
    DataFrame
        One row: criterion_smaller, criterion_larger, statistic, df, p_value, method; after a bootstrap samples (those in
        which both fits converged) and p_value (1 + samples with a statistic as large) / (1 + samples).

    Raises
    ------
    ModelError
        Where the fits are not comparable: other visits or values, other methods, REML with other fixed effects, not
        nested, not converged.

    Examples
    --------
    >>> import pandas as pd
    >>> from analysis.curves.mixed_model import fit_mixed
    >>> visits = pd.DataFrame({
    ...     "patient_id": [1, 1, 1, 2, 2, 2, 3, 3, 3, 4, 4, 4],
    ...     "week": [0, 6, 12] * 4,
    ...     "value": [50.0, 61, 75, 40, 55, 63, 48, 60, 70, 55, 62, 80],
    ... })
    >>> level = fit_mixed(visits, "value ~ week", patient_effects="1")
    >>> table = likelihood_ratio(fit_mixed(visits, "value ~ week", patient_effects=None), level)
    >>> table["df"].item(), table["method"].item()
    (1, 'mixture of chi-squares on 0 and 1 df')
    """
    check_same_visits(one, other)
    _check_comparable(one, other)
    smaller, larger = sorted((one, other), key=lambda model: model.n_parameters)
    df = larger.n_parameters - smaller.n_parameters
    limits = covariance_within(smaller, larger) if df and mean_within(smaller, larger) else None
    if limits is None:
        raise ModelError(
            "Neither model is a special case of the other.",
            where=f"{smaller.n_parameters} and {larger.n_parameters} parameters",
            what_to_do="Compare their aic or bic instead.",
        )
    statistic = smaller.criterion - larger.criterion
    statistic = statistic if statistic > _ROUNDING else 0.0
    found: dict[str, Any] = {
        "criterion_smaller": smaller.criterion,
        "criterion_larger": larger.criterion,
        "statistic": statistic,
        "df": df,
    }
    if bootstrap:
        samples = _simulated(smaller, larger, bootstrap, seed)
        as_large = int((samples >= statistic - _ROUNDING).sum())
        found |= {
            "p_value": (1 + as_large) / (1 + len(samples)),
            "method": "parametric bootstrap",
            "samples": len(samples),
        }
        return pd.DataFrame([found])
    if limits == 1 and not smaller.boundary:
        p = 0.5 * _tail(statistic, df - 1) + 0.5 * _tail(statistic, df)
        method = f"mixture of chi-squares on {df - 1} and {df} df"
    else:
        p, method = _tail(statistic, df), f"chi-square on {df} df"
        if limits > 1:
            method += f" ({_NOT_KNOWN})"
        elif smaller.boundary:
            method += " (approximate: the smaller fit is at its boundary, compare(bootstrap=999) simulates it)"
    return pd.DataFrame([{**found, "p_value": p, "method": method}])


def _check_comparable(one: FittedModel, other: FittedModel) -> None:
    if one.method != other.method:
        raise ModelError(
            "One fit is by REML, the other by maximum likelihood.", what_to_do="Fit both with the same method=."
        )
    differ = differing_means(one, other)
    if one.method == "reml" and differ:
        raise ModelError(
            "REML likelihoods of models with different fixed effects cannot be compared.",
            where=f"fixed effects that differ: {', '.join(differ)}",
            what_to_do="Fit both with method='ml', or test the term with fit.test(term).",
        )
    if not (one.converged and other.converged):
        raise ModelError(
            "A fit that did not converge has no likelihood to compare.",
            where="; ".join(fit.record.notes[-1] for fit in (one, other) if not fit.converged),
            what_to_do="Fit a simpler model.",
        )


def _simulated(smaller: FittedModel, larger: FittedModel, samples: int, seed: int) -> np.ndarray:
    """Fit both models to outcomes drawn from the smaller fit; give the statistics of those that converged."""
    rows = smaller.rows
    if rows is None or larger.rows is None:
        raise ModelError(
            "A bootstrap needs the rows of each patient, and moments do not hold them.",
            where="compare(bootstrap=...)",
            what_to_do="Fit both from the data frame.",
        )
    if samples < 99:
        raise ModelError(f"{samples} samples are too few for a p value.", what_to_do="Ask for 99 at least, better 999.")
    rng = np.random.default_rng(seed)
    mean = smaller.design.matrix(rows.frame)[:, smaller.basis.kept] @ smaller.coefficient_values
    pattern = visit_patterns(rows)[1]
    V = smaller.optimum.likelihood.covariance.matrix(smaller.optimum.theta) * smaller.basis.scale**2
    seen = smaller.basis.seen
    V = np.where(seen[:, :, None] & seen[:, None, :], V, np.eye(V.shape[1]))
    root = np.linalg.cholesky(V)[pattern]
    statistics = []
    for start, stop in in_portions(samples, 10, "bootstrap samples"):
        for _ in range(start, stop):
            noise = np.einsum("pab,pb->pa", root, rng.standard_normal(root.shape[:2]))
            frame = rows.frame.assign(**{smaller.design.outcome: mean + noise[rows.patient, rows.slot]})
            small, large = (_refitted(model, frame) for model in (smaller, larger))
            if small is not None and large is not None:
                statistics.append(max(small - large, 0.0))
    return np.array(statistics)


def _refitted(model: FittedModel, frame: pd.DataFrame) -> float | None:
    """Fit a model to another outcome; give the criterion, or None where it did not converge."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", KneecurveWarning)
        parts = fit_parts(
            frame,
            model.design.formula,
            patient=model.design.patient,
            week=model.design.week,
            patient_effects=model.terms.formula,
            correlated=model.optimum.likelihood.covariance.correlated,
            residual=model.residual,
            method=model.method,
            inference="normal",
            information=model.information,
        )
    return float(parts["optimum"].criterion) if parts["record"].converged else None


def _tail(statistic: float, df: int) -> float:
    if df == 0:
        return 1.0 if statistic <= 0.0 else 0.0
    return float(special.chdtrc(df, statistic))

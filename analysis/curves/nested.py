"""Whether one fit is a special case of another: the same visits, a mean and a covariance that lie within the other's."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.curves.engine.fitted_model import FittedModel
from analysis.curves.rows.visit_rows import VisitRows
from analysis.errors import ModelError

_EQUAL = 1e-9
"""Numbers are the same where they differ by this share: sums taken in another order."""
_SPANNED = 1e-8
"""Columns span one of which they leave this share of its length: the square root of the digits of a sum of squares."""
_ROUNDING = 1e-12
"""Directions of columns with a smaller share of the largest than this are left out."""
_NOT_ZERO = 1e-300
"""Least length to divide by; a column of zeros stays one."""

_SPECIAL_CASES: dict[str, set[str]] = {
    "independent": {"by-week", "compound-symmetry", "ar1", "ar1-by-week", "exponential", "toeplitz", "unstructured"},
    "by-week": {"ar1-by-week", "unstructured"},
    "compound-symmetry": {"toeplitz", "unstructured"},
    "ar1": {"ar1-by-week", "toeplitz", "unstructured"},
    "ar1-by-week": {"unstructured"},
    "exponential": {"unstructured"},
    "toeplitz": {"unstructured"},
    "unstructured": set(),
}
#: Residuals that a level of each patient turns into a special case of a structure without it.
_WITH_A_LEVEL = {"compound-symmetry": {"independent"}, "toeplitz": {"independent", "ar1"}}


def check_same_visits(one: FittedModel, other: FittedModel) -> None:
    """Refuse fits of other outcomes or other rows, however many they are.

    Raises
    ------
    ModelError
        The patients, weeks or values differ.
    """
    sizes = [(fit.n_visits, fit.n_patients, fit.moments.outcome) for fit in (one, other)]
    if sizes[0] == sizes[1]:
        if one.rows is not None and other.rows is not None:
            same = _digest(one) == _digest(other)
        else:
            same = _same_moments(one, other)
        if same:
            return
    raise ModelError(
        "The two fits are not of the same visits and values.",
        where=" and ".join(f"{visits} visits of {outcome}, {patients} patients" for visits, patients, outcome in sizes),
        what_to_do="Fit both to the same outcome in the rows that have all covariates of both.",
    )


def _digest(fit: FittedModel) -> int:
    """Sum of the hashes of the rows, whatever their order."""
    rows = fit.rows
    if rows is None:
        raise TypeError("moments hold no rows")
    patient = pd.Series(rows.patient_ids).astype(str).to_numpy()[rows.patient]
    frame = pd.DataFrame({"patient": patient, "week": rows.week, "outcome": rows.outcome})
    return int(np.asarray(pd.util.hash_pandas_object(frame, index=False)).sum())


def _same_moments(one: FittedModel, other: FittedModel) -> bool:
    """Compare what moments know of the outcome: its sums of squares and products at the weeks of each pattern."""
    first, second = one.moments, other.moments
    if first.seen.shape != second.seen.shape or not np.array_equal(first.seen, second.seen):
        return False
    if not np.array_equal(first.counts, second.counts) or not np.array_equal(first.weeks, second.weeks):
        return False
    sums = []
    for moments in (first, second):
        m = moments.slots
        products, shift = moments.products, moments.outcome_shift
        level = products[:, 0, -m:]
        both = moments.seen[:, :, None] & moments.seen[:, None, :]
        raw = products[:, -m:, -m:] + shift * (level[:, :, None] + level[:, None, :])
        sums.append(np.where(both, raw + shift**2 * moments.counts[:, None, None], 0.0))
    return bool(np.allclose(sums[0], sums[1], rtol=_EQUAL, atol=0.0))


def mean_within(smaller: FittedModel, larger: FittedModel) -> bool:
    """Say whether every mean of the smaller model is one of the larger: by the rows, or where there are none by names."""
    if smaller.rows is None or larger.rows is None:
        return set(smaller.basis.names) <= set(larger.basis.names)
    return _spans(_columns(larger, larger.rows), _columns(smaller, smaller.rows))


def differing_means(one: FittedModel, other: FittedModel) -> list[str]:
    """Name the fixed effects that are in one model only, or whose columns are not the same numbers in both."""
    differ = set(one.basis.names) ^ set(other.basis.names)
    if not differ and one.rows is not None and other.rows is not None:
        first, second = _columns(one, one.rows), _columns(other, other.rows)
        second = second[:, [other.basis.names.index(name) for name in one.basis.names]]
        away = np.abs(first - second).max(axis=0) > _EQUAL * np.abs(first).max(axis=0)
        differ = {name for name, apart in zip(one.basis.names, away, strict=True) if apart}
    return sorted(differ)


def _columns(fit: FittedModel, rows: VisitRows) -> NDArray[np.float64]:
    """Give the columns of the fixed effects, visits in an order that does not depend on that of the file."""
    patient = pd.Series(rows.patient_ids).astype(str).to_numpy()[rows.patient]
    return np.asarray(fit.design.matrix(rows.frame)[:, fit.basis.kept][np.lexsort((rows.week, patient))])


def covariance_within(smaller: FittedModel, larger: FittedModel) -> int | None:
    """Say whether every covariance of the smaller model is one of the larger, or the limit of some.

    Given is the number of parameters that lie at a limit of their range (a variance or a range of zero) where the smaller
    model is true; None where it is not a special case.
    """
    structures = (smaller.residual, larger.residual)
    same = structures[0] == structures[1]
    if not same and structures[1] not in _SPECIAL_CASES[structures[0]]:
        return None
    limits = int(structures == ("independent", "exponential"))
    if larger.residual == "unstructured":
        return 0
    level_only = smaller.terms.names == ("Intercept",) and not larger.terms.names
    if level_only and smaller.residual in _WITH_A_LEVEL.get(larger.residual, set()):
        return 0
    if not _effects_within(smaller, larger):
        return None
    return limits + len(larger.terms.names) - len(smaller.terms.names)


def _effects_within(smaller: FittedModel, larger: FittedModel) -> bool:
    few, many = smaller.terms, larger.terms
    if not few.names:
        return True
    covariances = [fit.optimum.likelihood.covariance for fit in (smaller, larger)]
    if covariances[1].correlated:
        frame = smaller.design.week_frame(smaller.design.weeks)
        other = larger.design.week_frame(larger.design.weeks)
        return _spans(many.columns(other), few.columns(frame))
    independent = not covariances[0].correlated or len(few.names) == 1
    return independent and set(few.names) <= set(many.names)


def _spans(given: NDArray[np.float64], wanted: NDArray[np.float64]) -> bool:
    """Say whether the columns given span those wanted."""
    if not given.shape[1]:
        return not wanted.any()
    given = given / np.maximum(np.linalg.norm(given, axis=0), _NOT_ZERO)
    left = wanted - given @ np.linalg.lstsq(given, wanted, rcond=_ROUNDING)[0]
    return bool((np.linalg.norm(left, axis=0) <= _SPANNED * np.linalg.norm(wanted, axis=0)).all())

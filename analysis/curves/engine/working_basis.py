"""From moments and a design to well-scaled arrays for the likelihood, and the exact way back."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from analysis.curves.covariances.residual_base import Array
from analysis.curves.engine.elements import Elements, dependence
from analysis.curves.formula.design import Design
from analysis.curves.rows.moments import VisitMoments
from analysis.errors import ModelError

_CONSTANT = 1e-20
"""A mean square around the mean of this share of the mean squared is rounding (1e-16, squared, of sums): all are equal."""


@dataclass(frozen=True, eq=False)
class WorkingBasis:
    """The model's sums in a basis that keeps the digits.

    An element is a week function times one column of u; the working columns are X = elements @ B. Within
    the columns that multiply the same patient column, the week functions are made orthogonal over the distinct weeks
    (QR, so that order is kept) and the outcome is divided by the residual standard deviation of least squares. With T
    (upper triangular in blocks) the formula's own columns are X T, so that b = T^-1 b_working, exactly.

    Parameters
    ----------
    names, dropped : list of str
        The columns kept, and those that earlier ones explain.
    dependence : ndarray, shape (kept, dropped)
        The dropped columns as combinations of the kept ones.
    kept : ndarray of int
        Places of the kept columns in the formula's.
    F : ndarray, shape (1 or patterns, slots, elements)
        Week functions.
    B : ndarray, shape (elements, columns)
        Elements to working columns.
    U_ee, U_ey, U_yy : ndarray
        Sums of products of the elements' columns of u and the outcome, by pattern.
    T : ndarray, shape (columns, columns)
        Working columns to the formula's columns.
    offset : ndarray, shape (columns,)
        Working coefficients of what was subtracted from the outcome.
    scale : float
        The outcome's unit.
    counts : ndarray, shape (patterns,)
        Patients.
    seen : ndarray of bool, shape (patterns, slots)
        The slots of each pattern.
    """

    names: list[str]
    dropped: list[str]
    dependence: Array
    kept: np.ndarray
    F: Array
    B: Array
    U_ee: Array
    U_ey: Array
    U_yy: Array
    T: Array
    offset: Array
    scale: float
    counts: Array
    seen: np.ndarray

    @cached_property
    def n_rows(self) -> int:
        """The number of visits."""
        return int((self.counts * self.seen.sum(axis=1)).sum())

    @cached_property
    def log_scale(self) -> float:
        """The log determinant of T, for the restricted likelihood."""
        return float(np.linalg.slogdet(self.T)[1])


def working_basis(design: Design, moments: VisitMoments) -> WorkingBasis:
    """Build the working arrays; drop the columns that earlier ones explain.

    Raises
    ------
    ModelError
        Where no column can be estimated, the outcome is constant, or the columns explain it exactly.
    """
    keep = list(range(len(design.columns)))
    dropped: list[int] = []
    while dependent := (elements := Elements(design, moments, keep)).dependent():
        dropped += [keep[k] for k in dependent]
        keep = [k for number, k in enumerate(keep) if number not in dependent]
        if not keep:
            raise ModelError(
                "No column of the fixed effects can be estimated.",
                where=f"formula {design.formula}",
                what_to_do="Write at least an intercept: 'value ~ 1'.",
            )
    scale = elements.residual_scale()
    _check_outcome(moments, scale)
    names = design.names
    return WorkingBasis(
        names=[names[k] for k in keep],
        dropped=[names[k] for k in sorted(dropped)],
        dependence=dependence(design, moments, keep, sorted(dropped)),
        kept=np.array(keep),
        F=elements.F,
        B=elements.B,
        U_ee=elements.U_ee,
        U_ey=elements.U_ey / scale,
        U_yy=elements.U_yy / scale**2,
        T=elements.T,
        offset=elements.offset / scale,
        scale=scale,
        counts=moments.counts,
        seen=moments.seen,
    )


def _check_outcome(moments: VisitMoments, scale: float) -> None:
    """Check that the outcome varies around the fixed effects."""
    if scale > 0.0 and np.isfinite(scale):
        return
    m = moments.slots
    total = float(np.einsum("saa->", moments.products[:, -m:, -m:]))
    if total <= _CONSTANT * max(1.0, moments.outcome_shift**2) * moments.n_visits:
        raise ModelError(
            f"The outcome {moments.outcome!r} is the same at every visit.",
            where=f"value {moments.outcome_shift:g}",
            what_to_do="Choose an outcome that varies; a constant one has no recovery curve.",
        )
    raise ModelError(
        f"The fixed effects explain the outcome {moments.outcome!r} exactly; no variance is left to estimate.",
        where=f"{moments.n_visits} visits",
        what_to_do="Look for a covariate that is a copy of the outcome, or use a simpler formula.",
    )

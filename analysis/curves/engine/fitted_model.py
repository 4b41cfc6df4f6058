"""A fitted mixed model: the parts that everything asked of it is computed from."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from analysis.curves.covariances.residual_base import Array
from analysis.curves.covariances.residual_structures import Residual
from analysis.curves.engine.contrasts import Contrasts
from analysis.curves.engine.fitting import FitRecord
from analysis.curves.engine.likelihood import Evaluation, Method
from analysis.curves.engine.small_sample import Inference, Information, SmallSample
from analysis.curves.engine.working_basis import WorkingBasis
from analysis.curves.formula.design import Design
from analysis.curves.formula.patient_terms import PatientTerms
from analysis.curves.rows.moments import VisitMoments
from analysis.curves.rows.visit_rows import MOST_SCHEDULED_WEEKS, VisitRows
from analysis.errors import ModelError


@dataclass(frozen=True, eq=False)
class FittedModel:
    """A fitted linear mixed model: its parts, and what follows from them alone.

    Parameters
    ----------
    design : Design
        The fixed effects.
    terms : PatientTerms
        The patient effects.
    moments : VisitMoments
        What the fit was made from.
    rows : VisitRows or None
        The rows; None for a fit from moments.
    basis : WorkingBasis
        The scaled sums.
    optimum : Evaluation
        The likelihood at the optimum.
    small_sample : SmallSample
        Standard errors and degrees of freedom.
    residual : str
        The residual structure.
    method, inference, information : str
        As fitted.
    record : FitRecord
        How the fit went: converged, evaluations, boundary, notes, tried.
    """

    design: Design
    terms: PatientTerms
    moments: VisitMoments
    rows: VisitRows | None
    basis: WorkingBasis
    optimum: Evaluation
    small_sample: SmallSample
    residual: Residual
    method: Method
    inference: Inference
    information: Information
    record: FitRecord

    # How the fit went

    @property
    def converged(self) -> bool:
        """Whether the optimum was reached (also at the boundary)."""
        return self.record.converged

    @property
    def boundary(self) -> bool:
        """Whether a variance was estimated at zero or a correlation at one."""
        return self.record.boundary

    @property
    def criterion(self) -> float:
        """Minus twice the (restricted) log-likelihood, constants included, as lme4 and nlme count it."""
        return self.optimum.criterion

    @property
    def n_patients(self) -> int:
        """The number of patients."""
        return self.moments.n_patients

    @property
    def n_visits(self) -> int:
        """The number of visits used."""
        return self.moments.n_visits

    @property
    def n_parameters(self) -> int:
        """The number of parameters: fixed effects kept and covariance parameters."""
        return len(self.basis.names) + self.optimum.theta.size

    @property
    def aic(self) -> float:
        """Akaike's criterion: ``criterion + 2 * n_parameters``, fixed effects counted also under REML (as lme4 does)."""
        return self.criterion + 2.0 * self.n_parameters

    @property
    def bic(self) -> float:
        """Schwarz's criterion with the number of visits: ``criterion + log(n_visits) * n_parameters`` (as lme4 does)."""
        return self.criterion + float(np.log(self.n_visits)) * self.n_parameters

    # Fixed effects

    @cached_property
    def contrasts(self) -> Contrasts:
        """Estimates of linear combinations of the coefficients."""
        return Contrasts(self.basis, self.small_sample)

    @cached_property
    def coefficients(self) -> pd.DataFrame:
        """The fixed effects: index the term; estimate, std_error, df, statistic, p_value, lower, upper (95 %)."""
        table = self.contrasts.estimates(self._of_all_columns(np.eye(len(self.basis.names))), 0.95)
        table.index = pd.Index(self.basis.names, name="term")
        return table

    def contrast(self, matrix: ArrayLike, *, level: float = 0.95) -> pd.DataFrame:
        """Estimate linear combinations of the coefficients.

        Parameters
        ----------
        matrix : array_like, shape (contrasts, coefficients) or (coefficients,)
            One row a contrast; columns as in ``coefficients``.
        level : float
            Confidence level.

        Returns
        -------
        DataFrame
            estimate, std_error, df, statistic, p_value, lower, upper, level, method.
        """
        wanted = np.atleast_2d(np.asarray(matrix, dtype=np.float64))
        if wanted.ndim != 2 or wanted.shape[1] != len(self.basis.names):
            raise ModelError(
                f"A contrast needs {len(self.basis.names)} numbers a row, not {wanted.shape[-1]}.",
                where=f"coefficients: {', '.join(self.basis.names)}",
                what_to_do="Give one number for each coefficient, in this order.",
            )
        return self.contrasts.estimates(self._of_all_columns(wanted), level).assign(level=level, method=self.inference)

    def _of_all_columns(self, rows: Array) -> Array:
        """Extend contrasts of the kept columns to all of the formula, so that the dropped ones count as what they repeat."""
        extended = np.zeros((len(rows), len(self.design.names)))
        extended[:, self.basis.kept] = rows
        extended[:, np.setdiff1d(np.arange(extended.shape[1]), self.basis.kept)] = rows @ self.basis.dependence
        return extended

    def test(self, term: str) -> pd.DataFrame:
        """Test all columns of a term together (F test).

        Parameters
        ----------
        term : str
            A term of the formula, e.g. ``"protocol:week_spline"`` (factors in any order), or several joined by ``" +
            "``.

        Returns
        -------
        DataFrame
            One row, index the term: statistic, df_numerator, df, p_value, method.

        Notes
        -----
        The test is that the term's coefficients are all zero, in the coding of the formula: for a term that is part
        of an interaction that is the term's effect at the reference.
        """
        wanted = [frozenset(part.strip().split(":")) for part in term.split(" + ")]
        places = [k for k, column in enumerate(self.design.columns) if frozenset(column.term.split(":")) in wanted]
        if not places:
            raise ModelError(
                f"The model has no term {term!r}.",
                where=f"terms: {', '.join(dict.fromkeys(column.term for column in self.design.columns))}",
                what_to_do="Name one of these terms.",
            )
        rows = np.eye(len(self.basis.names))[np.isin(self.basis.kept, places)]
        table = self.contrasts.joint(self._of_all_columns(rows))
        table.index = pd.Index([term], name="term")
        return table

    @cached_property
    def coefficient_values(self) -> Array:
        """The coefficients of the kept columns as an array."""
        return np.asarray(
            np.linalg.solve(self.basis.T, self.contrasts.coefficients) * self.basis.scale, dtype=np.float64
        )

    def weeks_or_default(self, weeks: Sequence[float] | None) -> Array:
        """Give the weeks asked for, or those of the data."""
        if weeks is not None:
            return np.atleast_1d(np.asarray(weeks, dtype=np.float64))
        distinct = self.moments.distinct_weeks
        if distinct.size > MOST_SCHEDULED_WEEKS:
            raise ModelError(
                f"The data have {distinct.size} distinct weeks; name those you want.",
                what_to_do="Give weeks=[6, 12, 26] or so.",
            )
        return distinct

    # Covariance

    @cached_property
    def patient_covariance(self) -> pd.DataFrame:
        """The covariance matrix of the patient effects, D, in the outcome's units squared."""
        D = self.optimum.likelihood.covariance.effects_matrix(self.optimum.theta)
        A = self.terms.A
        return pd.DataFrame(A @ D @ A.T * self.basis.scale**2, index=self.terms.names, columns=self.terms.names)

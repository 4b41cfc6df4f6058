"""Fit a linear mixed model to visits, and what can be asked of the fit."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from analysis.curves.comparison import likelihood_ratio
from analysis.curves.contrasts import Adjust, Contrasts
from analysis.curves.description import covariance_table, describe, describe_html
from analysis.curves.design import Design
from analysis.curves.fitting import FitRecord, fit_parts
from analysis.curves.likelihood import Evaluation, Method
from analysis.curves.means import model_differences, model_means
from analysis.curves.moments import VisitMoments
from analysis.curves.patient_terms import PatientTerms
from analysis.curves.patients import effects_of_patients, predict_rows, residuals_of_visits
from analysis.curves.residual_base import Array
from analysis.curves.residual_structures import Residual
from analysis.curves.small_sample import Inference, Information, SmallSample
from analysis.curves.visit_rows import MOST_SCHEDULED_WEEKS, VisitRows
from analysis.curves.working_basis import WorkingBasis
from analysis.errors import ModelError


def fit_mixed(
    data: pd.DataFrame | VisitMoments,
    fixed: str,
    *,
    patient: str = "patient_id",
    week: str = "week",
    patient_effects: str | None = "1 + week",
    correlated: bool = True,
    residual: Residual = "independent",
    method: Method = "reml",
    inference: Inference = "kenward-roger",
    information: Information = "observed",
) -> MixedModel:
    """Fit a linear mixed model to repeated visits.

    Parameters
    ----------
    data : DataFrame or VisitMoments
        One row a visit; rows with a missing outcome or covariate are left out and counted in ``record.notes``. Or the
        moments of such rows (see :func:`visit_moments`): the same fit, without what needs the rows (``predict`` with
        patients, ``patient_effects``, residuals, robust inference).
    fixed : str
        Formula of the fixed effects with the outcome, e.g. ``"value ~ protocol * week_spline + baseline"``. Besides
        formulaic's own functions it may use ``week_spline`` (a natural cubic spline of three columns),
        ``natural_spline(week, df=4)``, ``piecewise(week, [6, 12])``, ``log1p(week)`` and ``C(week)``. Functions that
        learn from data learn from the distinct weeks (functions of the week), from one row a patient (of patient
        covariates), or from all rows. Where columns say the same thing, the later one is dropped with a
        DesignWarning.
    patient, week : str
        Columns of the patient and the week.
    patient_effects : str or None
        ``None``, ``"1"``, ``"1 + week"``, or other functions of the week.
    correlated : bool
        Whether the patient effects may be correlated.
    residual : str
        ``"independent"``, ``"by-week"``, ``"compound-symmetry"``, ``"ar1"`` (by visit of the schedule),
        ``"ar1-by-week"``, ``"exponential"`` (by weeks between), ``"toeplitz"``, ``"unstructured"``.
    method : "reml" or "ml"
        Restricted or full maximum likelihood.
    inference : str
        ``"kenward-roger"`` (1997), ``"kenward-roger-linear"`` (without the second derivatives of V),
        ``"satterthwaite"``, ``"normal"``, ``"robust"`` (sandwich over patients). Kenward-Roger is a method for REML:
        with ``method="ml"`` Satterthwaite takes its place, and where a parameter close to its limit spoils the second
        derivatives the linear variant does; ``inference`` of the result and its notes say so.
    information : "observed" or "expected"
        Which information of the covariance parameters small-sample methods use. With missing visits only the observed
        one is right (Kenward & Molenberghs 1998, Stat Sci 13(3)); published Kenward-Roger values of R use the
        expected one.

    Returns
    -------
    MixedModel
        The fit.

    Raises
    ------
    ModelError
        For data or a model that cannot be fitted, with the simpler model to try.

    Examples
    --------
    >>> import pandas as pd
    >>> visits = pd.DataFrame({
    ...     "patient_id": [1, 1, 1, 2, 2, 2, 3, 3, 3, 4, 4, 4],
    ...     "week": [0, 6, 12] * 4,
    ...     "value": [50.0, 61, 75, 40, 55, 63, 48, 60, 70, 55, 62, 80],
    ... })
    >>> fit = fit_mixed(visits, "value ~ week", patient_effects="1")
    >>> fit.coefficients.loc["week", ["estimate", "std_error", "df"]].astype(float).round(3).tolist()
    [1.979, 0.13, 7.0]
    """
    parts = fit_parts(
        data,
        fixed,
        patient=patient,
        week=week,
        patient_effects=patient_effects,
        correlated=correlated,
        residual=residual,
        method=method,
        inference=inference,
        information=information,
    )
    return MixedModel(**parts)


@dataclass(frozen=True, eq=False)
class MixedModel:
    """A fitted linear mixed model.

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

    def means(
        self,
        by: str | Sequence[str] | None = None,
        weeks: Sequence[float] | None = None,
        *,
        level: float = 0.95,
    ) -> pd.DataFrame:
        """Estimate the mean outcome at each week, by group.

        Parameters
        ----------
        by : str, sequence of str, or None
            Categories of the formula to keep apart, e.g. ``"protocol"``.
        weeks : sequence of float, or None
            Weeks; None for the weeks of the data.
        level : float
            Confidence level of each interval.

        Returns
        -------
        DataFrame
            The columns of ``by``, week, estimate, std_error, df, lower, upper, level, method, n (patients of the
            group).

        Notes
        -----
        Numbers are held at their mean over patients (over visits where they change by visit); categories not in
        ``by`` are averaged with equal weights.
        """
        return model_means(self, by, weeks, level)

    def differences(
        self,
        of: str = "protocol",
        reference: str | None = None,
        weeks: Sequence[float] | None = None,
        adjust: Adjust = "none",
        *,
        level: float = 0.95,
    ) -> pd.DataFrame:
        """Estimate the difference of each group from a reference, week by week.

        Parameters
        ----------
        of : str
            Category of the formula whose levels are compared.
        reference : str, or None
            Level to compare with; None for the first.
        weeks : sequence of float, or None
            Weeks; None for the weeks of the data.
        adjust : "none", "holm", "bonferroni" or "sidak"
            Adjustment of p values and intervals over all rows of the table (Holm: intervals as Bonferroni's).
        level : float
            Confidence level.

        Returns
        -------
        DataFrame
            The column ``of``, reference, week, estimate, std_error, df, statistic, p_value, lower, upper, level,
            method, adjust.
        """
        return model_differences(self, of, reference, weeks, adjust, level)

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

    @cached_property
    def covariance_parameters(self) -> pd.DataFrame:
        """The covariance parameters.

        Index parameter; columns part ("patient effects" or "residual"), estimate, std_error (from the information
        asked for; missing where held at a boundary), sd_or_correlation (the square root of a variance, the
        correlation of a covariance of patient effects).
        """
        return covariance_table(self)

    # Patients and rows

    @cached_property
    def coefficient_values(self) -> Array:
        """The coefficients of the kept columns as an array."""
        return np.asarray(
            np.linalg.solve(self.basis.T, self.contrasts.coefficients) * self.basis.scale, dtype=np.float64
        )

    def patient_effects(self) -> pd.DataFrame:
        """Estimate each patient's effects; see :func:`analysis.curves.patients.effects_of_patients`."""
        return effects_of_patients(self)

    def residuals(self) -> pd.DataFrame:
        """Give fitted values and residuals by visit; see :func:`analysis.curves.patients.residuals_of_visits`."""
        return residuals_of_visits(self)

    def predict(self, rows: pd.DataFrame, *, patients: bool = False, level: float = 0.95) -> pd.DataFrame:
        """Predict new rows; see :func:`analysis.curves.patients.predict_rows`."""
        return predict_rows(self, rows, patients=patients, level=level)

    def compare(self, other: MixedModel, *, bootstrap: int = 0, seed: int = 0) -> pd.DataFrame:
        """Test this fit against another, nested one; see :func:`analysis.curves.comparison.likelihood_ratio`."""
        return likelihood_ratio(self, other, bootstrap=bootstrap, seed=seed)

    def __repr__(self) -> str:
        """Describe the fit in plain text."""
        return describe(self)

    def _repr_html_(self) -> str:
        return describe_html(self)

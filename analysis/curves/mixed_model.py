"""Fit a linear mixed model to visits, and what can be asked of the fit."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property
from typing import TYPE_CHECKING, Any

import pandas as pd

from analysis.cluster import is_dask_frame
from analysis.curves.comparison import likelihood_ratio
from analysis.curves.covariances.residual_structures import Residual
from analysis.curves.description import covariance_table, summary
from analysis.curves.engine.contrasts import Adjust
from analysis.curves.engine.fitted_model import FittedModel
from analysis.curves.engine.fitting import fit_parts
from analysis.curves.engine.likelihood import Method
from analysis.curves.engine.small_sample import Inference, Information
from analysis.curves.formula.gathered import visit_moments
from analysis.curves.means import model_differences, model_means
from analysis.curves.patients import curve_of_patient, effects_of_patients, predict_rows, residuals_of_visits
from analysis.curves.rows.moments import VisitMoments
from analysis.result import Result

if TYPE_CHECKING:
    from dask.dataframe import DataFrame as DaskFrame


def fit_mixed(
    data: pd.DataFrame | VisitMoments | DaskFrame,
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
    data : DataFrame, VisitMoments or Dask DataFrame
        One row a visit; rows with a missing outcome or covariate are left out and counted in ``record.notes``. Or the
        moments of such rows (see :func:`visit_moments`): the same fit, without what needs the rows (``predict`` with
        patients, ``patient_effects``, residuals, robust inference). Of a Dask data frame they are gathered first, without a plan.
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
        visit_moments(data, fixed, patient=patient, week=week) if is_dask_frame(data) else data,
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


class MixedModel(Result, FittedModel):
    """A fitted linear mixed model, and what can be asked of it.

    Made by :func:`fit_mixed`; its parts are those of :class:`analysis.curves.engine.fitted_model.FittedModel`.
    """

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

    @cached_property
    def covariance_parameters(self) -> pd.DataFrame:
        """The covariance parameters.

        Index parameter; columns part ("patient effects" or "residual"), estimate, std_error (from the information
        asked for; missing where held at a boundary), sd_or_correlation (the square root of a variance, the
        correlation of a covariance of patient effects).
        """
        return covariance_table(self)

    # Patients and rows

    def patient_effects(self) -> pd.DataFrame:
        """Estimate each patient's effects; see :func:`analysis.curves.patients.effects_of_patients`."""
        return effects_of_patients(self)

    def residuals(self) -> pd.DataFrame:
        """Give fitted values and residuals by visit; see :func:`analysis.curves.patients.residuals_of_visits`."""
        return residuals_of_visits(self)

    def predict(self, rows: pd.DataFrame, *, patients: bool = False, level: float = 0.95) -> pd.DataFrame:
        """Predict new rows; see :func:`analysis.curves.patients.predict_rows`."""
        return predict_rows(self, rows, patients=patients, level=level)

    def expected_curve(
        self, patient: Any, weeks: Sequence[float] | None = None, *, level: float = 0.95
    ) -> pd.DataFrame:
        """Give one patient's expected curve; see :func:`analysis.curves.patients.curve_of_patient`."""
        return curve_of_patient(self, patient, weeks, level=level)

    def compare(self, other: FittedModel, *, bootstrap: int = 0, seed: int = 0) -> pd.DataFrame:
        """Test this fit against another, nested one; see :func:`analysis.curves.comparison.likelihood_ratio`."""
        return likelihood_ratio(self, other, bootstrap=bootstrap, seed=seed)

    def _headline(self) -> str:
        return f"Linear mixed model: {self.design.formula}"

    def _shown_tables(self) -> dict[str, pd.DataFrame]:
        return {"coefficients": self.coefficients, "covariance_parameters": self.covariance_parameters}

    def _shown_notes(self) -> list[str]:
        return [*summary(self), *self.record.notes]

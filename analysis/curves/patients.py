"""What the model says of single patients: their effects, residuals, predictions and expected curves."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from analysis.curves.engine.fitted_model import FittedModel
from analysis.curves.engine.patient_blocks import patient_blocks
from analysis.curves.own_curve import expected_given_visits
from analysis.curves.rows.visit_rows import VisitRows
from analysis.errors import ModelError


def rows_of(model: FittedModel, wish: str) -> VisitRows:
    """Give the rows of a fit, or say that it was made from moments."""
    if model.rows is None:
        raise ModelError(
            f"{wish} need the rows of each patient, and this fit was made from moments.",
            what_to_do="Fit the model from the data frame.",
        )
    return model.rows


def effects_of_patients(model: FittedModel) -> pd.DataFrame:
    """Estimate each patient's effects (best linear unbiased predictions).

    Parameters
    ----------
    model : FittedModel
        A fit from rows, with patient effects.

    Returns
    -------
    DataFrame
        One row a patient and effect: the patient column, effect, estimate, std_error. The standard error is that of
        estimate minus true effect, with the uncertainty of the fixed effects and without that of the covariance
        parameters (Henderson 1975, Biometrics 31(2)).
    """
    rows = rows_of(model, "Patient effects")
    _refuse_no_effects(model)
    covariance = model.optimum.likelihood.covariance
    D, A, scale = covariance.effects_matrix(model.optimum.theta), model.terms.A, model.basis.scale
    back = np.linalg.inv(model.basis.T)
    estimates, errors = [], []
    for block in patient_blocks(model.design, rows, model.basis, model.coefficient_values):
        Z = np.broadcast_to(covariance.Z, (len(model.basis.counts), *covariance.Z.shape[1:]))[block.pattern]
        N = model.optimum.N[block.pattern]
        gain = D @ Z.transpose(0, 2, 1) @ N
        estimates.append((gain @ block.residual[:, :, None])[:, :, 0] @ A.T)
        pull = gain @ block.X @ back
        variance = D - gain @ Z @ D + pull @ model.optimum.A_inverse @ pull.transpose(0, 2, 1)
        variance = A @ variance @ A.T
        errors.append(np.sqrt(np.maximum(np.einsum("ikk->ik", variance), 0.0)) * scale)
    names = list(model.terms.names)
    return pd.DataFrame(
        {
            model.design.patient: np.repeat(rows.patient_ids, len(names)),
            "effect": np.tile(names, rows.n_patients),
            "estimate": np.concatenate(estimates).ravel(),
            "std_error": np.concatenate(errors).ravel(),
        }
    )


def residuals_of_visits(model: FittedModel) -> pd.DataFrame:
    """Give fitted values and residuals of each visit used.

    Parameters
    ----------
    model : FittedModel
        A fit from rows.

    Returns
    -------
    DataFrame
        In the order of the data, one row a visit used: the patient column, week, outcome, fitted (the mean curve),
        fitted_patient (with the patient's effects), raw (outcome - fitted_patient), standardised (raw over the
        residual standard deviation), marginal (outcome - fitted), decorrelated (marginal residuals of a patient made
        independent with variance one, by the Cholesky factor of V: the ones to look at for normality).
    """
    rows = rows_of(model, "Residuals")
    here = model.optimum
    covariance = here.likelihood.covariance
    D = covariance.effects_matrix(here.theta)
    scale, patterns = model.basis.scale, len(model.basis.counts)
    V = np.broadcast_to(covariance.matrix(here.theta), (patterns, rows.slots, rows.slots))
    both = model.basis.seen[:, :, None] & model.basis.seen[:, None, :]
    root = np.linalg.cholesky(np.where(both, V, np.eye(rows.slots)))
    R = covariance.residual.matrix(here.theta[covariance.n_effects_parameters :])
    spread = np.sqrt(np.broadcast_to(np.einsum("saa->sa", R), (patterns, rows.slots))) * scale
    table = np.empty((4, len(rows.outcome)))
    for block in patient_blocks(model.design, rows, model.basis, model.coefficient_values):
        Z = np.broadcast_to(covariance.Z, (patterns, *covariance.Z.shape[1:]))[block.pattern]
        own = Z @ (D @ (Z.transpose(0, 2, 1) @ (here.N[block.pattern] @ block.residual[:, :, None])))
        free = np.linalg.solve(root[block.pattern], block.residual[:, :, None])[:, :, 0] / scale
        place = rows.patient[block.rows] - block.patients.start, rows.slot[block.rows]
        table[0, block.rows] = block.residual[place]
        table[1, block.rows] = own[:, :, 0][place]
        table[2, block.rows] = spread[block.pattern][place]
        table[3, block.rows] = free[place]
    marginal, own_effect, deviation, decorrelated = table
    frame = pd.DataFrame(
        {
            model.design.patient: rows.patient_ids[rows.patient],
            "week": rows.week,
            "outcome": rows.outcome,
            "fitted": rows.outcome - marginal,
            "fitted_patient": rows.outcome - marginal + own_effect,
            "raw": marginal - own_effect,
            "standardised": (marginal - own_effect) / deviation,
            "marginal": marginal,
            "decorrelated": decorrelated,
        }
    )
    frame.index = rows.frame.index
    return frame


def predict_rows(model: FittedModel, rows: pd.DataFrame, *, patients: bool, level: float) -> pd.DataFrame:
    """Predict the mean of new rows, with or without the effects of their patients.

    Parameters
    ----------
    model : FittedModel
        The fit.
    rows : DataFrame
        The week and covariates; with ``patients`` also the patient column, of patients that the fit has seen.
    patients : bool
        Whether to add what the model knows of the patient.
    level : float
        Confidence level.

    Returns
    -------
    DataFrame
        In the index of ``rows``: estimate, std_error, lower, upper, level, method.
    """
    if not patients:
        matrix = model.design.matrix(rows)
        table = model.contrasts.estimates(matrix, level)[["estimate", "std_error", "lower", "upper"]]
        table.index = rows.index
        return table.assign(level=level, method=model.inference)
    known = rows_of(model, "Predictions of patients")
    if model.design.patient not in rows.columns:
        raise ModelError(
            f"The rows have no column {model.design.patient!r}.",
            what_to_do="Add it, or predict with patients=False.",
        )
    parts = []
    for patient, own in rows.groupby(model.design.patient, sort=False, observed=True):
        curve = _curve(model, known, patient, own, level)
        curve.index = own.index
        parts.append(curve[["estimate", "std_error", "lower", "upper"]])
    return pd.concat(parts).loc[rows.index].assign(level=level, method="normal")


def curve_of_patient(
    model: FittedModel, patient: Any, weeks: Sequence[float] | None = None, *, level: float = 0.95
) -> pd.DataFrame:
    """Give one patient's expected curve from the visits so far.

    Parameters
    ----------
    model : FittedModel
        A fit from rows that hold the patient.
    patient : object
        The patient's id.
    weeks : sequence of float, or None
        Weeks, also later than the last visit; None for the weeks of the data. Covariates that change by visit are
        held at the patient's last.
    level : float
        Level of both intervals.

    Returns
    -------
    DataFrame
        week, observed (missing where there was no visit), estimate, std_error, lower, upper (of the patient's own
        curve), prediction_lower, prediction_upper (of a measured value), level, method.

    Notes
    -----
    The estimate is the mean curve plus what the patient's visits say through the covariance: C' V^-1 (y - X b), C
    being the covariance of the visits seen with the week wanted (Robinson 1991, Stat Sci 6(1)). With a correlated
    residual and no error apart, the curve goes through the visits seen. Intervals are normal ones with the covariance
    parameters taken as known; those of the fixed effects are in.

    Raises
    ------
    ModelError
        For a patient that the fit has not seen, or weeks outside the schedule under a structure that knows no others.

    Examples
    --------
    >>> import pandas as pd
    >>> from analysis.curves.mixed_model import fit_mixed
    >>> visits = pd.DataFrame({
    ...     "patient_id": [1, 1, 1, 2, 2, 2, 3, 3, 3, 4, 4, 4],
    ...     "week": [0, 6, 12] * 4,
    ...     "value": [50.0, 61, 75, 40, 55, 63, 48, 60, 70, 55, 62, 80],
    ... })
    >>> fit = fit_mixed(visits, "value ~ week", patient_effects="1")
    >>> fit.expected_curve(2, weeks=[26])["estimate"].round(1).tolist()
    [92.6]
    """
    rows = rows_of(model, "Expected curves")
    at = model.weeks_or_default(weeks)
    place = _place(rows, patient)
    own = rows.frame.iloc[np.flatnonzero(rows.patient == place)]
    last = own.iloc[[int(np.argmax(own[model.design.week].to_numpy()))]]
    frame = last.loc[last.index.repeat(at.size)].drop(columns=model.design.week)
    by_week = model.design.week_frame(at)
    frame = frame.drop(columns=[name for name in by_week.columns if name in frame.columns]).reset_index(drop=True)
    curve = _curve(model, rows, patient, pd.concat([frame, by_week], axis=1), level)
    observed = own.groupby(model.design.week)[model.design.outcome].mean()
    curve.insert(1, "observed", observed.reindex(at).to_numpy(dtype=np.float64))
    return curve


def _curve(model: FittedModel, rows: VisitRows, patient: Any, wanted: pd.DataFrame, level: float) -> pd.DataFrame:
    mine = np.flatnonzero(rows.patient == _place(rows, patient))
    return expected_given_visits(model, rows.frame.iloc[mine], wanted, level=level).drop(columns="prediction_error")


def _place(rows: VisitRows, patient: Any) -> int:
    places = np.flatnonzero(np.asarray(rows.patient_ids == patient))
    if not places.size:
        raise ModelError(
            f"The fit has not seen patient {patient!r}.",
            where=f"{rows.n_patients} patients, the first {rows.patient_ids[0]!r}",
            what_to_do="Name a patient of the data, or use predict with patients=False.",
        )
    return int(places[0])


def _refuse_no_effects(model: FittedModel) -> None:
    if not model.terms.names:
        raise ModelError(
            "The model has no patient effects.",
            where="patient_effects=None",
            what_to_do="Fit with patient_effects='1', or use expected_curve, which works without them.",
        )

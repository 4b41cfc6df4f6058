"""One patient's own curve, given some of the visits: also of a patient that the fit has not seen."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import special

from analysis.cohort.schedule import moment
from analysis.curves.covariances.residual_structures import STRUCTURES
from analysis.curves.engine.fitted_model import FittedModel
from analysis.curves.engine.fitting import build_covariance
from analysis.errors import ModelError


def expected_given_visits(
    model: FittedModel, seen: pd.DataFrame, wanted: pd.DataFrame, *, level: float = 0.95
) -> pd.DataFrame:
    """Give the expected curve of one patient from visits that need not be among those of the fit.

    Parameters
    ----------
    model : FittedModel
        A fit, of other patients or of these too.
    seen : DataFrame
        The patient's visits so far, one row each: outcome, week and the covariates of the formula. May have no row:
        then the curve is what the model expects of a patient of whom only the covariates are known.
    wanted : DataFrame
        One row a week wanted: week and covariates.
    level : float
        Level of both intervals.

    Returns
    -------
    DataFrame
        One row a row of ``wanted``: week, estimate, std_error (of the patient's own curve), lower, upper,
        prediction_error (standard deviation of a measured value around the estimate), prediction_lower,
        prediction_upper, level, method.

    Raises
    ------
    ModelError
        For weeks outside the schedule under a structure that knows no others, and for missing values.

    Notes
    -----
    Estimate: x b + C' V^-1 (y - X b), C being the covariance of the visits seen with the week wanted (Robinson 1991,
    Stat Sci 6(1)). Intervals are normal ones with the covariance parameters taken as known; the uncertainty of the
    coefficients is in.

    Examples
    --------
    >>> from analysis.curves.mixed_model import fit_mixed
    >>> visits = pd.DataFrame({
    ...     "patient_id": [1, 1, 1, 2, 2, 2, 3, 3, 3, 4, 4, 4],
    ...     "week": [0, 6, 12] * 4,
    ...     "value": [50.0, 61, 75, 40, 55, 63, 48, 60, 70, 55, 62, 80],
    ... })
    >>> fit = fit_mixed(visits, "value ~ week", patient_effects="1")
    >>> new = pd.DataFrame({"week": [0, 6], "value": [40.0, 50.0]})
    >>> expected_given_visits(fit, new, pd.DataFrame({"week": [26]}))["estimate"].round(1).tolist()
    [91.2]
    """
    design = model.design
    at, weeks_seen = (frame[design.week].to_numpy(dtype=np.float64) for frame in (wanted, seen))
    outcomes = seen[design.outcome].to_numpy(dtype=np.float64)
    if not (np.isfinite(outcomes).all() and np.isfinite(weeks_seen).all() and np.isfinite(at).all()):
        raise ModelError(
            "A visit of the patient has no value or no week.",
            where=f"columns {design.outcome!r} and {design.week!r}",
            what_to_do="Leave rows without a value out.",
        )
    schedule = model.moments.distinct_weeks
    both = np.concatenate([weeks_seen, at])
    strange = both[~np.isin(both, schedule)]
    if STRUCTURES[model.residual].needs_schedule and strange.size:
        raise ModelError(
            f"residual={model.residual!r} knows the weeks of the schedule only, not {moment(strange[0])}.",
            where=f"schedule: {', '.join(f'{week:g}' for week in schedule)}",
            what_to_do="Ask for scheduled weeks, or fit with residual='exponential' or patient effects.",
        )
    fitted = model.optimum.likelihood.covariance
    covariance = build_covariance(
        design, model.terms, schedule, both[None, :], model.residual, correlated=fitted.correlated
    )
    theta, scale = model.optimum.theta, model.basis.scale
    count = len(seen)
    V = covariance.matrix(theta)[0] * scale**2
    effects = V - covariance.residual.matrix(theta[covariance.n_effects_parameters :])[0] * scale**2
    N = np.linalg.inv(V[:count, :count])
    C, E = V[:count, count:], effects[:count, count:]
    kept = model.basis.kept
    X = design.matrix(seen)[:, kept] if count else np.zeros((0, len(kept)))
    x = design.matrix(wanted)[:, kept]
    estimate = x @ model.coefficient_values + C.T @ N @ (outcomes - X @ model.coefficient_values)
    back = np.linalg.inv(model.basis.T)
    Phi = back @ model.optimum.A_inverse @ back.T * scale**2
    pull = x - C.T @ N @ X
    fixed = np.einsum("ij,jk,ik->i", pull, Phi, pull)
    own = np.diag(effects)[count:] - np.einsum("ij,ik,kj->j", E, N, E)
    whole = np.diag(V)[count:] - np.einsum("ij,ik,kj->j", C, N, C)
    error = np.sqrt(np.maximum(fixed + own, 0.0))
    around = np.sqrt(np.maximum(fixed + whole, 0.0))
    z = float(special.ndtri(0.5 + level / 2.0))
    return pd.DataFrame(
        {
            "week": at,
            "estimate": estimate,
            "std_error": error,
            "lower": estimate - z * error,
            "upper": estimate + z * error,
            "prediction_error": around,
            "prediction_lower": estimate - z * around,
            "prediction_upper": estimate + z * around,
            "level": level,
            "method": "normal",
        }
    )

"""A fit in words and tables: what a notebook or terminal shows of it."""

from __future__ import annotations

import numpy as np
import pandas as pd

from analysis.curves.engine.fitted_model import FittedModel


def covariance_table(model: FittedModel) -> pd.DataFrame:
    """Give the covariance parameters in the outcome's units: part, estimate, std_error, sd_or_correlation by parameter."""
    covariance = model.optimum.likelihood.covariance
    theta, skip = model.optimum.theta, covariance.n_effects_parameters
    D = model.patient_covariance.to_numpy()
    rows, columns = covariance.places
    labels = model.terms.parameter_names(covariance.places)
    spread = np.sqrt(np.diag(D))
    with np.errstate(divide="ignore", invalid="ignore"):
        shown = [spread[a] if a == b else D[a, b] / (spread[a] * spread[b]) for a, b in zip(rows, columns, strict=True)]
    units = covariance.residual.units(model.basis.scale)
    residual = theta[skip:] * units
    with np.errstate(invalid="ignore"):  # a variance under zero, in a fit that did not converge, has no SD
        shown_residual = [
            np.sqrt(value) if "variance" in name else value if "correlation" in name else np.nan
            for name, value in zip(covariance.residual.names, residual, strict=True)
        ]
    return pd.DataFrame(
        {
            "part": ["patient effects"] * skip + ["residual"] * len(residual),
            "estimate": np.concatenate([D[rows, columns], residual]),
            "std_error": _errors(model, units),
            "sd_or_correlation": np.array([*shown, *shown_residual], dtype=np.float64),
        },
        index=pd.Index([*labels, *covariance.residual.names], name="parameter"),
    )


def _errors(model: FittedModel, units: np.ndarray) -> np.ndarray:
    """Carry the covariance of theta from the working to the user's effects; missing at a boundary."""
    covariance = model.optimum.likelihood.covariance
    skip = covariance.n_effects_parameters
    errors = np.full(covariance.size, np.nan)
    active, W = model.small_sample.active, model.small_sample.theta_covariance
    if model.small_sample.evaluation.likelihood.covariance.size != covariance.size:
        own = model.small_sample.evaluation.likelihood.covariance.n_effects_parameters
        for place, number in enumerate(active):
            if number >= own:
                errors[skip + number - own] = np.sqrt(W[place, place]) * units[number - own]
        return errors
    change = np.zeros((covariance.size, covariance.size))
    rows, columns = covariance.places
    A = model.terms.A * model.basis.scale
    for k in range(skip):
        unit = np.zeros(covariance.size)
        unit[k] = 1.0
        change[:skip, k] = (A @ covariance.effects_matrix(unit) @ A.T)[rows, columns]
    change[range(skip, covariance.size), range(skip, covariance.size)] = units
    part = change[:, active]
    with np.errstate(invalid="ignore"):
        errors = np.sqrt(np.einsum("ij,jk,ik->i", part, W, part))
    errors[np.setdiff1d(np.arange(covariance.size), active)] = np.nan
    return errors


def summary(model: FittedModel) -> list[str]:
    """Say what was fitted to how many, how it went and how uncertainty was reckoned, a line each."""
    effects = " + ".join(model.terms.names) or "none"
    fit = "converged" if model.converged else "DID NOT CONVERGE"
    if model.boundary:
        fit += ", at the boundary"
    methods = {"reml": "restricted maximum likelihood", "ml": "maximum likelihood"}
    criteria = f"criterion {model.criterion:.4f}, AIC {model.aic:.2f}, BIC {model.bic:.2f}"
    return [
        f"{model.n_patients} patients, {model.n_visits} visits; patient effects: {effects}; residual: {model.residual}",
        f"{methods[model.method]}: {fit} after {model.record.evaluations} evaluations; {criteria}",
        f"Intervals 95 %, inference: {model.inference}, {model.information} information",
    ]

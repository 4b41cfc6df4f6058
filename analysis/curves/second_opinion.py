"""The same model through another program, side by side."""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from analysis.curves.mixed_model import MixedModel
from analysis.curves.patients import rows_of
from analysis.errors import ModelError
from analysis.result import ResultWithNotes

_MOST_VISITS = 3_000
"""Generalised least squares there builds a visits-by-visits matrix."""


@dataclass(frozen=True, repr=False)
class SecondOpinion(ResultWithNotes):
    """Two programs on one model.

    Attributes
    ----------
    table : DataFrame
        Index quantity; columns kneecurve, statsmodels, relative_difference (of the larger of the two).
    largest_relative_difference : float
        The largest of that column.
    program : str
        The other program, its version and the method used there.
    """

    table: pd.DataFrame
    largest_relative_difference: float
    program: str

    def _headline(self) -> str:
        return f"{self.program}; largest relative difference {self.largest_relative_difference:.2g}"


def second_opinion(model: MixedModel) -> SecondOpinion:
    """Fit the same model with statsmodels and set the numbers side by side.

    Parameters
    ----------
    model : MixedModel
        A fit from rows. With an independent residual statsmodels fits the whole model itself (MixedLM; ordinary least
        squares without patient effects). It has no other residual structure: there its generalised least squares
        takes our covariance of the visits (up to 3,000) and estimates coefficients, standard errors and, under ML,
        the likelihood.

    Returns
    -------
    SecondOpinion

    Raises
    ------
    ModelError
        Where statsmodels cannot fit the model, or the fit was made from moments.

    Notes
    -----
    Standard errors are compared before the small-sample adjustment, which statsmodels does not have. MixedLM may stop
    short of the optimum; a criterion of its own that is larger than ours means that ours is the better fit.
    """
    import statsmodels
    import statsmodels.api

    rows = rows_of(model, "Second opinions")
    X = model.design.matrix(rows.frame)[:, model.basis.kept]
    back = np.linalg.inv(model.basis.T)
    Phi = back @ model.small_sample.model_covariance @ back.T * model.basis.scale**2
    ours = _labelled(model, model.coefficient_values, np.sqrt(np.diag(Phi)))
    ours["criterion"] = model.criterion
    notes: list[str] = []
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        try:
            if model.residual == "independent" and model.terms.names:
                program, theirs = _mixed(model, X, ours)
            elif model.residual == "independent":
                program, theirs = _ordinary(model, X, statsmodels.api.OLS(rows.outcome, X).fit())
            else:
                program, theirs = _generalised(model, X)
        except (np.linalg.LinAlgError, ValueError) as error:
            raise ModelError(
                f"statsmodels cannot fit this model: {error}",
                where=model.design.formula,
                what_to_do="Ask for a second opinion on a model with fewer patient effects.",
            ) from error
    notes.extend(dict.fromkeys(str(warning.message).split("\n")[0] for warning in caught))
    table = pd.DataFrame({"kneecurve": ours, "statsmodels": theirs}).dropna()
    table = table.loc[[name for name in ours if name in table.index]]
    size = table.abs().max(axis=1).where(lambda values: values > 0.0, 1.0)
    table["relative_difference"] = (table["kneecurve"] - table["statsmodels"]).abs() / size
    table.index.name = "quantity"
    return SecondOpinion(
        table,
        float(table["relative_difference"].max()),
        f"statsmodels {statsmodels.__version__}, {program}",
        notes=tuple(notes),
    )


def _labelled(model: MixedModel, values: Any, errors: Any) -> dict[str, float]:
    names = model.basis.names
    labelled = {name: float(value) for name, value in zip(names, values, strict=True)}
    labelled.update({f"std_error of {name}": float(error) for name, error in zip(names, errors, strict=True)})
    return labelled


def _mixed(model: MixedModel, X: np.ndarray, ours: dict[str, float]) -> tuple[str, dict[str, float]]:
    import statsmodels.api

    rows = rows_of(model, "Second opinions")
    weeks = model.design.week_frame(rows.week)
    Z = model.terms.columns(weeks)
    mixed = statsmodels.api.MixedLM(rows.outcome, X, groups=rows.patient, exog_re=Z)
    free = None
    count = Z.shape[1]
    if not model.optimum.likelihood.covariance.correlated:
        from statsmodels.regression.mixed_linear_model import MixedLMParams

        free = MixedLMParams.from_components(np.ones(X.shape[1]), np.eye(count))
    fit = mixed.fit(reml=model.method == "reml", method=["bfgs", "lbfgs", "cg"], free=free)
    theirs = _labelled(model, fit.fe_params, fit.bse_fe)
    theirs["criterion"] = -2.0 * float(fit.llf)
    D = np.atleast_2d(np.asarray(fit.cov_re))
    covariance = model.optimum.likelihood.covariance
    table = model.covariance_parameters
    for place, (a, b) in enumerate(zip(*covariance.places, strict=True)):
        ours[str(table.index[place])] = float(table["estimate"].iloc[place])
        theirs[str(table.index[place])] = float(D[a, b])
    ours["residual variance"] = float(table["estimate"].iloc[-1])
    theirs["residual variance"] = float(fit.scale)
    return f"MixedLM{'' if fit.converged else ' (it says that it did not converge)'}", theirs


def _ordinary(model: MixedModel, X: np.ndarray, fit: Any) -> tuple[str, dict[str, float]]:
    rows, columns = X.shape
    ratio = 1.0 if model.method == "reml" else np.sqrt((rows - columns) / rows)
    theirs = _labelled(model, fit.params, np.asarray(fit.bse) * ratio)
    if model.method == "ml":
        theirs["criterion"] = -2.0 * float(fit.llf)
    return "OLS", theirs


def _generalised(model: MixedModel, X: np.ndarray) -> tuple[str, dict[str, float]]:
    import statsmodels.api

    rows = rows_of(model, "Second opinions")
    if len(rows.outcome) > _MOST_VISITS:
        raise ModelError(
            f"statsmodels would need a matrix of {len(rows.outcome)} by {len(rows.outcome)} visits.",
            where=f"residual={model.residual!r}",
            what_to_do=f"Ask for a second opinion on a sample of at most {_MOST_VISITS} visits.",
        )
    from analysis.curves.rows.moment_sums import visit_patterns

    covariance = model.optimum.likelihood.covariance
    pattern = visit_patterns(rows)[1]
    V = covariance.matrix(model.optimum.theta) * model.basis.scale**2
    V = np.broadcast_to(V, (len(model.basis.counts), *V.shape[1:]))
    whole = np.zeros((len(rows.outcome), len(rows.outcome)))
    for patient in range(rows.n_patients):
        mine = np.flatnonzero(rows.patient == patient)
        whole[np.ix_(mine, mine)] = V[pattern[patient]][np.ix_(rows.slot[mine], rows.slot[mine])]
    fit = statsmodels.api.GLS(rows.outcome, X, sigma=whole).fit()
    theirs = _labelled(model, fit.params, np.asarray(fit.bse) / np.sqrt(fit.scale))
    return "GLS at our covariance", theirs

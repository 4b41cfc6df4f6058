"""Difference of responder shares adjusted for baseline covariates: standardisation from a logistic model."""

import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import expit, ndtri

from analysis.cohort.tables import Cohort
from analysis.counted import form
from analysis.curves.covariates import adjusted_in_words
from analysis.errors import ModelError
from analysis.outcomes.change.change import with_covariates
from analysis.outcomes.endpoint import Endpoint
from analysis.outcomes.missing.completed_data import covariate_columns
from analysis.result import ResultWithNotes
from analysis.statistics.combined_limits import model_difference, share_limits
from analysis.statistics.proportions import add_number_needed

STANDARDISED = "standardised logistic model, score limits"
_COMPARED = "standardised logistic model, score limits combined (MOVER)"


class Counted(Protocol):
    """What is adjusted: patients with protocol, baseline and responder, by an endpoint, against a reference."""

    @property
    def endpoint(self) -> Endpoint:
        """What was counted."""

    @property
    def reference(self) -> str:
        """The protocol compared with."""

    @property
    def patients(self) -> pd.DataFrame:
        """A row a patient."""


@dataclass(frozen=True, eq=False, repr=False)
class AdjustedDifference(ResultWithNotes):
    """Responder shares and differences standardised over the covariates of all patients analysed.

    Attributes
    ----------
    covariates : tuple of str
        What was adjusted for.
    table : pandas.DataFrame
        protocol, n, share (standardised), std_error, lower, upper, level, method.
    differences : pandas.DataFrame
        protocol, reference, n, reference_n, difference, std_error, lower, upper, level, method, and the number needed to
        treat as in :class:`analysis.outcomes.responders.responders.Responders`.
    """

    covariates: tuple[str, ...]
    table: pd.DataFrame
    differences: pd.DataFrame

    def _headline(self) -> str:
        return f"Responders, adjusted for {adjusted_in_words(self.covariates) or 'nothing'}"


def adjusted_difference(
    cohort: Cohort, found: Counted, *, covariates: Sequence[str] = ("baseline",)
) -> AdjustedDifference:
    """Adjust a difference of responder shares for baseline covariates.

    Parameters
    ----------
    cohort : Cohort
        The cohort that ``found`` was made from.
    found : Responders
        The responder analysis; its endpoint holds.
    covariates : sequence of str
        "baseline" (of the measure) and columns of the patients; chosen beforehand, not for their p-values.

    Returns
    -------
    AdjustedDifference
        Standardised shares and differences: what the shares would be if every patient analysed had had each protocol.

    Raises
    ------
    ModelError
        A covariate is not known, or says the same as others.

    Notes
    -----
    Logistic model of the response on protocol and covariates (statsmodels); predictions for every patient under every
    protocol are averaged (standardisation; Ge et al., Drug Inf J 2011;45:481). The error comes from the influence
    function, so it holds where the model is wrong and takes the sampling of covariates in (Ye et al., 2023), times
    n / (n - parameters). Limits of a share are score limits with the effective size that this error stands for; those of
    both shares are combined for the difference, with their correlation (:mod:`analysis.statistics.combined_limits`), so
    they stay between -1 and 1. The difference is marginal, comparable with the unadjusted one; the odds ratio is not.

    Examples
    --------
    >>> from analysis.outcomes import responders
    >>> from synthetic_cohort import generate_cohort
    >>> cohort = generate_cohort(patients=120, seed=1).observed
    >>> adjusted = adjusted_difference(cohort, responders(cohort, "pain", week=26))
    >>> adjusted.differences["reference"].unique().tolist()
    ['exercise only']
    """
    level = found.endpoint.level
    counted = found.patients[["patient_id", "protocol", "baseline", "responder"]]
    patients = with_covariates(cohort, found.endpoint, counted, covariates)
    known = patients.dropna(subset=["responder", *covariates]).reset_index(drop=True)
    notes = [
        f"Logistic model of the response on protocol and {adjusted_in_words(covariates) or 'nothing else'}.",
        "Predictions under each protocol are averaged over all patients analysed.",
    ]
    left_out = int(patients["responder"].notna().sum()) - len(known)
    if left_out:
        notes.append(f"Without a covariate, {left_out} {form(left_out, 'patient')} {form(left_out, 'is')} left out.")
    names = [str(name) for name in patients["protocol"].cat.categories]
    counts = known["protocol"].value_counts()
    empty = [name for name in names if not counts.get(name, 0)]
    shares = covariance = None
    if empty or not len(known):
        notes.append(f"No adjusted share: nobody was analysed in {', '.join(empty)}.")
    else:
        try:
            shares, covariance = standardise(
                known["responder"].to_numpy(dtype=float),
                known["protocol"].astype("str"),
                names,
                known[list(covariates)],
            )
        except _NoFitError as error:
            notes.append(f"No adjusted share: {error}")
    return AdjustedDifference(
        covariates=tuple(covariates),
        table=_share_table(names, counts, shares, covariance, level),
        differences=_difference_table(names, counts, found.reference, shares, covariance, level),
        notes=tuple(notes),
    )


class _NoFitError(Exception):
    """The logistic model has no finite optimum."""


def standardise(
    response: NDArray[np.float64], protocol: pd.Series, protocols: Sequence[str], covariates: pd.DataFrame
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Give the standardised share of each protocol and the covariance matrix of the shares.

    Raises
    ------
    ModelError
        A covariate says the same as others.

    Examples
    --------
    >>> response = np.array([1.0, 0, 0, 1, 1, 0])
    >>> protocol = pd.Series(["a", "a", "a", "b", "b", "b"])
    >>> share, _ = standardise(response, protocol, ["a", "b"], pd.DataFrame(index=protocol.index))
    >>> share.round(3).tolist()
    [0.333, 0.667]
    """
    from statsmodels.genmod.families import Binomial
    from statsmodels.genmod.generalized_linear_model import GLM

    own = covariate_columns(covariates)
    arms = np.array([protocol == name for name in protocols], dtype=float).T
    design = np.column_stack([arms, own])
    if np.linalg.matrix_rank(design) < design.shape[1]:
        raise ModelError(
            "The covariates say the same thing twice.",
            where=f"covariates: {', '.join(str(name) for name in covariates)}",
            what_to_do="Leave one of them out.",
        )
    n, p = design.shape
    separated = _NoFitError("in some group nobody or everybody responded, so the logistic model has no finite optimum.")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            beta = GLM(response, design, family=Binomial()).fit(maxiter=50, tol=1e-10).params
    except (Warning, ArithmeticError, ValueError, np.linalg.LinAlgError) as error:
        raise separated from error
    if np.abs(design @ beta).max() > 15:
        raise separated
    chance = expit(design @ beta)
    score = design * (response - chance)[:, None]
    bread = np.linalg.inv((design * (chance * (1 - chance))[:, None]).T @ design / n)
    shares, influence = np.empty(len(protocols)), np.empty((n, len(protocols)))
    for k in range(len(protocols)):
        under = design.copy()
        under[:, : len(protocols)] = np.eye(len(protocols))[k]
        predicted = expit(under @ beta)
        slope = (under * (predicted * (1 - predicted))[:, None]).mean(axis=0)
        shares[k] = predicted.mean()
        influence[:, k] = predicted - shares[k] + score @ bread @ slope
    return shares, influence.T @ influence / n / max(n - p, 1)


def _share_table(names: list[str], counts: pd.Series, shares: Any, covariance: Any, level: float) -> pd.DataFrame:
    nothing = np.full(len(names), np.nan)
    share = nothing if shares is None else shares
    error = nothing if covariance is None else np.sqrt(np.diag(covariance))
    lower, upper = share_limits(share, share * (1 - share) / error**2, quantile=float(ndtri((1 + level) / 2)))
    table = pd.DataFrame({"protocol": names, "n": [int(counts.get(name, 0)) for name in names]})
    table = table.assign(share=share, std_error=error, lower=lower, upper=upper)
    return table.assign(level=level, method=STANDARDISED)


def _difference_table(
    names: list[str], counts: pd.Series, reference: str, shares: Any, covariance: Any, level: float
) -> pd.DataFrame:
    base = names.index(reference)
    rows = []
    for k, name in enumerate(names):
        if k == base:
            continue
        pair = [k, base]
        found = (
            (np.nan,) * 4
            if shares is None
            else model_difference(shares[pair], covariance[np.ix_(pair, pair)], level=level)
        )
        rows.append(
            (name, reference, int(counts.get(name, 0)), int(counts.get(reference, 0)), *found, level, _COMPARED)
        )
    columns = [
        "protocol", "reference", "n", "reference_n", "difference", "std_error", "lower", "upper", "level", "method",
    ]  # fmt: skip
    return add_number_needed(pd.DataFrame(rows, columns=columns))

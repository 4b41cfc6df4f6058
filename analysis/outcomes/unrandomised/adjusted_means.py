"""Means and differences of one value a patient, among patients who were not randomised."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import get_args

import numpy as np
import pandas as pd

from analysis.counted import counted, form
from analysis.errors import ModelError, check_choice
from analysis.outcomes.unrandomised.balance_weights import BalanceWeights, Weighed, weigh
from analysis.outcomes.unrandomised.estimated import ErrorsBy, errors_in_words, estimated_tables, spread_within
from analysis.result import ResultWithNotes
from analysis.statistics.mean_interval import compare_means, describe_by
from analysis.statistics.proportions import check_level
from analysis.statistics.weighting.outcome_rows import OutcomeRows, least_squares_rows
from analysis.statistics.weighting.tilted_means import TiltedMeans, Way

#: Patients of every protocol for each column, from which the outcome model has slopes of its own in each (design choice).
PATIENTS_PER_INTERACTION = 10
NOT_RANDOMISED = (
    "Nobody was randomised: a difference is associated with the protocol after balancing the listed covariates, and assumes that "
    "nothing unlisted went with both the choice and the outcome."
)


@dataclass(frozen=True, eq=False, repr=False)
class AdjustedMeans(ResultWithNotes):
    """Means of protocols in one target, and their differences.

    Attributes
    ----------
    outcome : str
        The column.
    target, method, errors : str
        As asked for.
    differences : pandas.DataFrame
        protocol, reference (the first protocol), estimate, std_error, df, statistic, p_value, p_holm (over all rows), lower,
        upper, sandwich_error, e_value, e_value_limit, level, method.
    means : pandas.DataFrame
        protocol, n, ess (of the weights), estimate, std_error, df, lower, upper, level, method.
    crude : pandas.DataFrame
        protocol, reference, n, reference_n, estimate, std_error, df, lower, upper, level: without any adjustment, by Welch.
    weighting : BalanceWeights
        Scores, weights and balance.
    """

    outcome: str
    target: str
    method: Way
    errors: ErrorsBy
    differences: pd.DataFrame
    means: pd.DataFrame
    crude: pd.DataFrame
    weighting: BalanceWeights

    def _headline(self) -> str:
        n = len(self.weighting.weights)
        return f"{self.outcome} by protocol, {counted(n, 'patient')} who were not randomised, target {self.target}"


def adjusted_means(
    data: pd.DataFrame,
    outcome: str,
    protocol: str,
    covariates: Sequence[str],
    *,
    target: str = "overlap",
    method: Way = "aipw",
    errors: ErrorsBy = "jackknife",
    level: float = 0.95,
) -> AdjustedMeans:
    """Compare a value between protocols, among patients made alike by what was known before the start.

    Parameters
    ----------
    data : DataFrame
        One row a patient.
    outcome, protocol : str
        Columns of the value and of the protocol.
    covariates, target
        As of :func:`balance_weights`.
    method : {"aipw", "weights", "model"}
        Weights and outcome model together, which is right where either is; the weights alone; or the outcome model alone,
        standardised over the target.
    errors : {"jackknife", "sandwich"}
        Which standard errors limits are made of; the sandwich is given beside in any case.
    level : float
        Confidence level.

    Returns
    -------
    AdjustedMeans
        Means and differences in the unit of the outcome.

    Raises
    ------
    ModelError
        As of :func:`balance_weights`; the weights stand for too few patients (fewer than 20 in a protocol, one patient with more
        than a fifth of the weight, too little overlap); the outcome is no number; or the models hang on single patients. Where
        balance alone is not reached, a note says so.

    Notes
    -----
    Patients without the outcome are left out before the scores are fitted, which a note says. The outcome model is least
    squares, with slopes of its own in each protocol where it has ten patients or more a column, otherwise with common slopes.
    Standard error: jackknife over patients with one Newton step of the scores; of 614 patients it lay within 0.4 % of that of
    614 fits. In samples of 120 the sandwich error was too small (coverage 87 to 94 %), the jackknife's was not (94 to 98 %).
    E-values: VanderWeele & Ding, Ann Intern Med 2017;167:268, of the difference in standard deviations of the
    outcome within protocols.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> patients = generate_cohort(patients=200, seed=1).observed.patients
    >>> found = adjusted_means(patients, "body_mass_kg", "protocol", ["age_years", "sex"])
    >>> found.differences["reference"].unique().tolist()
    ['exercise only']
    """
    check_level(level)
    check_choice(method, get_args(Way), "method", error=ModelError)
    check_choice(errors, get_args(ErrorsBy), "kind of errors", error=ModelError)
    known, lost = _with_outcome(data, outcome)
    weighed = weigh(known, protocol, covariates, target=target, apart=(outcome,))
    for one in weighed.refusals:
        if one.of == "patients":
            raise one.error()
    values = known.loc[known[protocol].notna(), outcome].to_numpy(dtype=np.float64)
    rows, own_slopes = _least_squares(weighed, values)
    tilted = TiltedMeans(weighed.scores, rows, weighed.target, method)
    names = weighed.names
    means, differences = estimated_tables(
        tilted,
        names,
        base=0,
        errors=errors,
        level=level,
        spread=np.array([spread_within(values, weighed.scores.codes)]),
    )
    overlap = weighed.result.overlap
    means = means.assign(n=overlap["n"], ess=overlap["ess"])
    means = means[["protocol", "n", "ess", *[one for one in means if one not in ("protocol", "n", "ess")]]]
    described = describe_by(
        pd.DataFrame({"protocol": weighed.protocol.to_numpy(), "value": values}), ["protocol"], "value", level=level
    )
    return AdjustedMeans(
        outcome=outcome,
        target=target,
        method=method,
        errors=errors,
        differences=differences,
        means=means,
        crude=compare_means(described, names[0], level=level),
        weighting=weighed.result,
        notes=(
            NOT_RANDOMISED,
            *errors_in_words(differences),
            *(
                [f"Without a value of {outcome}, {counted(lost, 'patient')} {form(lost, 'is')} left out."]
                if lost
                else []
            ),
            *([] if method == "weights" else [_slopes_in_words(own_slopes)]),
            *weighed.result.notes,
        ),
    )


def _with_outcome(data: pd.DataFrame, outcome: str) -> tuple[pd.DataFrame, int]:
    if outcome not in data or not pd.api.types.is_numeric_dtype(data[outcome]):
        raise ModelError(
            f"There is no column of numbers {outcome!r} to compare.",
            where=f"columns: {', '.join(str(one) for one in data.columns)}",
            what_to_do="Name a column of numbers, one value a patient.",
        )
    there = pd.Series(np.isfinite(data[outcome].to_numpy(dtype="float64", na_value=np.nan)), index=data.index)
    return data[there], int((~there).sum())


def _least_squares(weighed: Weighed, values: np.ndarray) -> tuple[OutcomeRows, bool]:
    """Fit the outcome; slopes of their own in each protocol where there are enough patients."""
    design, codes, groups = weighed.scores.design, weighed.scores.codes, weighed.scores.groups
    columns = design.shape[1] - 1
    own = bool(np.bincount(codes, minlength=groups).min() >= PATIENTS_PER_INTERACTION * columns)
    arms = np.eye(groups)

    def rows_under(member: np.ndarray) -> np.ndarray:
        if own:
            return np.asarray((member[:, :, None] * design[:, None, :]).reshape(len(design), -1))
        return np.column_stack([member, design[:, 1:]])

    under = np.stack([rows_under(np.broadcast_to(arms[k], (len(design), groups))) for k in range(groups)])
    whole = rows_under(arms[codes])
    if np.linalg.matrix_rank(whole) < whole.shape[1]:
        raise ModelError(
            "Within a protocol the covariates say the same thing twice, so the outcome cannot be modelled.",
            where=f"{columns} columns of covariates, patients by protocol: "
            + ", ".join(
                f"{name} {n}" for name, n in zip(weighed.names, np.bincount(codes, minlength=groups), strict=True)
            ),
            what_to_do='Name fewer covariates, merge labels, or use method="weights".',
        )
    return least_squares_rows(values, whole, under), own


def _slopes_in_words(own: bool) -> str:
    if own:
        return "Outcome model: least squares, slopes of the covariates of its own in each protocol."
    return (
        "Outcome model: least squares, slopes of the covariates common to the protocols, since one has fewer than "
        f"{PATIENTS_PER_INTERACTION} patients for each column."
    )

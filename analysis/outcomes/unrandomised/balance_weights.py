"""Scores, weights and balance of patients who were not randomised, from a table with one row each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.cohort.reference import used_protocols
from analysis.counted import counted, form
from analysis.errors import ModelError
from analysis.outcomes.unrandomised.balance_tables import (
    balance_table,
    outside_common_range,
    overlap_table,
    target_table,
)
from analysis.outcomes.unrandomised.baseline_columns import BaselineColumns, baseline_columns
from analysis.outcomes.unrandomised.refusals import Refusal, cautions_of, refusals_of, refuse_few
from analysis.result import ResultWithNotes
from analysis.statistics.weighting.multinomial_scores import GroupScores, fit_group_scores
from analysis.statistics.weighting.tilting import Target, largest_tilt, tilt, weights_of

TARGETS = ("overlap", "everybody", "matching")
_ADVICE = "Name columns of the table, known before the protocol began."


@dataclass(frozen=True, eq=False, repr=False)
class BalanceWeights(ResultWithNotes):
    """Weights that make the patients of each protocol like those of one target.

    Attributes
    ----------
    protocols : tuple of str
        In the order of the data.
    target : str
        "overlap", "everybody", "matching", or the protocol whose patients are meant.
    covariates : tuple of str
        As asked for.
    scores : pandas.DataFrame
        One row a patient, in the index of the data: the chance of each protocol given the covariates, a column each.
    weights : pandas.Series
        One a patient, in the same index: the target's tilting function over the score of the protocol that the patient had.
    given : pandas.Series
        The protocol that each patient had, in the same index.
    overlap : pandas.DataFrame
        protocol, n, ess (how many equally weighted patients the weights stand for), largest_share (of one patient in the
        weight of the protocol), lowest_score, highest_score (of that protocol, over all patients).
    balance : pandas.DataFrame
        covariate, term ("value", "squared" around the mean, or a label), pair (the first less the second), smd_before,
        smd_after (standardised differences, both divided by the standard deviation before), variance_ratio_before,
        variance_ratio (after; of numbers only).
    target_patients : pandas.DataFrame
        covariate, term, protocol ("all", or one), n, mean, weighted_mean (of all by the tilting function, which is the target
        itself; of a protocol by the weights): who the comparison speaks of.
    coefficients : pandas.DataFrame
        protocol, term, estimate, std_error: of the multinomial logistic model, each protocol against the first.
    mean_overlap : float
        Mean of the overlap weights' tilting function over its largest value, whatever the target; of two protocols the mean of
        4 e (1 - e).
    refusals : pandas.DataFrame
        of ("patients", "weights" or "balance"), what, where, what_to_do: why :func:`observational_comparison` refuses to compare
        with such weights; empty where it does not. :func:`adjusted_means` refuses where there are too few patients only.
    """

    protocols: tuple[str, ...]
    target: str
    covariates: tuple[str, ...]
    overlap: pd.DataFrame
    balance: pd.DataFrame
    target_patients: pd.DataFrame
    coefficients: pd.DataFrame
    mean_overlap: float
    refusals: pd.DataFrame
    scores: pd.DataFrame
    weights: pd.Series
    given: pd.Series

    def _shown_tables(self) -> dict[str, pd.DataFrame]:
        return {"overlap": self.overlap, "balance": self.balance, "target_patients": self.target_patients}

    def _headline(self) -> str:
        head = f"Weights of {counted(len(self.weights), 'patient')} who were not randomised, target {self.target}"
        why = len(self.refusals)
        return head + (f"; not good enough to compare recovery, for {counted(why, 'reason')}" if why else "")


@dataclass(frozen=True, eq=False)
class Weighed:
    """What the public result and the comparisons are made from."""

    protocol: pd.Series
    columns: BaselineColumns
    scores: GroupScores
    target: Target | int
    weights: NDArray[np.float64]
    result: BalanceWeights
    refusals: tuple[Refusal, ...]

    @property
    def names(self) -> tuple[str, ...]:
        """The protocols."""
        return self.result.protocols


def balance_weights(
    data: pd.DataFrame, protocol: str, covariates: Sequence[str], *, target: str = "overlap"
) -> BalanceWeights:
    """Weight patients who were not randomised, so that each protocol's are alike in what was known before the start.

    Parameters
    ----------
    data : DataFrame
        One row a patient.
    protocol : str
        The column of the protocol; two or more.
    covariates : sequence of str
        Columns: numbers enter as straight lines, labels (sites too) as indicators, ``"spline(age_years)"`` as a natural cubic
        spline of three columns. All must have been known before the protocol began.
    target : {"overlap", "everybody", "matching"} or a protocol's name
        Whom the weighted patients are like: those for whom each protocol was likely, everybody, those whom matching would
        keep, or those of one protocol.

    Returns
    -------
    BalanceWeights
        Scores, weights, balance and overlap; where a comparison of recovery with them is refused, ``refusals`` and the notes say
        why.

    Raises
    ------
    ModelError
        There is one protocol, or one of fewer than 10 patients; a patient has two rows; a covariate is not known, constant, or
        says what others say; a protocol has nobody of a label; the covariates tell the protocol for certain; or the target is not known.

    Notes
    -----
    Scores by multinomial logistic regression (maximum likelihood). Weights: Li, Morgan & Zaslavsky, J Am Stat Assoc
    2018;113:390; Li & Li, Ann Appl Stat 2019;13:2389. Standardised differences: Austin, Stat Med 2009;28:3083. With two
    protocols overlap weights make the means of the covariates equal; they need not make the spreads so.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> patients = generate_cohort(patients=200, seed=1).observed.patients
    >>> found = balance_weights(patients, "protocol", ["age_years", "sex"])
    >>> bool((found.balance.query("term == 'value'")["smd_after"].abs() < 0.05).all())
    True
    """
    return weigh(data, protocol, covariates, target=target).result


def weigh(
    data: pd.DataFrame,
    protocol: str,
    covariates: Sequence[str],
    *,
    target: str,
    apart: Sequence[str] = (),
    advice: str = _ADVICE,
    shown: Sequence[str] | None = None,
) -> Weighed:
    """Fit the scores and lay out what follows; ``shown`` are the covariates as a reader named them.

    Patients without a protocol are left out, which a note says; errors as of :func:`balance_weights`.
    """
    if protocol not in data:
        raise ModelError(
            f"There is no column {protocol!r} of the protocol.",
            where=f"columns: {', '.join(str(one) for one in data.columns)}",
            what_to_do="Name the column that says which protocol each patient had.",
        )
    if "patient_id" in data and data["patient_id"].duplicated().any():
        raise ModelError(
            "The table has more than one row of a patient.",
            where=f"{counted(int(data['patient_id'].duplicated().sum()), 'row')} with a patient_id seen above",
            what_to_do="Give one row a patient; for visits use observational_comparison.",
        )
    nameless = int(data[protocol].isna().sum())
    patients = data[data[protocol].notna()]
    given = used_protocols(patients[protocol])
    given = given.cat.rename_categories([str(one) for one in given.cat.categories])
    refuse_few(given)
    names = tuple(str(one) for one in given.cat.categories)
    meant = _target(target, names)
    columns = baseline_columns(patients, covariates, given, apart=(protocol, "patient_id", *apart), advice=advice)
    codes = np.asarray(given.cat.codes, dtype=np.intp)
    scores = fit_group_scores(columns.matrix, codes, len(names))
    amount = tilt(scores.chances, meant)
    weights = weights_of(amount, scores.chances, codes)
    overlap = overlap_table(codes, weights, scores.chances, names)
    balance = balance_table(columns.balanced, codes, weights, names)
    mean_overlap = float(tilt(scores.chances, "overlap").mean() / largest_tilt("overlap", len(names)))
    outside = outside_common_range(codes, scores.chances)
    labels = patients["patient_id"] if "patient_id" in patients else patients.index.to_series()
    found = refusals_of(
        overlap,
        balance,
        target=target,
        mean_overlap=mean_overlap,
        outside=[str(one) for one in labels.to_numpy()[outside]],
    )
    result = BalanceWeights(
        protocols=names,
        target=target,
        covariates=tuple(covariates if shown is None else shown),
        overlap=overlap,
        balance=balance,
        target_patients=target_table(columns.balanced, codes, weights, amount, names),
        coefficients=_coefficients(scores, columns, names),
        mean_overlap=mean_overlap,
        refusals=pd.DataFrame(
            [(one.of, one.what, one.where, one.what_to_do) for one in found],
            columns=["of", "what", "where", "what_to_do"],
        ),
        scores=pd.DataFrame(scores.chances, index=patients.index, columns=list(names)),
        weights=pd.Series(weights, index=patients.index, name="weight"),
        given=given,
        notes=(
            *(
                [f"Without a protocol, {counted(nameless, 'patient')} {form(nameless, 'is')} left out."]
                if nameless
                else []
            ),
            *(one.note() for one in found),
            *cautions_of(balance),
            f"Scores of {counted(int(outside.sum()), 'patient')} of {len(codes):,} lie outside what was seen in every protocol.",
            *columns.notes,
        ),
    )
    return Weighed(given, columns, scores, meant, weights, result, tuple(found))


def _target(target: str, names: tuple[str, ...]) -> Target | int:
    if target in names:
        return names.index(target)
    if target == "overlap" or target == "everybody" or target == "matching":
        return target  # type: ignore[return-value]
    raise ModelError(
        f"There is no target {target!r}.",
        where=f"protocols: {', '.join(names)}",
        what_to_do=f"Use one of: {', '.join((*TARGETS, *names))}.",
    )


def _coefficients(scores: GroupScores, columns: BaselineColumns, names: tuple[str, ...]) -> pd.DataFrame:
    estimates, errors = scores.in_given_units()
    terms = ["constant", *columns.names]
    return pd.DataFrame(
        [
            (name, term, estimates[row, k], errors[row, k])
            for k, name in enumerate(names[1:])
            for row, term in enumerate(terms)
        ],
        columns=["protocol", "term", "estimate", "std_error"],
    )

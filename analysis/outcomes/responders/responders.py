"""Responders: the share of patients who reach a threshold of improvement or a state, by protocol, beside the mean difference."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Unpack

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.cohort.schedule import moment
from analysis.cohort.tables import Cohort
from analysis.counted import form
from analysis.curves.covariates import with_named_covariates
from analysis.errors import ModelError
from analysis.outcomes.change.change import change_at_week
from analysis.outcomes.chosen_endpoint import EndpointOptions, choose_endpoint
from analysis.outcomes.endpoint import Endpoint
from analysis.outcomes.responders.adjusted_difference import AdjustedDifference, adjusted_difference
from analysis.outcomes.responders.change_distribution import ChangeDistribution, distribution_of, not_yet_due
from analysis.result import ResultWithNotes, patients_have
from analysis.statistics.mean_interval import compare_means, describe_by
from analysis.statistics.proportions import add_number_needed, compare_shares, share_interval
from analysis.statistics.ratios import share_ratios

WELCH = "Welch t, not adjusted for baseline"


@dataclass(frozen=True, eq=False, repr=False)
class Responders(ResultWithNotes):
    """Responders by protocol at one week.

    Attributes
    ----------
    endpoint : Endpoint
        What was counted.
    reference : str
        The protocol compared with.
    table : pandas.DataFrame
        protocol, allocated, n (the denominator), responders, share, lower, upper, level, method.
    differences : pandas.DataFrame
        protocol, reference, n, reference_n, difference (of shares), lower, upper, level, method, and the number
        needed to treat: number_needed_to_treat, number_needed_kind, number_needed_first (with _kind),
        number_needed_last (with _kind), number_needed_through_infinity, number_needed_in_words.
    ratios : pandas.DataFrame
        protocol, reference, ratio and odds_ratio of the shares with their limits, level, method.
    mean_improvement : pandas.DataFrame
        protocol, n, mean, standard_deviation, std_error, lower, upper, level, method: improvement of the patients
        seen, positive is better, in the unit of the measure; of a state the value itself.
    mean_differences : pandas.DataFrame
        protocol, reference, n, reference_n, estimate, std_error, df, lower, upper, level, method.
    patients : pandas.DataFrame
        One row a patient: the columns of :func:`analysis.outcomes.change.change.change_at_week`, amount (what is compared with
        the threshold) and responder (True, False or missing), counted and left out by the rule.
    adjusted : AdjustedDifference or None
        Shares and differences adjusted for covariates; None where none were named.
    counted : ChangeDistribution or None
        The distribution where it was counted without a row a patient; None where it is made of ``patients``.
    """

    endpoint: Endpoint
    reference: str
    table: pd.DataFrame
    differences: pd.DataFrame
    ratios: pd.DataFrame
    mean_improvement: pd.DataFrame
    mean_differences: pd.DataFrame
    patients: pd.DataFrame
    adjusted: AdjustedDifference | None = None
    counted: ChangeDistribution | None = None

    @cached_property
    def distribution(self) -> ChangeDistribution:
        """The share at every threshold; made when first asked for."""
        if self.counted is not None:
            return self.counted
        patients = self.patients.assign(
            due=self.patients["responder"].notna()
        )  # where missing is no response, only those due have one
        return distribution_of(patients, self.endpoint, self.reference)

    def _headline(self) -> str:
        return f"Responders. {self.endpoint.words}"


def responders(
    cohort: Cohort,
    endpoint: Endpoint | str,
    *,
    adjust_for: Sequence[str] | None = None,
    **options: Unpack[EndpointOptions],
) -> Responders:
    """Count the patients who reach a threshold of improvement or a state by a week, by protocol.

    Parameters
    ----------
    cohort : Cohort
    endpoint : Endpoint or str
        What is counted; or a measure, and the other words of :func:`analysis.outcomes.chosen_endpoint.choose_endpoint` behind it:
        ``responders(cohort, "koos_pain", week=26)``.
    adjust_for : sequence of str, optional
        Columns of the patients, as :func:`analysis.curves.covariates.with_named_covariates` takes them: differences adjusted
        for them and for the baseline (where the measure has one) are in ``adjusted``.

    Returns
    -------
    Responders
        Shares with Wilson intervals, Newcombe differences, numbers needed to treat, mean differences and the
        cumulative distribution of change. A week at which nobody was seen gives missing shares, never 0 %.

    Raises
    ------
    ModelError, CohortError
        As of :func:`analysis.outcomes.chosen_endpoint.choose_endpoint`; or the endpoint has no threshold, or a covariate is not known.

    Notes
    -----
    A small mean difference can make a large difference of responders where many patients lie near the threshold, and
    a responder share throws information away; read it beside the mean difference and the distribution.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> cohort = generate_cohort(patients=60, seed=1).observed
    >>> found = responders(cohort, "pain", week=26)
    >>> bool((found.table["responders"] <= found.table["n"]).all())
    True
    >>> found.differences["reference"].unique().tolist()
    ['exercise only']
    """
    if isinstance(endpoint, str):
        endpoint = choose_endpoint(cohort, endpoint, **options)
    elif options:
        raise ModelError(
            f"The endpoint is chosen already, so {', '.join(options)} cannot be named beside it.",
            what_to_do="Use dataclasses.replace(endpoint, ...), or choose another endpoint.",
        )
    level = endpoint.level
    patients, late = judged_patients(cohort, endpoint)
    base = endpoint.compared_with(cohort, patients["protocol"])
    if endpoint.missing == "non-response" and patients["amount"].notna().any():
        patients["responder"] = patients["responder"].fillna(value=False).mask(patients["protocol"].isna() | late)
    table = count_responders(patients, level=level)
    means = means_of(patients, "value" if endpoint.criterion == "state" else "improvement", level=level)
    found = Responders(
        endpoint=endpoint,
        reference=base,
        table=table,
        differences=add_number_needed(compare_shares(table, base, level=level)),
        ratios=share_ratios(table, base, level=level),
        mean_improvement=means,
        mean_differences=compare_means(means, base, level=level).assign(method=WELCH),
        patients=patients,
        notes=_notes(patients, endpoint, int(late.sum())),
    )
    if adjust_for is None:
        return found
    wider, named = with_named_covariates(cohort, adjust_for)
    start = ["baseline"] if patients["baseline"].notna().any() and endpoint.baseline != "first after start" else []
    return replace(found, adjusted=adjusted_difference(wider, found, covariates=[*start, *named]))


def judged_patients(cohort: Cohort, endpoint: Endpoint) -> tuple[pd.DataFrame, NDArray[np.bool_]]:
    """Judge each patient who has what the endpoint needs; say too who was not seen and not yet due, which is no failure.

    Returns
    -------
    tuple of pandas.DataFrame and numpy.ndarray of bool
        The columns of :func:`analysis.outcomes.change.change.change_at_week`, amount and responder (missing where the amount is);
        and who was not yet due.
    """
    patients = change_at_week(cohort, endpoint)
    patients["amount"] = endpoint.amount(patients["baseline"], patients["value"])
    patients["responder"] = endpoint.reached(patients["amount"])
    return patients, not_yet_due(cohort, endpoint, patients)


def count_responders(patients: pd.DataFrame, *, level: float) -> pd.DataFrame:
    """Count responders by protocol; ``patients`` has columns protocol and responder (True, False or missing).

    Returns
    -------
    pandas.DataFrame
        protocol, allocated, n, responders, share, lower, upper, level, method.
    """
    groups = patients.groupby("protocol", observed=True)["responder"]
    counts = pd.DataFrame({"allocated": groups.size(), "n": groups.count(), "responders": groups.sum().fillna(0)})
    counts = counts.astype("int64").reset_index().astype({"protocol": "str"})
    return counts.join(share_interval(counts["responders"], counts["n"], level=level))


def means_of(patients: pd.DataFrame, what: str, *, level: float) -> pd.DataFrame:
    """Give the mean improvement or value of the patients seen, by protocol, with a t interval.

    Returns
    -------
    pandas.DataFrame
        protocol, n, mean, standard_deviation, std_error, lower, upper, level, method.
    """
    found = describe_by(patients, ["protocol"], what, level=level)
    spread = patients.groupby("protocol", observed=True)[what].std()
    found = found.assign(
        protocol=found["protocol"].astype("str"), standard_deviation=spread.to_numpy(), method="t, patients seen"
    )
    columns = ["protocol", "n", "mean", "standard_deviation", "std_error", "lower", "upper", "level", "method"]
    return found[columns]


def _notes(patients: pd.DataFrame, endpoint: Endpoint, not_due: int) -> tuple[str, ...]:
    notes, week = [*endpoint.notes], endpoint.week
    counts = patients["status"].value_counts()
    total, known = len(patients), patients["amount"].notna()
    nameless = int(patients["protocol"].isna().sum())
    if nameless:
        notes.append(
            patients_have(
                nameless,
                total,
                f"no protocol and {form(nameless, 'is')} in no count",
            )
        )
    needs = "a value" if endpoint.criterion == "state" else "both a baseline and a value"
    if not known.any():
        notes.append(f"Nobody has {needs} at {moment(week)}: the shares are missing, not 0 %.")
    elif endpoint.missing == "non-response":
        seen = known.groupby(patients["protocol"], observed=True).any()
        nobody = [str(name) for name, any_seen in seen.items() if not any_seen]
        if nobody:
            notes.append(f"Nobody of {', '.join(nobody)} was seen at {moment(week)}; the 0 % there says only that.")
    if counts["not seen"]:
        notes.append(patients_have(int(counts["not seen"]), total, f"no value at {moment(week)}"))
    if not_due:
        were, are = form(not_due, "was", "were"), form(not_due, "is")
        notes.append(f"{not_due} of these {were} not yet due by the as-of date, and {are} in no count.")
    if counts["seen, no baseline"]:
        notes.append(f"{counts['seen, no baseline']} of {total} patients seen at {moment(week)} have no baseline.")
    at_zero = int((patients["improvement"].notna() & ~known).sum())
    if at_zero:
        notes.append(f"{at_zero} of {total} patients have a baseline of 0, of which no per cent can be taken.")
    return tuple(notes)

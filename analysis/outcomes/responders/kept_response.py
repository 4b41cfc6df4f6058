"""Reached and kept: patients who passed a threshold by a week and stayed beyond it at every later visit."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analysis.cohort.reference import reference_protocol
from analysis.errors import ModelError
from analysis.outcomes.change.change import BaselineRule, used_protocols
from analysis.outcomes.patients.expected_visits import expected_weeks, seen_weeks
from analysis.outcomes.responders.change_distribution import (
    MissingRule,
    check_missing_rule,
    check_week,
    missing_in_words,
)
from analysis.outcomes.responders.responders import count_responders
from analysis.outcomes.responders.visit_history import responder_history
from analysis.result import Result
from analysis.statistics.proportions import add_number_needed, check_level, compare_shares

if TYPE_CHECKING:
    from analysis.cohort.measures import Threshold
    from analysis.cohort.tables import Cohort
    from analysis.outcomes.thresholds.chosen_threshold import ChosenThreshold, Criterion


@dataclass(frozen=True, eq=False, repr=False)
class KeptResponse(Result):
    """Patients who reached a threshold by a week and kept it at every later visit.

    Attributes
    ----------
    threshold : ChosenThreshold
        The threshold.
    weeks : tuple of float
        The weeks at which it must be reached.
    missing : {"excluded", "non-response"}
        How patients with a missed visit among them count.
    table : pandas.DataFrame
        protocol, allocated, n, responders (reached and kept), share, lower, upper, level, method.
    differences : pandas.DataFrame
        As of :class:`analysis.outcomes.responders.responders.Responders`.
    patients : pandas.DataFrame
        patient_id, protocol, visits_seen, visits_reached, responder.
    notes : tuple of str
        What was counted.
    """

    threshold: ChosenThreshold
    weeks: tuple[float, ...]
    missing: MissingRule
    table: pd.DataFrame
    differences: pd.DataFrame
    patients: pd.DataFrame
    notes: tuple[str, ...]

    def _headline(self) -> str:
        return f"Reached and kept at weeks {', '.join(f'{week:g}' for week in self.weeks)}"


def reached_and_kept(
    cohort: Cohort,
    measure: str,
    *,
    week: float,
    until: float | None = None,
    threshold: float | Threshold | None = None,
    criterion: Criterion = "improvement",
    limb: str | None = None,
    missing: MissingRule = "excluded",
    level: float = 0.95,
    reference: str | None = None,
    baseline: BaselineRule = "last before start",
) -> KeptResponse:
    """Count patients who reached a threshold at a week and at every expected visit after it.

    Parameters
    ----------
    week, until : float
        First and last week at which the threshold must be reached; until the last expected week by default.
    missing : {"excluded", "non-response"}
        "excluded": a patient counts once every visit between was made, or one visit showed that it was not kept;
        "non-response": a missed visit counts as not kept.
    cohort, measure, threshold, criterion, limb, level, reference, baseline
        As in :func:`analysis.outcomes.responders.responders.responders`.

    Returns
    -------
    KeptResponse
        Shares, differences and the patients.

    Raises
    ------
    ModelError
        No expected week lies between, or an option is not known.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> kept = reached_and_kept(generate_cohort(patients=60, seed=1).observed, "pain", week=12)
    >>> kept.weeks
    (12.0, 26.0, 39.0, 52.0)
    """
    check_level(level)
    check_missing_rule(missing)
    first = check_week(week)
    history, chosen = responder_history(
        cohort, measure, threshold=threshold, criterion=criterion, limb=limb, baseline=baseline
    )
    expected = expected_weeks(seen_weeks(cohort, measure, limb))
    weeks = [one for one in expected if first <= one <= (np.inf if until is None else until)]
    if not weeks:
        raise ModelError(
            f"No visit is expected from week {first:g}" + ("." if until is None else f" to week {until:g}."),
            where=f"expected weeks: {', '.join(f'{one:g}' for one in expected) or 'none, visits have no schedule'}",
            what_to_do="Name a week of the schedule.",
        )
    seen = history[history["week"].isin(weeks) & history["responder"].notna()]
    counts = seen.groupby("patient_id")["responder"].agg(["size", "sum"])
    patients = cohort.patients[["patient_id", "protocol"]].assign(
        protocol=used_protocols(cohort.patients["protocol"]),
        visits_seen=cohort.patients["patient_id"].map(counts["size"]).fillna(0).astype("int64"),
        visits_reached=cohort.patients["patient_id"].map(counts["sum"]).fillna(0).astype("int64"),
    )
    failed = patients["visits_reached"] < patients["visits_seen"]
    whole = patients["visits_seen"] == len(weeks)
    patients["responder"] = pd.Series(whole & ~failed, dtype="boolean").mask(~whole & ~failed & (missing == "excluded"))
    if not len(seen):
        patients["responder"] = pd.Series(pd.NA, index=patients.index, dtype="boolean")
    base = reference_protocol(cohort, patients["protocol"], reference)
    table = count_responders(patients, level=level)
    rule = (
        "A patient whose visits so far all reached the threshold but who missed one is left out."
        if missing == "excluded"
        else missing_in_words(missing, criterion) + " A missed visit counts as not kept."
    )
    return KeptResponse(
        threshold=chosen,
        weeks=tuple(weeks),
        missing=missing,
        table=table,
        differences=add_number_needed(compare_shares(table, base, table["protocol"].tolist(), level=level)),
        patients=patients,
        notes=(chosen.words, f"Reached at each of weeks {', '.join(f'{one:g}' for one in weeks)}.", rule),
    )

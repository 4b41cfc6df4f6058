"""Reached and kept: patients who passed a threshold by a week and stayed beyond it at every later visit."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from analysis.cohort.follow_up.expected_visits import expected_weeks, seen_weeks
from analysis.cohort.reference import patients_by_protocol
from analysis.cohort.schedule import moment
from analysis.cohort.tables import Cohort
from analysis.errors import ModelError
from analysis.outcomes.endpoint import Endpoint
from analysis.outcomes.responders.responders import count_responders
from analysis.outcomes.responders.visit_history import responder_history
from analysis.result import ResultWithNotes
from analysis.statistics.proportions import add_number_needed, compare_shares


@dataclass(frozen=True, eq=False, repr=False)
class KeptResponse(ResultWithNotes):
    """Patients who reached a threshold by a week and kept it at every later visit.

    Attributes
    ----------
    endpoint : Endpoint
        What must be reached, and from which week on.
    weeks : tuple of float
        The weeks at which it must be reached.
    table : pandas.DataFrame
        protocol, allocated, n, responders (reached and kept), share, lower, upper, level, method.
    differences : pandas.DataFrame
        As of :class:`analysis.outcomes.responders.responders.Responders`.
    patients : pandas.DataFrame
        patient_id, protocol, visits_seen, visits_reached, responder.
    """

    endpoint: Endpoint
    weeks: tuple[float, ...]
    table: pd.DataFrame
    differences: pd.DataFrame
    patients: pd.DataFrame

    def _headline(self) -> str:
        return f"Reached and kept at {', '.join(map(moment, self.weeks))}"


def reached_and_kept(cohort: Cohort, endpoint: Endpoint, *, until: float | None = None) -> KeptResponse:
    """Count patients who reached a threshold at a week and at every expected visit after it.

    Parameters
    ----------
    cohort : Cohort
    endpoint : Endpoint
        What must be reached, from its week on. Missing visits "excluded": a patient counts once every visit between was
        made, or one visit showed that it was not kept; "non-response": a missed visit counts as not kept.
    until : float, optional
        Last week at which the threshold must be reached; the last expected week by default.

    Returns
    -------
    KeptResponse
        Shares, differences and the patients.

    Raises
    ------
    ModelError
        No expected week lies between.

    Examples
    --------
    >>> from analysis.outcomes import choose_endpoint
    >>> from synthetic_cohort import generate_cohort
    >>> cohort = generate_cohort(patients=60, seed=1).observed
    >>> kept = reached_and_kept(cohort, choose_endpoint(cohort, "pain", week=12))
    >>> kept.weeks
    (12.0, 26.0, 39.0, 52.0)
    """
    first = endpoint.week
    history = responder_history(cohort, endpoint)
    expected = expected_weeks(seen_weeks(cohort, endpoint.measure.name, endpoint.limb))
    weeks = [one for one in expected if first <= one <= (np.inf if until is None else until)]
    if not weeks:
        raise ModelError(
            f"No visit is expected from {moment(first)}" + ("." if until is None else f" to {moment(until)}."),
            where=f"expected weeks: {', '.join(f'{one:g}' for one in expected) or 'none, visits have no schedule'}",
            what_to_do="Name a week of the schedule.",
        )
    seen = history[history["week"].isin(weeks) & history["responder"].notna()]
    counts = seen.groupby("patient_id")["responder"].agg(["size", "sum"])
    patients = patients_by_protocol(cohort)
    for name, counted in (("visits_seen", "size"), ("visits_reached", "sum")):
        patients[name] = patients["patient_id"].map(counts[counted]).fillna(0).astype("int64")
    failed = patients["visits_reached"] < patients["visits_seen"]
    whole = patients["visits_seen"] == len(weeks)
    patients["responder"] = pd.Series(whole & ~failed, dtype="boolean").mask(
        ~whole & ~failed & (endpoint.missing == "excluded")
    )
    if not len(seen):
        patients["responder"] = pd.Series(pd.NA, index=patients.index, dtype="boolean")
    base = endpoint.compared_with(cohort, patients["protocol"])
    table = count_responders(patients, level=endpoint.level)
    rule = (
        "A patient whose visits so far all reached the threshold but who missed one is left out."
        if endpoint.missing == "excluded"
        else endpoint.denominator + " A missed visit counts as not kept."
    )
    when = f"{'each of ' if len(weeks) > 1 else ''}{', '.join(map(moment, weeks))}"
    return KeptResponse(
        endpoint=endpoint,
        weeks=tuple(weeks),
        table=table,
        differences=add_number_needed(compare_shares(table, base, level=endpoint.level)),
        patients=patients,
        notes=(
            endpoint.to_reach.words,
            f"Reached at {when}.",
            rule,
        ),
    )

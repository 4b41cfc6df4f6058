"""Time to the first visit at which a threshold was reached, by protocol (Kaplan and Meier)."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from analysis.cohort.reference import used_protocols
from analysis.cohort.tables import Cohort
from analysis.outcomes.endpoint import Endpoint
from analysis.outcomes.responders.visit_history import responder_history
from analysis.result import ResultWithNotes, patients_have
from analysis.statistics.kaplan_meier import (
    curves_by_protocol,
    log_rank,
    median_times,
    share_differences,
    shares_by_week,
)


@dataclass(frozen=True, eq=False, repr=False)
class TimeToResponse(ResultWithNotes):
    """Time to the first visit at which a threshold was reached.

    Attributes
    ----------
    endpoint : Endpoint
        What must be reached.
    table : pandas.DataFrame
        One row a protocol and week at which somebody reached it first: protocol, week, at_risk, reached (patients at
        this week), share (reached by then), lower, upper, level, method.
    medians : pandas.DataFrame
        protocol, n, reached (patients), median_week, lower, upper (missing where not reached), level.
    comparison : pandas.DataFrame
        One row: statistic, df, p_value of the log-rank test over all protocols; empty for one protocol.
    differences : pandas.DataFrame
        protocol, reference, week, difference (share reached by then), std_error, lower, upper, level, method.
    patients : pandas.DataFrame
        patient_id, protocol, after_week (last visit before), by_week (first visit at which it was reached, or missing),
        week (of the analysis), reached.
    """

    endpoint: Endpoint
    table: pd.DataFrame
    medians: pd.DataFrame
    comparison: pd.DataFrame
    differences: pd.DataFrame
    patients: pd.DataFrame

    def _headline(self) -> str:
        return "Time to the first visit at which the threshold was reached"


def time_to_response(cohort: Cohort, endpoint: Endpoint) -> TimeToResponse:
    """Follow patients to the first visit at which they reached a threshold.

    Parameters
    ----------
    cohort : Cohort
    endpoint : Endpoint
        What must be reached; its week plays no part.

    Returns
    -------
    TimeToResponse
        Kaplan-Meier shares reached by week, medians, log-rank test, differences.

    Notes
    -----
    Kaplan and Meier 1958 and the log-rank test, by statsmodels. The threshold was reached at some time between two
    visits; the visit at which it was seen is taken (interval censoring), so times are late by up to the gap between
    visits, in every protocol alike where visits have one schedule. Patients leave at their last visit; that must have
    nothing to do with the time they would have reached it.

    Examples
    --------
    >>> from analysis.outcomes import choose_endpoint
    >>> from synthetic_cohort import generate_cohort
    >>> cohort = generate_cohort(patients=60, seed=1).observed
    >>> found = time_to_response(cohort, choose_endpoint(cohort, "pain", week=26))
    >>> found.medians.columns.tolist()[:4]
    ['protocol', 'n', 'reached', 'median_week']
    """
    history = responder_history(cohort, endpoint)
    patients = _first_reached(cohort, history)
    base = endpoint.compared_with(cohort, patients["protocol"])
    followed = patients.dropna(subset=["week"])
    curves = curves_by_protocol(followed, "week", "reached")
    notes = [
        endpoint.to_reach.words,
        "Reached between two visits, counted at the visit where it was seen (interval censoring).",
        "Patients are followed to their last visit.",
    ]
    lost = len(patients) - len(followed)
    if lost:
        notes.append(patients_have(lost, len(patients), "no visit at which it could be judged"))
    return TimeToResponse(
        endpoint=endpoint,
        table=shares_by_week(curves, "reached", endpoint.level),
        medians=median_times(followed, curves, "reached", endpoint.level),
        comparison=log_rank(followed, "week", "reached"),
        differences=share_differences(curves, base, endpoint.level),
        patients=patients,
        notes=tuple(notes),
    )


def _first_reached(cohort: Cohort, history: pd.DataFrame) -> pd.DataFrame:
    judged = history.dropna(subset=["responder"])
    yes = judged[judged["responder"].astype(bool)]
    first, last = yes.groupby("patient_id")["week"].min(), judged.groupby("patient_id")["week"].max()
    patients = cohort.patients.loc[cohort.patients["protocol"].notna(), ["patient_id", "protocol"]].reset_index(
        drop=True
    )
    patients["protocol"] = used_protocols(patients["protocol"])
    ids = patients["patient_id"]
    patients["by_week"] = ids.map(first).astype("float64")
    limit = judged["patient_id"].map(first).astype("float64").fillna(np.inf)
    before = judged[judged["week"] < limit].groupby("patient_id")["week"].max()
    seen = ids.map(last).astype("float64")
    patients.insert(2, "after_week", ids.map(before).astype("float64").fillna(0.0).where(seen.notna()))
    patients["week"] = patients["by_week"].fillna(seen)
    return patients.assign(reached=patients["by_week"].notna())

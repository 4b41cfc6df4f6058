"""Patient flow: allocated, seen at each week, lost and why, by protocol."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from analysis.cohort.follow_up.as_of import due_weeks
from analysis.cohort.follow_up.expected_visits import NOT_YET_DUE, expected_weeks, seen_weeks, visit_grid
from analysis.cohort.reference import patients_by_protocol
from analysis.cohort.tables import Cohort
from analysis.result import ResultWithNotes

#: Parts of event names that explain why somebody was not seen again (design choice).
ENDING_WORDS = ("withdr", "lost to follow", "death", "died", "declined", "moved away", "discontinu")
NO_REASON = "no reason recorded"


@dataclass(frozen=True, eq=False, repr=False)
class PatientFlow(ResultWithNotes):
    """Flow of patients by protocol.

    Attributes
    ----------
    measure : str or None
        The measure that makes a visit; None for any.
    weeks : tuple of float
        The expected weeks; 0 is the baseline.
    allocated : pandas.DataFrame
        protocol, allocated, with_baseline, seen_after_baseline, seen_at_last_week, never_seen.
    by_week : pandas.DataFrame
        protocol, week, allocated, seen, share (of allocated, seen), missed_seen_later, not_seen_again.
    lost : pandas.DataFrame
        protocol, reason, patients, allocated, share: patients not seen at the last expected week nor after it.
    patients : pandas.DataFrame
        One row a patient: patient_id, protocol, last_week_seen (missing where never), lost (boolean), reason.
    before : pandas.DataFrame or None
        Counts given with the cohort: step (assessed, excluded, allocated, received, not received), protocol, reason,
        patients; None where none were.
    """

    measure: str | None
    weeks: tuple[float, ...]
    allocated: pd.DataFrame
    by_week: pd.DataFrame
    lost: pd.DataFrame
    patients: pd.DataFrame
    before: pd.DataFrame | None = None

    def _headline(self) -> str:
        return "Patient flow"


def patient_flow(
    cohort: Cohort,
    measure: str | None = None,
    *,
    limb: str | None = None,
    weeks: Sequence[float] | None = None,
    ending_events: Sequence[str] | None = None,
) -> PatientFlow:
    """Follow the patients of each protocol from allocation to the last week.

    Parameters
    ----------
    cohort : Cohort
    measure : str, optional
        A visit is one with a value of this measure; by default of any measure.
    limb : str, optional
        The limb of the measure.
    weeks : sequence of float, optional
        The schedule; by default read off the visits.
    ending_events : sequence of str, optional
        Names of events that say why a patient was lost; by default those whose name speaks of withdrawal, loss to
        follow-up, death, declining, moving away or discontinuing.

    Returns
    -------
    PatientFlow
        Allocation, visits by week, and the lost with their reasons.

    Raises
    ------
    CohortError
        The measure or the limb is not known.

    Notes
    -----
    The counts that a flow diagram needs (CONSORT 2025). A patient is lost when the last expected visit that
    was due by the as-of date was missed and no later one was made; a patient seen then is not lost, whatever was missed
    before.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> flow = patient_flow(generate_cohort(patients=60, seed=1).observed)
    >>> int(flow.allocated["allocated"].sum())
    60
    """
    seen = seen_weeks(cohort, measure, limb)
    expected = expected_weeks(seen, weeks)
    patients = _last_seen(cohort, seen, expected)
    patients["reason"] = _reasons(cohort, patients, ending_events)
    size = patients.groupby("protocol", observed=True).size()
    notes = [_seen_means(measure)]
    if not expected:
        notes.append("Visits follow no schedule: nobody can be said to be lost.")
    elif cohort.events is None:
        notes.append("Events were not recorded, so no reasons are known.")
    return PatientFlow(
        measure=measure,
        weeks=tuple(expected),
        allocated=_allocated(patients, seen, expected),
        by_week=_by_week(visit_grid(cohort, seen, expected)),
        lost=_lost(patients, size),
        patients=patients,
        before=cohort.flow,
        notes=tuple(notes),
    )


def counted_at(before: pd.DataFrame, step: str, protocol: str | None = None) -> int | None:
    """Count the patients of a step, of a protocol where it has one; None where no count is given.

    Examples
    --------
    >>> before = pd.DataFrame({"step": ["excluded"], "protocol": [None], "reason": ["declined"], "patients": [3.0]})
    >>> counted_at(before, "excluded"), counted_at(before, "assessed")
    (3, None)
    """
    counts = _rows_at(before, step, protocol)["patients"].dropna()
    return int(counts.sum()) if len(counts) else None


def reasons_at(before: pd.DataFrame, step: str, protocol: str | None = None) -> list[tuple[str, int]]:
    """Give the reasons of a step with their patients, the most frequent first."""
    rows = _rows_at(before, step, protocol)
    if "reason" not in rows:
        return []
    known = rows.dropna(subset=["reason", "patients"]).sort_values("patients", ascending=False, kind="stable")
    return [(str(reason), int(n)) for reason, n in zip(known["reason"], known["patients"], strict=True)]


def _rows_at(before: pd.DataFrame, step: str, protocol: str | None) -> pd.DataFrame:
    rows = before[before["step"].astype("str") == step]
    if protocol is None or "protocol" not in rows:
        return rows if protocol is None else rows.iloc[:0]
    return rows[rows["protocol"].astype("str") == protocol]


def _last_seen(cohort: Cohort, seen: pd.DataFrame, expected: list[float]) -> pd.DataFrame:
    last = seen.groupby("patient_id")["week"].max()
    patients = patients_by_protocol(cohort)
    patients["last_week_seen"] = patients["patient_id"].map(last).astype("float64")
    if not expected:
        return patients.assign(lost=False)
    due = due_weeks(cohort).fillna(np.inf).to_numpy(dtype=float)
    place = np.searchsorted(np.asarray(expected), due, side="right") - 1
    end = np.where(place >= 0, np.asarray(expected)[np.maximum(place, 0)], -np.inf)  # the last week that was due
    return patients.assign(lost=~(patients["last_week_seen"].fillna(-np.inf).to_numpy() >= end))


def _reasons(cohort: Cohort, patients: pd.DataFrame, ending_events: Sequence[str] | None) -> pd.Series:
    """Give the last ending event of each lost patient."""
    none = pd.Series(np.nan, index=patients.index, dtype="str")
    reason = none.mask(patients["lost"], NO_REASON)
    events = cohort.events
    if events is None or events.empty:
        return reason
    name = events["event"].astype("str")
    if ending_events is None:
        ending = name.str.lower().str.contains("|".join(ENDING_WORDS), regex=True, na=False)
    else:
        ending = name.isin(list(ending_events))
    known = events.assign(event=name)[ending].sort_values("week", kind="stable")
    by_patient = known.drop_duplicates("patient_id", keep="last").set_index("patient_id")["event"]
    found = patients["patient_id"].map(by_patient)
    return reason.mask(patients["lost"] & found.notna(), found)


def _allocated(patients: pd.DataFrame, seen: pd.DataFrame, expected: list[float]) -> pd.DataFrame:
    by_id = patients["patient_id"]
    marks = patients[["protocol"]].assign(
        allocated=True,
        with_baseline=by_id.isin(seen.loc[seen["week"] == 0, "patient_id"]),
        seen_after_baseline=by_id.isin(seen.loc[seen["week"] > 0, "patient_id"].unique()),
        seen_at_last_week=by_id.isin(seen.loc[seen["week"] == (expected[-1] if expected else np.nan), "patient_id"]),
        never_seen=patients["last_week_seen"].isna(),
    )
    table = marks.groupby("protocol", observed=True).sum().reset_index()
    return table.astype({"protocol": "str"} | dict.fromkeys(table.columns[1:], "int64"))


def _by_week(grid: pd.DataFrame) -> pd.DataFrame:
    marks = grid.assign(
        allocated=True,
        missed_seen_later=grid["state"] == "missed, seen later",
        not_seen_again=grid["state"] == "not seen again",
        due=grid["state"] != NOT_YET_DUE,
    )
    counted = ["allocated", "due", "seen", "missed_seen_later", "not_seen_again"]
    table = marks.groupby(["protocol", "week"], observed=True)[counted].sum().reset_index().astype({"protocol": "str"})
    table.insert(5, "share", table["seen"] / table["due"].where(table["due"] > 0))
    return table


def _lost(patients: pd.DataFrame, size: pd.Series) -> pd.DataFrame:
    lost = patients[patients["lost"]]
    counts = lost.groupby(["protocol", "reason"], observed=True).size().rename("patients").reset_index()
    counts = counts.astype({"protocol": "str"})
    allocated = counts["protocol"].map({str(name): int(n) for name, n in size.items()}).astype("int64")
    return counts.assign(allocated=allocated, share=counts["patients"] / allocated)


def _seen_means(measure: str | None) -> str:
    return f"Seen means a value of {measure or 'any measure'}; every week at or before 0 is the baseline, week 0."

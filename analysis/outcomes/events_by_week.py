"""Events during the weeks of the home programme, beside what was done at home in those weeks."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analysis.outcomes.adherence import NOT_RECORDED, session_shares
from analysis.outcomes.change import used_protocols
from analysis.outcomes.events import NOT_A_HARM
from analysis.outcomes.proportions import check_level
from analysis.outcomes.result import Result

if TYPE_CHECKING:
    from analysis.cohort.tables import Cohort

EXACT = "exact Poisson"


@dataclass(frozen=True, eq=False, repr=False)
class EventsByWeek(Result):
    """Harms by week of the home programme.

    Attributes
    ----------
    recorded : bool
        Whether both events and sessions were recorded.
    table : pandas.DataFrame
        One row a protocol and programme week: protocol, week, n (patients with an entry of sessions in this week),
        sessions_prescribed, sessions_done (where both are known), share_of_sessions, patients (with a harm in this
        week), events (harms), serious, related (events; missing where it was never said), outside_record (harms of
        patients without an entry this week; not in events).
    overall : pandas.DataFrame
        One row a protocol: protocol, patient_weeks, sessions_done, patients, events, per_100_patient_weeks, lower, upper,
        level, method ("exact Poisson"), per_1000_sessions, after_programme (harms after the last programme week).
    notes : tuple of str
        What was counted.
    """

    recorded: bool
    table: pd.DataFrame
    overall: pd.DataFrame
    notes: tuple[str, ...]

    def _headline(self) -> str:
        return "Harms during the home programme" if self.recorded else "Harms during the home programme: not recorded"


def events_by_week(cohort: Cohort, *, level: float = 0.95) -> EventsByWeek:
    """Set harms beside the sessions done, week by week of the home programme.

    Parameters
    ----------
    cohort : Cohort
        The cohort; ``events`` or ``sessions`` None means not recorded.
    level : float
        Confidence level of the rates.

    Returns
    -------
    EventsByWeek
        By protocol and week, and over the programme.

    Notes
    -----
    Withdrawals and the like are no harms. The rate counts events a patient-week with an entry of sessions; limits by
    the exact Poisson method (Garwood, Biometrika 1936;28:437), which takes events as independent. A week with many
    events and few sessions may be one in which events stopped the sessions: the table sets them side by side and
    explains neither.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> found = events_by_week(generate_cohort(patients=60, seed=1).observed)
    >>> bool((found.table["patients"] <= found.table["n"]).all())
    True
    """
    check_level(level)
    if cohort.sessions is None or cohort.events is None:
        said = NOT_RECORDED if cohort.sessions is None else "Events were not recorded: this says nothing about harms."
        return EventsByWeek(False, pd.DataFrame(columns=_COLUMNS), pd.DataFrame(columns=_OVERALL), (said,))
    entries = session_shares(cohort)
    numbers = ["sessions_prescribed", "sessions_done"]
    known = entries[numbers].notna().all(axis=1)
    summed = entries.assign(**{name: entries[name].where(known) for name in numbers})
    table = _weeks(summed, numbers)
    harms = _harms(cohort)
    here = harms.merge(
        entries[["patient_id", "week"]].drop_duplicates(), on=["patient_id", "week"], how="left", indicator="entry"
    )
    during = here[here["entry"] == "both"]
    groups = during.groupby(["protocol", "week"], observed=True)
    counts = pd.DataFrame({"patients": groups["patient_id"].nunique(), "events": groups.size()})
    for flag in ("serious", "related"):
        said_once = bool(harms[flag].notna().any()) or harms.empty
        counts[flag] = groups[flag].sum() if said_once else np.nan
    outside = here[here["entry"] == "left_only"].groupby(["protocol", "week"], observed=True).size()
    table = table.join(counts).join(outside.rename("outside_record"))
    filled = [
        "patients",
        "events",
        "outside_record",
        *(f for f in ("serious", "related") if not counts[f].isna().any()),
    ]
    table[filled] = table[filled].fillna(0).astype("int64")
    table = table.reset_index()
    last = entries.groupby("protocol", observed=True)["week"].max()
    later = (
        harms[harms["week"] > harms["protocol"].map(last).astype("float64")].groupby("protocol", observed=True).size()
    )
    overall = _overall(table, during, later, level)
    notes = [
        "n: patients with an entry of sessions in the week; withdrawals and the like are no harms.",
        "Side by side only: an event may have stopped the sessions, or the sessions brought on the event.",
    ]
    if int(table["outside_record"].sum()):
        notes.append(
            f"{int(table['outside_record'].sum()):,} harms fell in a programme week without an entry of the patient: "
            "listed, not in the rate."
        )
    return EventsByWeek(True, table.astype({"protocol": "str"})[_COLUMNS], overall, tuple(notes))


_COLUMNS = [
    "protocol",
    "week",
    "n",
    "sessions_prescribed",
    "sessions_done",
    "share_of_sessions",
    "patients",
    "events",
    "serious",
    "related",
    "outside_record",
]
_OVERALL = [
    "protocol",
    "patient_weeks",
    "sessions_done",
    "patients",
    "events",
    "per_100_patient_weeks",
    "lower",
    "upper",
    "level",
    "method",
    "per_1000_sessions",
    "after_programme",
]


def _weeks(entries: pd.DataFrame, numbers: list[str]) -> pd.DataFrame:
    groups = entries.groupby(["protocol", "week"], observed=True)
    table = pd.DataFrame({"n": groups["patient_id"].nunique()}).join(groups[numbers].sum(min_count=1))
    prescribed = table["sessions_prescribed"]
    return table.assign(share_of_sessions=table["sessions_done"] / prescribed.where(prescribed > 0))


def _harms(cohort: Cohort) -> pd.DataFrame:
    """Give the harms with their protocol and programme week: an event at week 2.4 falls in week 3."""
    people = cohort.patients[["patient_id"]].assign(protocol=used_protocols(cohort.patients["protocol"]))
    events = (cohort.events if cohort.events is not None else pd.DataFrame()).merge(
        people, on="patient_id", how="inner"
    )
    events = events.reindex(columns=["patient_id", "protocol", "week", "event", "serious", "related"])
    harm = ~events["event"].astype("str").str.lower().str.contains("|".join(NOT_A_HARM), regex=True, na=False)
    found = events[harm].copy()
    found["week"] = np.ceil(found["week"].astype("float64"))
    for flag in ("serious", "related"):
        found[flag] = found[flag].astype("boolean").astype("Float64").astype("float64")
    return found


def _overall(table: pd.DataFrame, during: pd.DataFrame, later: pd.Series, level: float) -> pd.DataFrame:
    from scipy import stats

    sums = table.groupby("protocol", observed=True)[["n", "sessions_done", "events"]].sum()
    affected = during.groupby("protocol", observed=True)["patient_id"].nunique()
    rows = []
    for name, one in sums.iterrows():
        weeks, count, sessions = float(one["n"]), int(one["events"]), float(one["sessions_done"])
        low = float(stats.chi2.ppf((1 - level) / 2, 2 * count) / 2) if count else 0.0
        high = float(stats.chi2.ppf((1 + level) / 2, 2 * count + 2) / 2)
        scale = 100 / weeks if weeks else float("nan")
        row = (
            str(name),
            int(weeks),
            sessions,
            int(affected.get(name, 0)),
            count,
            count * scale,
            low * scale,
            high * scale,
        )
        each = 1000 * count / sessions if sessions else float("nan")
        rows.append((*row, level, EXACT, each, int(later.get(name, 0))))
    return pd.DataFrame(rows, columns=_OVERALL)

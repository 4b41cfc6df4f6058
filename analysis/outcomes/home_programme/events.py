"""Harms and other events by protocol, with denominators; not recorded is not the same as none."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from analysis.cohort.reference import patients_by_protocol, used_protocols
from analysis.cohort.tables import Cohort
from analysis.result import ResultWithNotes
from analysis.statistics.proportions import check_level, share_interval

#: Patients with a serious harm, and with another one: a thrombosis and sore muscles are never counted as one.
SERIOUS, OTHER = "any serious harm", "any other harm"
#: Parts of the names of harms that are serious whether they were marked so or not (design choice).
GRAVE = (
    "thrombo",
    "embol",
    "death",
    "died",
    "infect",
    "sepsis",
    "fracture",
    "rupture",
    "tear",
    "re-injur",
    "reinjur",
    "operation",
    "surgery",
    "manipulation",
    "revision",
    "hospital",
    "burn",
)
#: Parts of event names that end follow-up without being a harm (design choice).
NOT_A_HARM = ("withdr", "lost to follow", "declined", "moved away")


@dataclass(frozen=True, eq=False, repr=False)
class EventsByProtocol(ResultWithNotes):
    """Events by protocol and kind.

    Attributes
    ----------
    recorded : bool
        Whether events were recorded at all; without it nothing can be said about harms.
    table : pandas.DataFrame
        protocol, event ("any serious harm" and "any other harm" first), harm (False for withdrawals and the like), allocated
        (the denominator),
        patients (with one or more), events, serious_patients, serious_events, related_patients, related_events
        (missing where it was never said), share (of allocated, patients with an event), lower, upper, level, method.
    """

    recorded: bool
    table: pd.DataFrame

    def _headline(self) -> str:
        return "Events by protocol" if self.recorded else "Events: not recorded"


def events_by_protocol(cohort: Cohort, *, level: float = 0.95) -> EventsByProtocol:
    """Count patients with an event, and events, by protocol and kind.

    Parameters
    ----------
    cohort : Cohort
        The cohort; ``events`` None means not recorded, an empty frame means none happened.
    level : float
        Confidence level of the shares.

    Returns
    -------
    EventsByProtocol
        One row a protocol and kind of event; kinds that happened in one protocol have a row of zeros in the others.

    Notes
    -----
    A patient with several events of a kind counts once among patients. The denominator is every patient of the
    protocol. Serious is what was marked so, and what is so by its name (:data:`GRAVE`); harms are never all summed.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> found = events_by_protocol(generate_cohort(patients=60, seed=1).observed)
    >>> found.recorded
    True
    >>> bool((found.table["patients"] <= found.table["events"]).all())
    True
    """
    check_level(level)
    if cohort.events is None:
        empty = _with_shares(pd.DataFrame(columns=_COUNTED).astype({"event": "str"}), level)
        note = "Events were not recorded: this says nothing about harms."
        return EventsByProtocol(recorded=False, table=empty, notes=(note,))
    protocol = used_protocols(cohort.patients["protocol"])
    events = cohort.events.merge(patients_by_protocol(cohort), on="patient_id", how="inner")
    notes = [
        "A patient with several events counts once among patients; the denominator is every patient of the protocol."
    ]
    if len(events) < len(cohort.events):
        notes.append(f"{len(cohort.events) - len(events)} events of patients who are not in the cohort are left out.")
    if events.empty:
        notes.append("Events were recorded, and none is on record.")
    events = events.assign(event=events["event"].astype("str"))
    events["harm"] = is_harm(events["event"])
    events["grave"] = is_serious(events)
    by_kind = events.dropna(subset=["event"]).groupby("event")["harm"].first()
    kinds = {SERIOUS: True, OTHER: True} | {str(kind): bool(harm) for kind, harm in sorted(by_kind.items())}
    rows = [
        _count(events[(events["protocol"] == name) & _of_kind(events, kind)], events)
        | {"protocol": str(name), "event": kind, "harm": harm, "allocated": int((protocol == name).sum())}
        for name in protocol.cat.categories
        for kind, harm in kinds.items()
    ]
    others = [kind for kind, harm in kinds.items() if not harm]
    if others:
        notes.append(f"Not a harm, listed alone: {', '.join(others)}.")
    grave = sorted(set(events.loc[events["grave"] & events["harm"], "event"]))
    if grave:
        notes.append(f"Serious, as marked or by their names: {', '.join(grave)}.")
    for flag in ("serious", "related"):
        unsaid = int(events[flag].isna().sum()) if flag in events else len(events)
        if unsaid:
            notes.append(f"For {unsaid} of {len(events)} events it was not said whether they were {flag}.")
    return EventsByProtocol(True, _with_shares(pd.DataFrame(rows)[_COUNTED], level), notes=tuple(notes))


_COUNTED = [
    "protocol", "event", "harm", "allocated", "patients", "events", "serious_patients", "serious_events",
    "related_patients", "related_events",
]  # fmt: skip


def is_harm(event: pd.Series) -> pd.Series:
    """Say of each name of an event whether it is a harm; withdrawals and the like are none.

    Examples
    --------
    >>> is_harm(pd.Series(["Fall", "Withdrew"])).tolist()
    [True, False]
    """
    return ~event.astype("str").str.lower().str.contains("|".join(NOT_A_HARM), regex=True, na=False)


def is_serious(events: pd.DataFrame) -> pd.Series:
    """Say of each event whether it is serious: marked so, or by its name.

    Examples
    --------
    >>> is_serious(pd.DataFrame({"event": ["deep vein thrombosis", "soreness", "fall"], "serious": [False, False, True]})).tolist()
    [True, False, True]
    """
    by_name = events["event"].astype("str").str.lower().str.contains("|".join(GRAVE), regex=True, na=False)
    if "serious" not in events:
        return by_name
    return by_name | events["serious"].fillna(value=False).astype(bool)


def _of_kind(events: pd.DataFrame, kind: str) -> pd.Series:
    if kind in (SERIOUS, OTHER):
        return events["harm"] & (events["grave"] == (kind == SERIOUS))
    return events["event"] == kind


def _count(chosen: pd.DataFrame, events: pd.DataFrame) -> dict[str, object]:
    counts: dict[str, object] = {"patients": chosen["patient_id"].nunique(), "events": len(chosen)}
    for flag in ("serious", "related"):
        if flag not in events or (len(events) and events[flag].isna().all()):
            counts |= {f"{flag}_patients": np.nan, f"{flag}_events": np.nan}
            continue
        marked = chosen[chosen[flag].fillna(value=False).astype(bool)]
        counts |= {f"{flag}_patients": marked["patient_id"].nunique(), f"{flag}_events": len(marked)}
    return counts


def _with_shares(table: pd.DataFrame, level: float) -> pd.DataFrame:
    if table.empty:
        return table.assign(share=np.nan, lower=np.nan, upper=np.nan, level=level, method="")
    return table.join(share_interval(table["patients"], table["allocated"], level=level))

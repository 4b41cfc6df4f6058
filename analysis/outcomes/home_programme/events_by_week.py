"""Events during the weeks of the home programme, beside what was done at home in those weeks."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from analysis.cohort.reference import patients_by_protocol
from analysis.cohort.session_log import programme_week
from analysis.cohort.tables import Cohort
from analysis.counted import counted, form
from analysis.outcomes.home_programme.events import is_harm
from analysis.outcomes.home_programme.sessions_done import NOT_RECORDED, session_shares
from analysis.result import ResultWithNotes
from analysis.statistics.proportions import check_level

EXACT = "exact Poisson"
DURING, AFTER, OUTSIDE = "during", "after the programme", "outside the record"


@dataclass(frozen=True, eq=False, repr=False)
class EventsByWeek(ResultWithNotes):
    """Harms by week of the home programme.

    Attributes
    ----------
    recorded : bool
        Whether both events and sessions were recorded.
    table : pandas.DataFrame
        One row a protocol and programme week: protocol, week, n (patients with an entry of sessions in this week),
        sessions_prescribed, sessions_done (where some are prescribed and both are known), share_of_sessions, patients (with a harm in this
        week), events (harms), serious, related (events; missing where it was never said), outside_record (harms of
        patients without an entry this week; not in events).
    overall : pandas.DataFrame
        One row a protocol: protocol, patient_weeks, sessions_done (in patient-weeks in which those of every modality are
        known), patients, events, per_100_patient_weeks, lower, upper, level, method ("exact Poisson"),
        events_with_sessions (events in those patient-weeks), per_1000_sessions (the one by the other), after_programme
        (harms after the last programme week of the protocol), outside_record (harms before the start, without a week,
        or in a week without an entry of the patient). All harms of the protocol are in events, after_programme or
        outside_record.
    """

    recorded: bool
    table: pd.DataFrame
    overall: pd.DataFrame

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
    Withdrawals and the like are no harms. Harms fall in programme weeks as sessions do: days 0 to 6 since the start are
    week 1 (:func:`analysis.cohort.session_log.programme_week`), so that one of week 1.0, day 7, falls in programme week
    2. The rate counts events a patient-week with an entry of sessions; limits by
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
        return EventsByWeek(False, pd.DataFrame(columns=_COLUMNS), pd.DataFrame(columns=_OVERALL), notes=(said,))
    entries = session_shares(cohort)
    numbers = ["sessions_prescribed", "sessions_done"]
    known = entries[numbers].notna().all(axis=1) & (entries["sessions_prescribed"] > 0)
    table = _weeks(entries.assign(**{name: entries[name].where(known) for name in numbers}), numbers)
    patient_weeks = _patient_weeks(entries)
    harms = _placed(_harms(cohort), patient_weeks)
    during = harms[harms["place"] == DURING]
    groups = during.groupby(["protocol", "week"], observed=True)
    counts = pd.DataFrame({"patients": groups["patient_id"].nunique(), "events": groups.size()})
    judged = [flag for flag in ("serious", "related") if harms.empty or harms[flag].notna().any()]
    for flag in ("serious", "related"):
        counts[flag] = groups[flag].sum() if flag in judged else np.nan
    outside = harms[harms["place"] == OUTSIDE].groupby(["protocol", "week"], observed=True).size()
    table = table.join(counts).join(outside.rename("outside_record"))
    filled = ["patients", "events", "outside_record", *judged]
    table[filled] = table[filled].fillna(0).astype("int64")
    return EventsByWeek(
        recorded=True,
        table=table.reset_index().astype({"protocol": "str"})[_COLUMNS],
        overall=_overall(patient_weeks, harms, level),
        notes=_notes(cohort, harms),
    )


_COLUMNS = [
    "protocol", "week", "n", "sessions_prescribed", "sessions_done", "share_of_sessions", "patients", "events",
    "serious", "related", "outside_record",
]  # fmt: skip
_OVERALL = [
    "protocol", "patient_weeks", "sessions_done", "patients", "events", "per_100_patient_weeks", "lower", "upper",
    "level", "method", "events_with_sessions", "per_1000_sessions", "after_programme", "outside_record",
]  # fmt: skip


def _weeks(entries: pd.DataFrame, numbers: list[str]) -> pd.DataFrame:
    groups = entries.groupby(["protocol", "week"], observed=True)
    table = pd.DataFrame({"n": groups["patient_id"].nunique()}).join(groups[numbers].sum(min_count=1))
    prescribed = table["sessions_prescribed"]
    return table.assign(share_of_sessions=table["sessions_done"] / prescribed.where(prescribed > 0))


def _patient_weeks(entries: pd.DataFrame) -> pd.DataFrame:
    """One row a patient and week with an entry: protocol, patient_id, week, done (missing where a modality is unknown)."""
    groups = entries.assign(unknown=entries["sessions_done"].isna()).groupby(
        ["protocol", "patient_id", "week"], observed=True, as_index=False
    )
    weeks = groups.agg(done=("sessions_done", "sum"), unknown=("unknown", "any"))
    return weeks.assign(done=weeks["done"].mask(weeks.pop("unknown")))


def _harms(cohort: Cohort) -> pd.DataFrame:
    """Give the harms with their protocol and programme week, as :func:`programme_week` counts."""
    events = cohort.events if cohort.events is not None else pd.DataFrame()
    events = events.merge(patients_by_protocol(cohort), on="patient_id", how="inner")
    events = events.reindex(columns=["patient_id", "protocol", "week", "event", "serious", "related"])
    found = events[is_harm(events["event"])].copy()
    found["week"] = programme_week(7.0 * found["week"].astype("float64"))
    for flag in ("serious", "related"):
        found[flag] = found[flag].astype("boolean").astype("Float64").astype("float64")
    return found


def _placed(harms: pd.DataFrame, patient_weeks: pd.DataFrame) -> pd.DataFrame:
    """Say of every harm whether it fell in a week with an entry, after the programme, or outside the record."""
    keys = ["patient_id", "week"]
    here = harms.merge(patient_weeks[[*keys, "done"]], on=keys, how="left", indicator="entry", validate="many_to_one")
    entry = (here.pop("entry") == "both") & here["week"].notna()
    last = patient_weeks.groupby("protocol", observed=True)["week"].max()
    later = here["week"] > here["protocol"].astype("str").map(last.rename(str)).astype("float64")
    return here.assign(place=np.select([entry, later], [DURING, AFTER], OUTSIDE))


def _overall(patient_weeks: pd.DataFrame, harms: pd.DataFrame, level: float) -> pd.DataFrame:
    from scipy import stats

    rows = []
    for name in harms["protocol"].cat.categories:
        weeks = patient_weeks[patient_weeks["protocol"] == name]
        own = harms[harms["protocol"] == name]
        during = own[own["place"] == DURING]
        count, n, sessions = len(during), len(weeks), float(weeks["done"].sum(min_count=1))
        with_sessions = int(during["done"].notna().sum())
        low = float(stats.chi2.ppf((1 - level) / 2, 2 * count) / 2) if count else 0.0
        high = float(stats.chi2.ppf((1 + level) / 2, 2 * count + 2) / 2)
        scale = 100 / n if n else float("nan")
        each = 1000 * with_sessions / sessions if sessions > 0 else float("nan")
        after, outside = (int((own["place"] == place).sum()) for place in (AFTER, OUTSIDE))
        rates = (count * scale, low * scale, high * scale, level, EXACT)
        row = (str(name), n, sessions, during["patient_id"].nunique(), count)
        rows.append((*row, *rates, with_sessions, each, after, outside))
    return pd.DataFrame(rows, columns=_OVERALL)


def _notes(cohort: Cohort, harms: pd.DataFrame) -> tuple[str, ...]:
    notes = [
        "Patients (n) are those with an entry of sessions in the week; withdrawals and the like are no harms.",
        "Days 0 to 6 since the start are week 1, for sessions and for harms.",
        "Side by side only: an event may have stopped the sessions, or the sessions brought on the event.",
    ]
    outside = harms[harms["place"] == OUTSIDE]
    before, undated = int((outside["week"] < 1).sum()), int(outside["week"].isna().sum())
    parts = {
        "before the start": before,
        "without a week": undated,
        "in a week without an entry of the patient": len(outside) - before - undated,
    }
    if len(outside):
        listed = ", ".join(f"{count:,} {words}" for words, count in parts.items() if count)
        notes.append(
            f"{len(outside):,} of {_harms_in_words(harms)} {form(len(outside), 'is')} outside the record and not in the rate: {listed}."
        )
    after = int((harms["place"] == AFTER).sum())
    if after:
        notes.append(
            f"Of {_harms_in_words(harms)} {after:,} came after the last programme week of the protocol and {form(after, 'is')} not in the rate."
        )
    strangers = (
        0 if cohort.events is None else int((~cohort.events["patient_id"].isin(cohort.patients["patient_id"])).sum())
    )
    if strangers:
        notes.append(
            f"{counted(strangers, 'event')} of patients who are not in the cohort {form(strangers, 'is')} left out."
        )
    return tuple(notes)


def _harms_in_words(harms: pd.DataFrame) -> str:
    return counted(len(harms), "harm")

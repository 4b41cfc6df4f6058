"""Home adherence: sessions done against sessions prescribed, by protocol, week and modality, with denominators."""

from dataclasses import dataclass
from functools import cache

import numpy as np
import pandas as pd

from analysis.cohort.reference import patients_by_protocol, used_protocols
from analysis.cohort.tables import Cohort
from analysis.errors import ModelError
from analysis.outcomes.home_programme.prescribed_modalities import not_prescribed_in_words, prescribed_modalities
from analysis.result import ResultWithNotes, patients_have
from analysis.statistics.proportions import check_level, share_interval

NOT_RECORDED = "Home sessions were not recorded: nothing can be said about adherence."


@dataclass(frozen=True, eq=False, repr=False)
class AdherenceByWeek(ResultWithNotes):
    """Adherence by protocol, modality and week.

    Attributes
    ----------
    recorded : bool
        Whether home sessions were recorded at all.
    enough : float
        Share of the sessions prescribed that counts as reached, 0.8 for 80 %.
    table : pandas.DataFrame
        One row a protocol, modality and week: protocol, modality, week, allocated, recorded (patients with an entry),
        n (patients with sessions prescribed and the sessions done known: the denominator), none_prescribed,
        more_than_prescribed (patients), sessions_prescribed, sessions_done (sums over n), share_of_sessions,
        mean_share, median_share, lower_quartile, upper_quartile (of the patients' shares), reached (patients at the
        enough or above), share_reached, lower, upper, level, method.
    overall : pandas.DataFrame
        The same over the whole programme, without week: one row for every protocol and modality, with prescribed ("yes",
        "no", "not known", "not recorded", as :func:`analysis.outcomes.home_programme.prescribed_modalities.prescribed_modalities` says).
    patients : pandas.DataFrame
        One row an entry: patient_id, protocol, modality, week, sessions_prescribed, sessions_done, share (missing
        where none was prescribed; above 1 where more was done than prescribed).
    """

    recorded: bool
    enough: float
    table: pd.DataFrame
    overall: pd.DataFrame
    patients: pd.DataFrame

    def _headline(self) -> str:
        return "Home adherence" if self.recorded else "Home adherence: not recorded"


def check_enough(enough: float) -> None:
    """Refuse a share of the sessions prescribed that cannot be enough.

    Raises
    ------
    ModelError
        It is not above 0.
    """
    if not enough > 0:
        raise ModelError(
            f"A share of {enough:g} of the sessions prescribed cannot be enough.",
            what_to_do="Give a share above 0, for example 0.8 for 80 %.",
        )


def adherence_by_week(cohort: Cohort, *, enough: float = 0.8, level: float = 0.95) -> AdherenceByWeek:
    """Set the sessions done against the sessions prescribed.

    Parameters
    ----------
    cohort : Cohort
        The cohort; ``sessions`` None means not recorded.
    enough : float
        Share of the sessions prescribed that counts as reached; 0.8 by custom, no source (few trials set one).
    level : float
        Confidence level of the share of patients that reached it.

    Returns
    -------
    AdherenceByWeek
        By week, and over the programme.

    Raises
    ------
    ModelError
        The share that counts as enough is not above 0.

    Notes
    -----
    Nothing prescribed gives a missing share, not 0 or 100 %; sessions done in a week without any prescribed are not done of
    those prescribed. More done than prescribed is kept as it is (a share above 1) and counted. A patient without an entry
    is not in the denominator: not recorded is not the same as not done.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> found = adherence_by_week(generate_cohort(patients=60, seed=1).observed)
    >>> bool((found.table["n"] <= found.table["recorded"]).all())
    True
    """
    check_level(level)
    check_enough(enough)
    entries = session_shares(cohort)
    protocols = used_protocols(cohort.patients["protocol"])
    if cohort.sessions is None:
        table, overall, status = _without_sessions(tuple(map(str, protocols.cat.categories)), level)
    else:
        table, overall, status = _tables(entries, protocols, enough, level)
    return AdherenceByWeek(
        recorded=cohort.sessions is not None,
        enough=enough,
        table=table.copy(),
        overall=overall.copy(),
        patients=entries,
        notes=(*_notes(cohort, entries), *not_prescribed_in_words(status)),
    )


def _tables(
    entries: pd.DataFrame, protocols: pd.Series, enough: float, level: float
) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """Give the adherence by week, that over the programme, and what is prescribed to whom."""
    allocated = protocols.value_counts()
    table = _summarise(entries, ["protocol", "modality", "week"], allocated, enough, level)
    numbers = ["sessions_prescribed", "sessions_done"]
    both = entries[numbers].where(entries[numbers].notna().all(axis=1))
    both["sessions_done"] = both["sessions_done"].mask(both["sessions_prescribed"] == 0, 0.0)
    whole = entries.assign(**both).groupby(["patient_id", "protocol", "modality"], observed=True, as_index=False)
    totals = whole[numbers].sum(min_count=1)
    totals["share"] = _share(totals)
    status = prescribed_modalities(entries, protocols)
    overall = _summarise(totals, ["protocol", "modality"], allocated, enough, level, every=status.index)
    return table, overall.merge(status.reset_index(), on=["protocol", "modality"], how="left"), status


@cache
def _without_sessions(names: tuple[str, ...], level: float) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """Give the tables of a cohort whose sessions were not recorded: they have no row, whoever its patients are."""
    none = pd.Series(dtype="float64")
    protocols = pd.Series(pd.Categorical([], categories=list(names)))
    columns = {"patient_id": none.astype("str"), "protocol": protocols, "modality": none.astype("str")}
    columns |= dict.fromkeys(["week", "sessions_prescribed", "sessions_done", "share"], none)
    return _tables(pd.DataFrame(columns), protocols, 1.0, level)


def session_shares(cohort: Cohort) -> pd.DataFrame:
    """Give each entry of the sessions with the share of the prescribed sessions that was done.

    The columns are patient_id, protocol, modality, week, sessions_prescribed, sessions_done, share. Entries of patients that are
    not in the cohort are left out; empty where sessions were not recorded.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> session_shares(generate_cohort(patients=30, seed=1).observed)["share"].dropna().ge(0).all()
    np.True_
    """
    entries = session_entries(cohort, ["sessions_prescribed", "sessions_done"])
    return entries.assign(share=_share(entries))


def session_entries(cohort: Cohort, numbers: list[str]) -> pd.DataFrame:
    """Give patient_id, protocol, modality, week and numbers of the entries of the cohort's patients.

    Numbers that were not recorded are missing; without a record of sessions there is no row.
    """
    sessions = cohort.sessions
    if sessions is None:
        sessions = pd.DataFrame({name: pd.Series(dtype="str") for name in ("patient_id", "modality")})
    people = patients_by_protocol(cohort)
    place = pd.Index(people["patient_id"]).get_indexer(sessions["patient_id"])
    rows = np.flatnonzero(place >= 0)
    entries = sessions.reindex(columns=["patient_id", "protocol", "modality", "week", *numbers]).take(rows)
    entries["protocol"] = people["protocol"].array.take(place[rows])
    return entries.astype(dict.fromkeys(["week", *numbers], "float64")).reset_index(drop=True)


def of_modality(entries: pd.DataFrame, modality: str | None) -> pd.DataFrame:
    """Give the entries of one modality, or all where none is named.

    Raises
    ------
    ModelError
        There is no such modality.
    """
    names = [str(name) for name in entries["modality"].dropna().unique()]
    if modality is not None and modality not in names:
        raise ModelError(
            f"There is no modality {modality!r} among the sessions.",
            where=f"modalities there: {', '.join(names) or 'none'}",
            what_to_do="Name one of them, or none for all sessions together.",
        )
    return entries if modality is None else entries[entries["modality"] == modality]


def whole_weeks(entries: pd.DataFrame, how: dict[str, str]) -> pd.DataFrame:
    """Put the entries of a patient's week together, each column as ``how`` says.

    Entries with nothing prescribed are left out, and weeks in which a part is unknown.
    """
    entries = entries[entries["sessions_prescribed"] != 0]
    marked = entries.assign(unknown=entries[list(how)].isna().any(axis=1))
    groups = marked.groupby(["patient_id", "protocol", "week"], observed=True, as_index=False)
    weeks = groups.agg(how | {"unknown": "any"})
    return weeks[~weeks.pop("unknown").astype(bool)].reset_index(drop=True)


def _share(entries: pd.DataFrame) -> pd.Series:
    prescribed = entries["sessions_prescribed"]
    return entries["sessions_done"] / prescribed.where(prescribed > 0)


def _summarise(
    entries: pd.DataFrame,
    by: list[str],
    allocated: pd.Series,
    enough: float,
    level: float,
    every: pd.Index | None = None,
) -> pd.DataFrame:
    """Summarise the entries of each group; ``every`` names groups that have a row though they have no entry."""
    known = entries["share"].notna()
    marked = entries.assign(
        recorded=True,
        n=known,
        none_prescribed=entries["sessions_prescribed"] == 0,
        more_than_prescribed=entries["share"] > 1 + 1e-9,
        sessions_prescribed=entries["sessions_prescribed"].where(known),
        sessions_done=entries["sessions_done"].where(known),
        reached=entries["share"] >= enough - 1e-9,
    )
    groups = marked.groupby(by, observed=True)
    counted = ["recorded", "n", "none_prescribed", "more_than_prescribed", "reached"]
    table = groups[counted].sum().astype("int64")
    table = table.join(groups[["sessions_prescribed", "sessions_done"]].sum(min_count=1))
    table["share_of_sessions"] = table["sessions_done"] / table["sessions_prescribed"]
    share = groups["share"]
    table["mean_share"], table["median_share"] = share.mean(), share.median()
    table["lower_quartile"], table["upper_quartile"] = share.quantile(0.25), share.quantile(0.75)
    table = table.reset_index().astype({"protocol": "str", "modality": "str"})
    if every is not None:
        table = table.set_index(by).reindex(every).reset_index()
        table[counted] = table[counted].fillna(0).astype("int64")
    table["allocated"] = table["protocol"].map(allocated.rename(str)).astype("int64")
    interval = share_interval(table["reached"], table["n"], level=level).rename(columns={"share": "share_reached"})
    return table.join(interval)[[*by, *_ORDER]]


_ORDER = [
    "allocated", "recorded", "n", "none_prescribed", "more_than_prescribed", "sessions_prescribed", "sessions_done",
    "share_of_sessions", "mean_share", "median_share", "lower_quartile", "upper_quartile", "reached", "share_reached",
    "lower", "upper", "level", "method",
]  # fmt: skip


def _notes(cohort: Cohort, entries: pd.DataFrame) -> tuple[str, ...]:
    if cohort.sessions is None:
        return (NOT_RECORDED,)
    notes = ["Denominator: patients with sessions prescribed and the sessions done known; no entry is not 0 %."]
    none = int((entries["sessions_prescribed"] == 0).sum())
    if none:
        notes.append(f"{none:,} of {len(entries):,} weekly entries had no session prescribed: their share is missing.")
    more = int((entries["share"] > 1 + 1e-9).sum())
    if more:
        notes.append(f"{more:,} of {len(entries):,} weekly entries had more done than prescribed: kept as they are.")
    unknown = int((entries["sessions_done"].isna() | entries["sessions_prescribed"].isna()).sum())
    if unknown:
        notes.append(f"In {unknown:,} of {len(entries):,} weekly entries sessions prescribed or done are missing.")
    without = len(cohort.patients) - entries["patient_id"].nunique()
    if without:
        notes.append(patients_have(without, len(cohort.patients), "no entry at all"))
    return tuple(notes)

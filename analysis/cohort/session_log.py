"""A home-session log, one row a session, checked and summed into weeks of one modality."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from analysis.cohort.findings import FindingList
from analysis.cohort.prescriptions import Prescription, check_weeks, never_done, prescribed_to_all, prescribed_weeks
from analysis.cohort.programme import UsualSession, check_usual
from analysis.cohort.schedule import DECIMALS_OF_A_DAY
from analysis.cohort.tables import TABLES

_LEVELS = ("level_knee", "level_thigh")
_KEY = ["patient_id", "week", "modality"]
_MINUTES_IN_DAY = 1440.0
#: A session from 8:00 to 8:20 by a clock that shows minutes may have taken a minute more.
_CLOCK_MINUTES = 1.0


def programme_week(days: pd.Series) -> pd.Series:
    """Give the week of the home programme of a day since the start: days 0 to 6 are week 1.

    The one rule for sessions, events, and the sessions before and after a visit. Days before the start are in week 0 and
    below; times of the day count as parts of a day. Rounded to less than a second, so that 29 / 7 weeks are day 29.

    Examples
    --------
    >>> programme_week(pd.Series([0.0, 6.9, 7.0, 7 * (29 / 7), -1.0])).tolist()
    [1.0, 1.0, 2.0, 5.0, 0.0]
    """
    return np.floor(days.round(DECIMALS_OF_A_DAY) / 7.0) + 1.0


def check_session_log(
    log: pd.DataFrame,
    name: str,
    findings: FindingList,
    *,
    programme: Sequence[UsualSession] = (),
    protocols: Mapping[str, str] | None = None,
) -> None:
    """Find sessions that cannot have been as they were logged, and those that are not as the programme has them.

    The log has one row a session: patient_id, week, modality, minutes, and where known length_minutes (from start to end),
    level_knee and level_thigh (0 to 100, % of the device's maximum), pauses; its index holds the row, from 0. ``name`` of the
    file is for the findings, ``protocols`` the protocol of each patient.
    """
    minutes = _numbers(log, "minutes")
    own = _numbers(log, "length_minutes")
    for column in _LEVELS:
        level = _numbers(log, column)
        problem = "a stimulation level outside 0 to 100 %"
        advice = "Correct it; the level is a share of the device's maximum."
        findings.add_rows("error", name, log, (level < 0) | (level > 100), column, problem, advice)
    for column in ("minutes", "pauses", "length_minutes"):
        problem = "the session ends before it starts" if column == "length_minutes" else f"{column} below 0"
        findings.add_rows("error", name, log, _numbers(log, column) < 0, column, problem, "Correct the log.")
    problem, advice = "more minutes than a day has", "Give minutes."
    day = minutes > _MINUTES_IN_DAY
    findings.add_rows("error", name, log, day, "minutes", problem, advice)
    over = (minutes > own + _CLOCK_MINUTES) & (own >= 0)
    problem = "more minutes than from the start to the end of the session"
    advice = "Correct the minutes, the start or the end."
    findings.add_rows("error", name, log, over, "minutes", problem, advice)
    if "modality" in log:
        check_usual(name, log[~day & ~over], findings, programme, protocols or {})


def sum_sessions(
    log: pd.DataFrame,
    *,
    prescribed: Mapping[str, float] | Sequence[Prescription] | None = None,
    weeks: tuple[int, int] | None = None,
    patients: Sequence[str] = (),
    protocols: Mapping[str, str] | None = None,
) -> pd.DataFrame:
    """Sum a log of sessions into weeks.

    Parameters
    ----------
    log : pandas.DataFrame
        One row a session, as in :func:`check_session_log`; week as in :func:`programme_week`. A session of 0 minutes
        was not done.
    prescribed : mapping of str to float, or sequence of Prescription, optional
        Sessions asked for in a week: by modality, where every patient was asked the same; or what each protocol
        prescribes. With these, sessions of a modality that they name count as not prescribed (0) to other protocols and
        in other weeks. By modality alone, a protocol of 5 patients or more none of whom did a session of it, while those
        of another did, is taken as not asked.
    weeks : tuple of int, optional
        First and last week of the programme: with ``prescribed`` by modality, a week without a logged session is a week
        with none done. Without it only weeks with a logged session have a row. Prescriptions have their own weeks.
    patients : sequence of str
        Patients who get these weeks, whether they have a logged session or not.
    protocols : mapping of str to str, optional
        Protocol of each patient.

    Returns
    -------
    pandas.DataFrame
        The table sessions: patient_id, week, modality, sessions_prescribed, sessions_done, minutes_done (min; missing
        where no session of the week has minutes), level_knee and level_thigh (%, mean of the sessions weighted by their
        minutes), pauses. Rows in the order of patients, then week and modality.

    Raises
    ------
    CohortError
        The weeks of the programme are not a first and a last one, or two prescriptions are for the same week.

    Examples
    --------
    >>> log = pd.DataFrame({"patient_id": "a", "week": [1, 1, 2], "modality": "neuromuscular electrical stimulation (NMES)",
    ...                     "minutes": [20, 10, 20], "level_knee": [40, 70, 50]})
    >>> sum_sessions(log)[["week", "sessions_done", "minutes_done", "level_knee"]].values.tolist()
    [[1.0, 2.0, 30.0, 50.0], [2.0, 1.0, 20.0, 50.0]]
    >>> stimulation = Prescription("neuromuscular electrical stimulation (NMES)", 5, (1, 3), ("early",))
    >>> weeks = sum_sessions(log, prescribed=[stimulation], protocols={"a": "early", "b": "usual"})
    >>> weeks[["patient_id", "week", "sessions_prescribed", "sessions_done"]].values.tolist()
    [['a', 1.0, 5.0, 2.0], ['a', 2.0, 5.0, 1.0], ['a', 3.0, 5.0, 0.0]]
    """
    if weeks is not None:
        check_weeks(weeks)
    summed = _by_week(log)
    if isinstance(prescribed, Mapping):
        asked = prescribed_to_all(prescribed, weeks, _everybody(patients, summed)) if weeks is not None else None
        usual = summed["modality"].map(dict(prescribed)).astype("float64") if asked is None else np.nan
        left_out = {(one, protocol) for one, protocol, _ in never_done(summed, prescribed, protocols or {})}
        if asked is not None and left_out:
            protocol = asked["patient_id"].map(dict(protocols or {}))
            theirs = pd.MultiIndex.from_arrays([asked["modality"], protocol]).isin(left_out)
            asked = asked[~theirs]
    else:
        asked = prescribed_weeks(prescribed, protocols or {}) if prescribed else None
        named = {one.modality for one in prescribed or ()}
        usual = pd.Series(0.0, index=summed.index).where(
            summed["modality"].isin(named) & summed["patient_id"].isin(set(protocols or {}))
        )
    summed = summed.assign(sessions_prescribed=usual)
    if asked is not None:
        summed = _with_empty_weeks(summed, asked)
    order = {patient: i for i, patient in enumerate(_everybody([*patients, *(protocols or {})], summed))}
    summed = summed.assign(_row=summed["patient_id"].map(order)).sort_values(["_row", "week", "modality"])
    names = [column.name for column in TABLES["sessions"].columns]
    return summed.reindex(columns=names).reset_index(drop=True)


def _by_week(log: pd.DataFrame) -> pd.DataFrame:
    """Sum the sessions of each patient, week and modality; levels as means weighted by minutes."""
    minutes = _numbers(log, "minutes")
    rows = pd.DataFrame(
        {
            "patient_id": log["patient_id"].astype("str"),
            "week": log["week"].astype("float64"),
            "modality": log["modality"].astype("str"),
            "sessions_done": (~(minutes == 0)).astype("float64"),
            "minutes_done": minutes,
            "pauses": _numbers(log, "pauses"),
        }
    )
    weight = minutes.fillna(1.0).clip(lower=0.0)
    for column in _LEVELS:
        level = _numbers(log, column)
        rows[f"{column} weight"] = weight.where(level.notna(), 0.0)
        rows[column] = (level * weight).fillna(0.0)
    summed = rows.groupby(_KEY, sort=False, dropna=False).sum(min_count=1)
    for column in _LEVELS:
        total = summed.pop(f"{column} weight")
        summed[column] = summed[column] / total.where(total > 0)
    return summed.reset_index()


def _everybody(patients: Sequence[str], summed: pd.DataFrame) -> list[str]:
    return list(dict.fromkeys([*patients, *summed["patient_id"]]))


def _with_empty_weeks(summed: pd.DataFrame, asked: pd.DataFrame) -> pd.DataFrame:
    """Put what was asked for beside what was done; a week asked for without a logged session is one with none done."""
    whole = asked.merge(summed, on=_KEY, how="outer", suffixes=("", "_else"), indicator=True)
    whole["sessions_prescribed"] = whole["sessions_prescribed"].fillna(whole.pop("sessions_prescribed_else"))
    empty = whole.pop("_merge") == "left_only"
    whole.loc[empty, ["sessions_done", "minutes_done"]] = 0.0
    return whole


def _numbers(log: pd.DataFrame, column: str) -> pd.Series:
    if column not in log:
        return pd.Series(np.nan, index=log.index)
    return log[column].astype("float64")

"""Recognise the home programme in an unknown file: a log with one row a session, or counts with one row a week."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

import pandas as pd

from analysis.cohort.columns import Column, convert, read_numbers
from analysis.cohort.modalities import EXERCISE, MODALITIES, NMES, TENS, modality_of
from analysis.cohort.recognition.find_identifiers import plain
from analysis.cohort.recognition.recognise_columns import Recognised
from analysis.cohort.recognition.trade_words import shown_cell

Row = Literal["a session", "a week"]

#: What the name of a column of numbers says, in lower case with underscores; the first that fits counts.
_NUMBERS = {
    "sessions_prescribed": r"(?:^|_)sessions?_(?:prescribed|planned|asked|target)$|^(?:prescribed|planned|target)_sessions$",
    "sessions_done": r"^(?:n_|no_|number_of_|completed_)?sessions(?:_(?:done|completed|performed|made|n|count|per_week))?$",
    "minutes": r"(?:^|_)(?:minutes|mins)(?:_(?:done|total|per_week))?$|^(?:duration|length)(?:_(?:min|mins|minutes))?$",
    "level_knee": r"knee_(?:level|intensity)$|^(?:level|intensity)_(?:at_|above_)?(?:the_)?knee$|^(?:level|intensity)$",
    "level_thigh": r"thigh_(?:level|intensity)$|^(?:level|intensity)_(?:at_)?(?:the_)?thigh$",
    "pauses": r"^(?:n_|number_of_)?pauses?$",
}
_MODALITY = r"(?:^|_)(?:modality|kind|type|session_type|activity)$"
_END = r"(?:^|_)(?:end|ended|finish|finished|stop|stopped)(?:_|$)"
#: Words in a label that tell the kind of a session.
_KINDS = {
    NMES: r"strength|nmes|\bems\b|muscle|quad",
    TENS: r"pain|\btens\b",
    EXERCISE: r"exerci[sz]e|training|physio|walk|cycl|bike|stretch|squat|rom\b",
}
_MOST_KINDS = 12
_MOST_MINUTES = 300.0


@dataclass(frozen=True)
class HomeColumns:
    """The columns of a home programme.

    ``columns`` gives the column of the file for each key of the map: week, start, end, modality, minutes (of a session) or
    minutes_done, sessions_done, sessions_prescribed, level_knee, level_thigh, pauses; ``recode`` the kinds of session that the
    labels of the file seem to mean; ``programme_start`` the column with the date from which weeks are counted; ``doubts`` what
    is to be checked, by key.
    """

    row: Row
    columns: dict[str, str]
    recode: dict[str, str] = field(default_factory=dict)
    programme_start: str | None = None
    doubts: dict[str, str] = field(default_factory=dict)


def recognise_home(
    found: Mapping[str, Recognised], cells: Mapping[str, pd.Series], ids: pd.Series
) -> HomeColumns | None:
    """Say which columns hold a home programme; None where neither minutes nor sessions are recognised.

    ``found`` is what each column may hold by itself, ``ids`` the patient of each row.

    Examples
    --------
    >>> from analysis.cohort.recognition.recognise_columns import recognise
    >>> log = pd.DataFrame({"id": ["a", "a"], "week": [1, 1], "minutes": [20, 15]})
    >>> found = {name: recognise(log[name], name) for name in log}
    >>> recognise_home(found, {name: log[name] for name in log}, log["id"]).row
    'a session'
    """
    columns: dict[str, str] = {}
    for name, one in found.items():
        if one.role in ("home", "unknown") and (key := _number_key(name, cells[name])) is not None:
            columns.setdefault(key, name)
    modality = next((name for name in found if _is_modality(name, found[name], cells[name])), None)
    counted = {"sessions_done", "sessions_prescribed"} & set(columns)
    sure_minutes = "minutes" in columns and re.search("minutes|mins", plain(columns["minutes"])) is not None
    if not counted and not (sure_minutes or ("minutes" in columns and modality is not None)):
        return None
    if modality is not None:
        columns["modality"] = modality
    dates = [name for name, one in found.items() if one.role in ("date", "start")]
    moving = [name for name in dates if varies_within(cells[name], ids)]
    week = next((name for name, one in found.items() if one.role == "week"), None)
    ends = [name for name in moving if re.search(_END, plain(name))]
    starts = [name for name in moving if name not in ends]
    if week is not None:
        columns["week"] = week
    elif starts:
        columns["start"] = starts[0]
        if ends:
            columns["end"] = ends[0]
    row: Row = "a week" if counted or not _several_a_week(columns, cells, ids) else "a session"
    if row == "a week" and "minutes" in columns:
        columns["minutes_done"] = columns.pop("minutes")
    recode, unknown = _kinds(cells[modality]) if modality is not None else ({}, [])
    programme_start = next((name for name in dates if name not in moving), None)
    doubts = _doubts(row, columns, found, cells, unknown, recode)
    return HomeColumns(row, columns, recode, programme_start, doubts)


def varies_within(values: pd.Series, ids: pd.Series) -> bool:
    """Say whether a column changes within a patient.

    Examples
    --------
    >>> varies_within(pd.Series([1, 2]), pd.Series(["a", "a"])), varies_within(pd.Series([1, 2]), pd.Series(["a", "b"]))
    (True, False)
    """
    known = values.loc[ids.index].astype("str")
    return bool((known != known.groupby(ids.to_numpy()).transform("first")).any())


def _number_key(name: str, values: pd.Series) -> str | None:
    """Give the key of the map that a column of numbers belongs to; an empty column may be one of numbers."""
    words = plain(name)
    key = next((key for key, pattern in _NUMBERS.items() if re.search(pattern, words)), None)
    return key if key is not None and not len(read_numbers(values)[1]) else None


def _is_modality(name: str, one: Recognised, values: pd.Series) -> bool:
    if one.role not in ("home", "unknown"):
        return False
    labels = pd.Series(values.dropna().unique()).astype("str")
    if 0 < len(labels) <= _MOST_KINDS and all(modality_of(label) in MODALITIES for label in labels):
        return True
    if not re.search(_MODALITY, plain(name)):
        return False
    return 0 < len(labels) <= _MOST_KINDS and len(convert(labels, Column("", "number", ""))[1]) > 0


def _several_a_week(columns: dict[str, str], cells: Mapping[str, pd.Series], ids: pd.Series) -> bool:
    """Say whether rows are sessions: they have a date, or a patient has several of one kind in a week."""
    if "week" not in columns:
        return "start" in columns
    keys = [cells[columns[name]].loc[ids.index] for name in ("week", "modality") if name in columns]
    return bool(pd.concat([ids, *keys], axis=1).duplicated().any())


def _kinds(values: pd.Series) -> tuple[dict[str, str], list[str]]:
    """Give the labels to be recoded, and those whose kind is not recognised."""
    recode: dict[str, str] = {}
    unknown: list[str] = []
    for label in values.dropna().astype("str").unique():
        if modality_of(label) in MODALITIES:
            continue
        words = re.sub(r"[_\W]+", " ", label.lower())
        kind = next((kind for kind, pattern in _KINDS.items() if re.search(pattern, words)), None)
        if kind is None:
            unknown.append(label)
        else:
            recode[label] = kind
    return recode, unknown


def _doubts(
    row: Row,
    columns: dict[str, str],
    found: Mapping[str, Recognised],
    cells: Mapping[str, pd.Series],
    unknown: list[str],
    recode: dict[str, str],
) -> dict[str, str]:
    doubts: dict[str, str] = {}
    if "modality" not in columns:
        doubts["modality"] = "no column is named like the kind of session"
    elif unknown:
        doubts["modality"] = f"what is {', '.join(map(shown_cell, unknown))}?"
    elif recode:
        doubts["modality"] = "are these the kinds of session?"
    if "week" not in columns and "start" not in columns:
        doubts["week"] = "no column is named like a week or a date; which one tells the time?"
    elif "week" in columns:
        unit, weeks = found[columns["week"]].target, read_numbers(cells[columns["week"]])[0]
        if unit != "weeks":
            doubts["week"] = f"the map takes weeks of the programme here, and the column is named like {unit}"
        elif row == "a session" and bool((weeks == 0).any()):
            doubts["week"] = "weeks of the programme count from 1, and here is a week 0"
    for key in ("minutes", "minutes_done"):
        if (
            key in columns
            and row == "a session"
            and (most := read_numbers(cells[columns[key]])[0].max()) > _MOST_MINUTES
        ):
            doubts[key] = f"values up to {most:g}; are these minutes?"
    if "minutes_done" in columns and not {"sessions_done", "sessions_prescribed"} & set(columns):
        doubts["minutes_done"] = "all minutes of a week? Where a row is one session, call the section session_log"
    for key in ("level_knee", "level_thigh"):
        values = read_numbers(cells[columns[key]])[0].dropna() if key in columns else pd.Series(dtype="float64")
        if not values.between(0, 100).all():
            doubts[key] = f"values from {values.min():g} to {values.max():g}; it should be 0 to 100 %"
        elif len(values) and key.removeprefix("level_") not in plain(columns[key]):
            doubts[key] = "knee or thigh?"
    return doubts

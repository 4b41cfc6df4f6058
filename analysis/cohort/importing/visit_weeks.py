"""Weeks of visits: from numbers, from the names of visits, or from dates and the start of the patient."""

from __future__ import annotations

import numpy as np
import pandas as pd

from analysis.cohort.importing.map_reference import LEAVE_OUT
from analysis.cohort.importing.map_visits import WeekColumn
from analysis.cohort.importing.source_rows import SourceRows
from analysis.cohort.importing.start_dates import StartDates
from analysis.cohort.recognition.find_identifiers import are_dates
from analysis.cohort.recognition.visit_times import WEEKS_IN, visit_time

_NUMBER = r"\s*[+-]?\d+(?:[.,]\d+)?\s*"


def weeks_of_rows(week: WeekColumn, rows: SourceRows, starts: StartDates) -> tuple[pd.Series, pd.Series]:
    """Give the week of each row of a long file, and whether the row is taken.

    Rows are not taken where the map leaves their visit out, and where what should tell the time is a finding already.
    """
    if week.date is not None:
        weeks = dated_weeks(week, rows, starts, week.date)
        return weeks, weeks.notna() | rows.frame[week.date].isna()
    column = week.column or ""
    names = _names(week, rows, column)
    if not names:
        weeks = weeks_of_time(week, _in_weeks(week, rows.numbers(column, week=True)))
        return weeks, weeks.notna() | rows.frame[column].isna()
    labels = rows.labels(column, {})
    named = labels.isin(list(names))
    told = labels.map(names).astype("float64")
    texts = labels.fillna("")
    untold = labels.notna() & ~named & ~texts.str.fullmatch(_NUMBER) & ~are_dates(texts)
    hits = untold.to_numpy()
    rows.findings.add(
        "error", rows.name, "the name of the visit tells no time",
        f'Give it a time under [week.names], for example "Screening" = -2; or "{LEAVE_OUT}".',
        column=column, rows=rows.frame.index.to_numpy()[hits], patients=rows.ids[hits], values=labels[hits],
    )  # fmt: skip
    weeks = told.where(named, _in_weeks(week, rows.numbers(column, week=True, but=named | untold)))
    return weeks_of_time(week, weeks), weeks.notna() | rows.frame[column].isna()


def dated_weeks(week: WeekColumn, rows: SourceRows, starts: StartDates, column: str) -> pd.Series:
    """Give the weeks from the start of the patient to the dates in a column, in whole days: a visit has no time of the day."""
    return weeks_of_time(week, np.floor(starts.days(rows, column)) / 7.0)


def weeks_of_time(week: WeekColumn, weeks: pd.Series) -> pd.Series:
    """Round weeks, where the map says so."""
    return weeks if week.round_to is None else (weeks / week.round_to).round() * week.round_to


def _in_weeks(week: WeekColumn, numbers: pd.Series) -> pd.Series:
    return (numbers - week.origin) * WEEKS_IN[week.unit]


def _names(week: WeekColumn, rows: SourceRows, column: str) -> dict[str, float | None]:
    """Give the week of each name of a visit that the map or the name itself tells; None where the visit is left out.

    Days are not read of a name: in some trials the start is day 0, in others day 1.
    """
    if not pd.api.types.is_string_dtype(rows.frame[column].dtype) and column not in rows.labelled:
        return {}
    labels = [str(label) for label in rows.labels(column, {}).dropna().unique()]
    told = {label: visit_time(label) for label in labels if label not in week.names}
    known = {
        label: time[0] * WEEKS_IN[time[1]] for label, time in told.items() if time is not None and time[1] != "days"
    }
    return {label: week.names[label] for label in labels if label in week.names} | known

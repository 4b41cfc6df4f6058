"""The time of a suggested map: a column of weeks, the names of visits, or dates; never a column of measured values."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from analysis.cohort.columns import read_numbers
from analysis.cohort.recognition.recognise_columns import Recognised
from analysis.cohort.recognition.recognise_home import varies_within
from analysis.cohort.recognition.trade_words import shown_cell, words_of
from analysis.cohort.recognition.visit_times import date_format_of, visit_time
from analysis.cohort.suggesting.map_text import SuggestedMap, quoted
from analysis.cohort.suggesting.values import written_time

_WINDOWS = (
    "# Visits off their day are at no scheduled week, and reports then have no weeks to compare. Windows bring them there:",
    "# [schedule]",
    "# weeks = [0, 6, 12, 26]",
)
#: Words by which a column says that its time counts from surgery.
_SURGERY = frozenset(
    {"surgery", "operation", "op", "postop", "postoperative", "pod", "operatie", "intervento", "cirurgia"}
)


def fill_week(
    suggestion: SuggestedMap, found: dict[str, Recognised], cells: Mapping[str, pd.Series], ids: pd.Series
) -> None:
    """Add what tells the time of a long file; the columns that are used go out of ``found``.

    Where patients have several rows, what is the same in all of them tells no time of a visit.
    """
    several = bool(ids.duplicated().any())
    weeks, visits, dates, starts = ([one for one in found.values() if one.role == role and (
            role == "start" or not several or varies_within(cells[one.name], ids))]
                                    for role in ("week", "visit", "date", "start"))  # fmt: skip
    sure = [one for one in weeks if one.sure]
    if sure:
        used = sure[:1]
        suggestion.week += [f"column = {quoted(used[0].name)}", f'unit = "{used[0].target}"']
        _fill_origin(suggestion, used[0])
    elif visits:
        used = visits[:1]
        note = "" if len(visits) == 1 else suggestion.not_sure(f"or {', '.join(one.name for one in visits[1:])}?")
        suggestion.week.append(f"column = {quoted(used[0].name)}{note}")
        _fill_names(suggestion, [str(label) for label in cells[used[0].name].dropna().unique()])
    elif dates and starts:
        used = [dates[0], starts[0]]
        note = "" if len(dates) == 1 else suggestion.not_sure("which date is that of the visit?")
        suggestion.week += [f"date = {quoted(dates[0].name)}{note}"]
        note = "" if len(starts) == 1 else suggestion.not_sure("which date is that of surgery or start?")
        suggestion.week += [f"start = {quoted(starts[0].name)}{note}"]
        _fill_origin(suggestion, starts[0])
        _fill_format(suggestion, used, cells)
        suggestion.week += ["", *_WINDOWS]
    elif weeks:
        used = weeks[:1]
        note = suggestion.not_sure("are these weeks since surgery or start?")
        suggestion.week += [f"column = {quoted(used[0].name)}{note}", f'unit = "{used[0].target}"']
    elif ages := [one for one in found.values() if one.target == "age_years" and varies_within(cells[one.name], ids)]:
        used = ages[:1]
        first = f"{read_numbers(cells[used[0].name])[0].min():g}"
        note = suggestion.not_sure(f"ages that change within patients: is it the time, from {first} years on?")
        suggestion.week += [f"column = {quoted(used[0].name)}{note}", 'unit = "years"', f"origin = {first}"]
    else:
        used = []
        note = suggestion.not_sure("no column is named like a week, a visit or a date; which one tells the time?")
        suggestion.week.append(f'column = "week"{note}')
    for one in used:
        found.pop(one.name)


def fill_dates(suggestion: SuggestedMap, found: dict[str, Recognised], cells: Mapping[str, pd.Series]) -> bool:
    """Add the dates of the visits of a wide file, if it has them and a start; say whether it has."""
    dated = [one for one in found.values() if one.role in ("date", "start") and one.header.time is not None]
    starts = [one for one in found.values() if one.role == "start" and one not in dated]
    if not dated or not starts:
        return False
    note = "" if len(starts) == 1 else suggestion.not_sure("which date is that of surgery or start?")
    suggestion.week.append(f"start = {quoted(starts[0].name)}{note}")
    written = {
        one.name: written_time(one.header.time, one.header.unit, "weeks")
        for one in dated
        if one.header.time is not None
    }
    times = ", ".join(
        f"{time if time.startswith(chr(34)) else quoted(time)} = {quoted(name)}" for name, time in written.items()
    )
    suggestion.week.append(f"dates = {{ {times} }}")
    _fill_origin(suggestion, starts[0])
    _fill_format(suggestion, [starts[0], *dated], cells)
    for one in (starts[0], *dated):
        found.pop(one.name)
    return True


def fill_week_zero(suggestion: SuggestedMap) -> None:
    """Ask what week 0 is, where no name says that it is surgery: a procedure is no reason to take it for that."""
    if any(line.startswith("counted_from") for line in suggestion.week):
        return
    place = next((i for i, line in enumerate(suggestion.week) if not line), len(suggestion.week))
    note = suggestion.not_sure("what is week 0: surgery, or the start of a programme after it?")
    suggestion.week.insert(place, f'# counted_from = "surgery"{note}')


def _fill_origin(suggestion: SuggestedMap, column: Recognised) -> None:
    """Say that weeks count from surgery, where the name of the column does."""
    if _SURGERY & set(words_of(column.name)):
        suggestion.week.append('counted_from = "surgery"')


def _fill_format(suggestion: SuggestedMap, columns: list[Recognised], cells: Mapping[str, pd.Series]) -> None:
    texts = [cells[one.name].dropna() for one in columns if pd.api.types.is_string_dtype(cells[one.name].dtype)]
    form, sure = date_format_of(text for values in texts for text in values.unique())
    if form is not None:
        note = "" if sure else suggestion.not_sure("no day is above 12: which number is the day, which the month?")
        suggestion.week.append(f"date_format = {quoted(form)}{note}")
    else:
        suggestion.week.append('# date_format = "%d.%m.%Y"  # where dates are not as year-month-day')


def _fill_names(suggestion: SuggestedMap, labels: list[str]) -> None:
    """Write the time of each visit by its name; days count from day 0, or from day 1 where there is no day 0."""
    times = {label: visit_time(label) for label in labels}
    days = {time[0] for time in times.values() if time is not None and time[1] == "days"}
    others = any(time == (0.0, "weeks") for time in times.values())
    from_one = 1.0 in days and 0.0 not in days and not others
    lines = []
    for label, time in times.items():
        if time is None and shown_cell(label) != label:
            lines.append(
                "#" + suggestion.not_sure("the name of a visit may say too much and is not shown; give its time")
            )
        elif time is None:
            note = suggestion.not_sure('when is it? A number of weeks, a time such as "6 weeks", or "leave out"')
            lines.append(f'{quoted(label)} = "..."{note}')
        elif time[1] == "days" and from_one:
            note = suggestion.not_sure("is day 1 the day of surgery or start?") if time[0] == 1.0 else ""
            lines.append(f'{quoted(label)} = "{time[0] - 1:g} days"{note}')
        else:
            lines.append(f"{quoted(label)} = " + (f"{time[0]:g}" if time[1] == "weeks" else f'"{time[0]:g} {time[1]}"'))
    suggestion.week += ["", "[week.names]", *lines]

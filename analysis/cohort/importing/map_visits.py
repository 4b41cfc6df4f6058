"""The map of visits: how time becomes weeks, and which columns hold values of which measure and limb."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Literal

from analysis.cohort.importing.map_keys import FileFormat, Keys, read_format
from analysis.cohort.importing.map_reference import FILE, LEAVE_OUT, LIMBS, PLACE_OF_TIME, PLACE_OF_WEEK
from analysis.cohort.recognition.header_words import TimeUnit
from analysis.cohort.recognition.spellings import fold
from analysis.cohort.recognition.visit_times import WEEKS_IN, visit_time
from analysis.cohort.tables import CountedFrom

Layout = Literal["long", "wide"]


@dataclass(frozen=True)
class WeekColumn:
    """How time becomes weeks.

    Either (value - origin) in ``unit``, or the days from the date in the column ``start`` to the date in the column
    ``date`` (in a wide file, in the columns ``dates`` by week) over 7; rounded to a multiple of ``round_to`` weeks
    where given. ``names`` gives the week of visits that the column names, None where they are left out. ``counted_from`` says
    what week 0 is, where the map does.
    """

    column: str | None = None
    unit: TimeUnit = "weeks"
    origin: float = 0.0
    round_to: float | None = None
    date: str | None = None
    start: str | None = None
    date_format: str | None = None
    dates: Mapping[float, str] = field(default_factory=dict)
    names: Mapping[str, float | None] = field(default_factory=dict)
    counted_from: CountedFrom | None = None

    def week_of(self, time: float) -> float:
        """Give a time of the map in weeks."""
        return (time - self.origin) * WEEKS_IN[self.unit]


@dataclass(frozen=True)
class ValueColumns:
    """Where values come from.

    Long: ``column`` holds the values of ``measure``, or of the measures named in ``measure_column``, where ``measures`` may give
    a label its limb too, and None leaves it out; ``baseline`` is a column that repeats the value of ``baseline_week`` in every
    row. Wide: ``times`` gives the week of each column, or ``pattern`` finds it in the names of the columns.
    """

    measure: str | None = None
    limb: str = "none"
    column: str | None = None
    times: Mapping[str, float] = field(default_factory=dict)
    pattern: str | None = None
    measure_column: str | None = None
    limb_column: str | None = None
    measures: Mapping[str, str] = field(default_factory=dict)
    measure_limbs: Mapping[str, str] = field(default_factory=dict)
    left_out: frozenset[str] = frozenset()
    limbs: Mapping[str, str] = field(default_factory=dict)
    baseline: str | None = None
    baseline_week: float = 0.0
    multiply: float = 1.0
    format: FileFormat | None = None

    @property
    def needs_side(self) -> bool:
        """Whether a limb is said as right or left."""
        return bool({"right", "left"} & {self.limb, *self.measure_limbs.values(), *self.limbs.values()})

    def times_in(self, names: list[str], week: WeekColumn) -> dict[str, float]:
        """Return the column names of a wide file with their week."""
        if self.pattern is None:
            return dict(self.times)
        by_number = PLACE_OF_WEEK in self.pattern
        before, after = self.pattern.split(PLACE_OF_WEEK if by_number else PLACE_OF_TIME)
        place = r"(-?\d+(?:\.\d+)?)" if by_number else "(.+)"
        expression = re.compile(re.escape(before) + place + re.escape(after))
        found = {name: match.group(1) for name in names if (match := expression.fullmatch(name))}
        if by_number:
            return {name: week.week_of(float(time)) for name, time in found.items()}
        times = {name: visit_time(time) for name, time in found.items()}
        return {name: time[0] * WEEKS_IN[time[1]] for name, time in times.items() if time is not None}


def read_week(keys: Keys, layout: str) -> WeekColumn:
    """Read the section of the time."""
    keys.allow()
    if layout == "wide":
        for key in ("column", "date", "names"):
            if key in keys.data:
                raise keys.error(key, "is for long files; in a wide one the columns under [[values]] have their times")
    elif "dates" in keys.data:
        raise keys.error("dates", 'is for wide files; in a long one give date = "name of the column"')
    else:
        keys.one_of("column", "date")
    dated = "date" in keys.data or "dates" in keys.data
    if dated and "start" not in keys.data:
        raise keys.error("start", "is missing: the column with the date of surgery or start")
    if dated and ("unit" in keys.data or "origin" in keys.data):
        raise keys.error("unit", "and origin are for numbers, not for dates")
    round_to = keys.number("round_to")
    if round_to is not None and round_to <= 0:
        raise keys.error("round_to", "should be above 0")
    if "names" in keys.data and "column" not in keys.data:
        raise keys.error("names", "are of visits that a column names: give column as well")
    plain = WeekColumn(
        column=keys.text("column"),
        unit=keys.choice("unit"),  # type: ignore[arg-type]
        origin=keys.number("origin") or 0.0,
        round_to=round_to,
        date=keys.text("date"),
        start=keys.text("start"),
        date_format=keys.text("date_format"),
        counted_from=keys.choice("counted_from") or None,  # type: ignore[arg-type]
    )
    names = keys.data.get("names", {})
    if not isinstance(names, Mapping):
        raise keys.error("names", 'should be a table of visits and their weeks: { "Screening" = -2, "Week 6" = 6 }')
    return replace(
        plain,
        dates={_week(plain, keys, f"{time} in dates", time): column for time, column in keys.labels("dates").items()},
        names={
            fold(str(name)): None if time == LEAVE_OUT else _week(plain, keys, f"{name} in names", time)
            for name, time in names.items()
        },
    )


def _week(week: WeekColumn, keys: Keys, key: str, time: Any) -> float:
    """Give a time of a map in weeks: a number in the unit of the map, or a text with its own unit."""
    if isinstance(time, int | float) and not isinstance(time, bool):
        return week.week_of(float(time))
    text = str(time)
    if re.fullmatch(r"\s*-?\d+(?:\.\d+)?\s*", text):
        return week.week_of(float(text))
    known = visit_time(text) if isinstance(time, str) else None
    if known is None:
        raise keys.error(key, f'should be a number, or a time with its unit such as "6 weeks", not {time!r}')
    return known[0] * WEEKS_IN[known[1]]


def _factor(keys: Keys) -> float:
    factor = keys.number("multiply")
    if not factor:
        raise keys.error("multiply", "should not be 0, which would make every value 0")
    return factor


def read_values(keys: Keys, layout: str, usual: FileFormat, week: WeekColumn) -> ValueColumns:
    """Read one entry of values."""
    keys.allow()
    keys.one_of(*(("measure", "measure_column") if layout == "long" else ("columns", "pattern")))
    if "baseline_week" in keys.data and "baseline" not in keys.data:
        raise keys.error("baseline_week", "needs baseline, the column that repeats the value of that week")
    pattern = keys.text("pattern")
    if pattern is not None and pattern.count(PLACE_OF_WEEK) + pattern.count(PLACE_OF_TIME) != 1:
        raise keys.error("pattern", f"should hold {PLACE_OF_WEEK} once, for example 'flexion_w{PLACE_OF_WEEK}', or {PLACE_OF_TIME}, "
                         f"which stands for 6 weeks, 3mo, pre and the like")  # fmt: skip
    columns, place = keys.data.get("columns", {}), keys.part("file", "sheet")
    if not isinstance(columns, Mapping):
        raise keys.error("columns", 'should be a table of columns and times: { pain_pre = 0, pain_6w = "6 weeks" }')
    labels = keys.labels("measures")
    of_limbs = {label: said.rpartition(" ") for label, said in labels.items() if said.rpartition(" ")[2] in LIMBS}
    limbs = keys.labels("limbs")
    if of_limbs and "limb_column" in keys.data:
        raise keys.error("measures", "and limb_column both say the limb: leave one of them out")
    unknown = [said for said in limbs.values() if said not in LIMBS]
    if unknown:
        raise keys.error("limbs", f"should become one of {', '.join(map(repr, LIMBS))}, not {unknown[0]!r}")
    return ValueColumns(
        measure=keys.text("measure"),
        limb=keys.choice("limb"),
        column=keys.text("column"),
        times={name: _week(week, keys, f"{name} in columns", time) for name, time in columns.items()},
        pattern=pattern,
        measure_column=keys.text("measure_column"),
        limb_column=keys.text("limb_column"),
        measures=labels | {label: measure for label, (measure, _, _) in of_limbs.items()},
        measure_limbs={fold(label): limb for label, (_, _, limb) in of_limbs.items()},
        left_out=frozenset(fold(label) for label, said in labels.items() if said == LEAVE_OUT),
        limbs=limbs,
        baseline=keys.text("baseline"),
        baseline_week=week.week_of(keys.number("baseline_week") or 0.0) if "baseline_week" in keys.data else 0.0,
        multiply=_factor(keys),
        format=read_format(Keys(place.data, keys.file, keys.place, FILE), usual) if place.data else None,
    )

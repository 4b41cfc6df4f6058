"""The corpus of header styles as files with their truth: twelve invented patients each, every cell fixed by its place.

A column is its header and what it truly is. ``measure NAME LIMB [TIME]`` holds values (limb right and left are those of the
body, ``row`` the one that the row names); ``baseline NAME LIMB`` repeats the value of week 0; ``value``, ``parameter`` and
``limb`` belong together. Times are weeks, or days (d) and months (mo). ``open`` says that no file tells it: whoever maps the
column without a mark has guessed. ``rows`` is what a row is: a patient, a visit, a limb at a visit, a value.
"""

from __future__ import annotations

import datetime as dt
import tomllib
from pathlib import Path
from random import Random
from typing import Any, NamedTuple

import openpyxl

HERE = Path(__file__).parent
PATIENTS = 12
_RANGES = {
    "pain": (0, 10, 0), "quadriceps_torque": (0.9, 3.1, 2), "quadriceps_torque_nm": (60, 240, 0), "hamstring_torque": (0.5, 1.6, 2),
    "thigh_girth": (38, 55, 1),
    "knee_flexion": (85, 140, 0), "knee_extension": (-9, 5, 0), "oxford_knee_score": (5, 48, 0), "lefs": (10, 80, 0),
    "six_minute_walk": (250, 600, 0),
}  # fmt: skip
_UNITS = {"pain": "points", "knee_flexion": "deg", "ikdc": "points"}

Entry = tuple[str, float, str, str, float]


class Column(NamedTuple):
    """A column: its header by rows, its truth in words, its cells, and the visits that it truly holds."""

    header: tuple[str, ...]
    truth: tuple[str, ...]
    cells: list[Any]
    visits: set[Entry]


class Style(NamedTuple):
    """A file as it was written, and the truth about it."""

    theme: str
    about: str
    path: Path
    columns: list[Column]
    labels: dict[str, tuple[str, str]]

    @property
    def visits(self) -> set[Entry]:
        """Every visit that the file holds."""
        return set().union(*(column.visits for column in self.columns))


def weeks_of(time: str | float) -> float:
    """Give a time of the corpus in weeks: a number of weeks, of days (d) or of months (mo) of 365.25 / 12 days."""
    text = str(time)
    for ending, weeks in (("mo", 365.25 / 12 / 7), ("d", 1 / 7)):
        if text.endswith(ending):
            return float(text.removesuffix(ending)) * weeks
    return float(text)


def styles(place: Path) -> list[Style]:
    """Write every style as a file into a folder."""
    found = []
    for path in sorted(HERE.glob("*.toml")):
        for i, entry in enumerate(tomllib.loads(path.read_text(encoding="utf-8"))["style"]):
            maker = _Maker(entry)
            columns = [maker.column(*column) for column in entry["columns"]]
            ending = entry.get("file", "csv")
            target = place / f"{path.stem}_{i + 1}.{ending}"
            if ending == "xlsx":
                _write_workbook(target, columns)
            else:
                _write_text(target, columns, entry.get("delimiter", ","))
            labels = {label: tuple(what.split()) for label, what in entry.get("parameters", [])}
            found.append(Style(path.stem, entry["about"], target, columns, labels))
    return found


class _Maker:
    """Makes the cells of the columns of one style."""

    def __init__(self, entry: dict[str, Any]) -> None:
        self.entry = entry
        row, times = entry.get("rows", "patient"), entry.get("times", [None])
        inner: list[Any] = {"limb": ["right", "left"], "value": entry.get("parameters")}.get(row, [None])
        self.rows = [(i, place, one) for i in range(PATIENTS) for place in range(len(times)) for one in inner]
        self.times = [None if time is None else weeks_of(time) for time in times]
        self.odd = list(entry.get("odd", []))
        self.sides = [("right", "left")[i % 3 > 0] for i in range(PATIENTS)]

    def column(self, header: str, truth: str) -> Column:
        """Make one column."""
        words = tuple(truth.split())
        visits: set[Entry] = set()
        cells = [self._cell(words, row, visits) for row in self.rows]
        if words[0] in ("measure", "value") and self.odd:
            self._plant(words, cells, visits)
        return Column(tuple(part.strip() for part in header.split("|")), words, cells, visits)

    def _cell(self, words: tuple[str, ...], row: tuple[int, int, Any], visits: set[Entry]) -> Any:
        i, place, inner = row
        kind, time, rng = words[0], self.times[place], Random(f"{self.entry['about']} {words} {i}")
        start = dt.date(2024, 1, 1) + dt.timedelta(days=i)
        if kind in ("measure", "value", "baseline"):
            return self._value(words, row, visits)
        simple = {
            "patient": f"S{101 + i}", "protocol": ("usual", "early")[i % 2], "parameter": inner and inner[0],
            "side": self._side(self.sides[i]), "start": self._date(start), "limb": self._limb(row),
        }  # fmt: skip
        if kind in simple:
            return simple[kind]
        if kind == "visit":
            return self.entry["visits"][place]
        if kind == "week":
            return f"{time:g}"
        if kind == "date":
            when = time if time is not None else weeks_of(words[1])
            return self._date(start + dt.timedelta(days=round(7 * (when or 0))))
        if kind == "covariate":
            low, high = {"sex": (0, 1), "age_years": (19, 71), "body_mass_kg": (52, 104), "height_cm": (155, 196)}[
                words[1]
            ]
            return ("f", "m")[i % 2] if words[1] == "sex" else str(rng.randint(low, high))
        if kind == "identifier":
            return (
                f"Qu{'aeiou'[i % 5]}r{'mnst'[i % 4]}"
                if words[1] == "name"
                else f"{48210 + 37 * i}"
                if words[1] == "number"
                else f"19{50 + i}-03-{i + 10}"
            )
        return self._unused(words, row, rng)

    def _unused(self, words: tuple[str, ...], row: tuple[int, int, Any], rng: Random) -> str:
        i, place, inner = row
        if words[1] == "number":
            return str(rng.randint(int(words[2]), int(words[3])))
        if words[1] in ("constant", "labels"):
            return words[2 + i % (len(words) - 2)]
        if words[1] == "date":
            return self._date(dt.date(2024, 1, 3) + dt.timedelta(days=i))
        if words[1] == "place":
            return str(place + 1)
        if words[1] == "unit":
            return _UNITS[inner[1].split()[0]]
        measured = next(one for one in self._truths() if one[0] in ("measure", "value"))
        now, before = (self._number(*self._what(measured, row), i, week) for week in (self.times[place], 0.0))
        return self._text(round(now - before, 2))

    def _truths(self) -> list[tuple[str, ...]]:
        return [tuple(truth.split()) for _, truth in self.entry["columns"]]

    def _what(self, words: tuple[str, ...], row: tuple[int, int, Any]) -> tuple[str, str]:
        """Say which measure and limb a cell is of."""
        i, _, inner = row
        measure, limb = inner[1].split() if isinstance(inner, list) else words[1:3]
        limb = inner if limb == "row" else limb
        if limb in ("right", "left"):
            limb = "involved" if limb == self.sides[i] else "uninvolved"
        return measure, limb

    def _value(self, words: tuple[str, ...], row: tuple[int, int, Any], visits: set[Entry]) -> str:
        i, place, _ = row
        measure, limb = self._what(words, row)
        week = 0.0 if words[0] == "baseline" else self.times[place]
        week = weeks_of(words[3]) if week is None else week
        if any(truth[0] == "date" for truth in self._truths()):
            week = round(7 * week) / 7
        value = self._number(measure, limb, i, week)
        visits.add((f"S{101 + i}", round(week, 6), measure, limb, value))
        return self._text(value)

    def _number(self, measure: str, limb: str, i: int, week: float | None) -> float:
        low, high, decimals = _RANGES.get(measure, (20, 95, 0))
        return round(Random(f"{self.entry['about']} {measure} {limb} {i} {week}").uniform(low, high), decimals)

    def _plant(self, words: tuple[str, ...], cells: list[Any], visits: set[Entry]) -> None:
        """Put odd cells into the last rows of the third patient and those after: limits stay values, reasons are none."""
        for i, odd in enumerate(self.odd, start=2):
            k = max(place for place, row in enumerate(self.rows) if row[0] == i)
            was: set[Entry] = set()
            self._value(words, self.rows[k], was)
            visits -= was
            cells[k] = odd
            if odd[0] in "<>≤≥":
                limit = float(odd.strip("<>≤≥ ").replace(",", "."))
                visits |= {(*entry[:4], limit) for entry in was}
        self.odd = []

    def _text(self, number: float) -> str:
        return f"{number:g}".replace(".", self.entry.get("decimal", "."))

    def _date(self, day: dt.date) -> str:
        return day.strftime(self.entry.get("dates", "%Y-%m-%d"))

    def _side(self, side: str) -> str:
        return self.entry.get("sides", ["right", "left"])[side == "left"]

    def _limb(self, row: tuple[int, int, Any]) -> str:
        if isinstance(row[2], str):
            return self._side(row[2])
        return self.entry["limbs"][row[2][1].split()[1]] if row[2] and "limbs" in self.entry else ""


def _grid(columns: list[Column]) -> list[list[Any]]:
    head = [list(row) for row in zip(*(column.header for column in columns), strict=True)]
    return head + [list(row) for row in zip(*(column.cells for column in columns), strict=True)]


def _write_text(path: Path, columns: list[Column], delimiter: str) -> None:
    lines = [delimiter.join(str(cell) for cell in row) for row in _grid(columns)]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


def _write_workbook(path: Path, columns: list[Column]) -> None:
    """Write numbers as numbers, and merge the cells of the first row with the empty ones to their right."""
    book = openpyxl.Workbook()
    sheet = book.active
    for row in _grid(columns):
        sheet.append([float(cell) if cell.replace(".", "", 1).isdigit() else cell or None for cell in map(str, row)])
    for i, column in enumerate(columns[1:], start=2):
        if column.header[0] == "":
            sheet.merge_cells(start_row=1, end_row=1, start_column=i - 1, end_column=i)
    book.save(path)

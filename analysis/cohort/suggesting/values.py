"""The values of a suggested map: wide columns by their times, long columns with their baseline, measures below each other."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, replace

import pandas as pd

from analysis.cohort.catalogue import load_catalogue
from analysis.cohort.columns import read_numbers
from analysis.cohort.recognition.header_words import HeaderWords, header_words, limb_of_label
from analysis.cohort.recognition.measured_cells import measured_cells
from analysis.cohort.recognition.recognise_columns import Recognised, fits_surely
from analysis.cohort.recognition.trade_words import shown_cell, words_of
from analysis.cohort.recognition.visit_times import WEEKS_IN
from analysis.cohort.suggesting.map_text import SuggestedMap, key, quoted

_VALUE = r"^(?:test_)?(?:aval|[a-z]{2}stresn|value|val|result|score|reading|wert|messwert|ergebnis|valeur|resultat|valor|resultado)(?:_|$)"
_TORQUE = "quadriceps_torque"
#: Fewer of the values than this share could be N·m/kg: they are N·m (design choice).
_MOST_PER_KG = 0.1
_PER_KG = "N·m/kg is computed with the body mass, and reports take that"
_NO_MASS = "with body_mass_kg under [patients], N·m/kg would be computed from it"


@dataclass(frozen=True)
class Block:
    """Columns that become one entry of values: a measure of one limb."""

    header: HeaderWords
    columns: tuple[Recognised, ...]

    @property
    def measure(self) -> str | None:
        """The measure; torque without a unit in the name is not told apart yet."""
        return self.header.measure


def wide_blocks(found: Mapping[str, Recognised]) -> list[Block]:
    """Give the columns that differ in time only; a single one where name and measure leave no doubt that it has a time."""
    groups: dict[tuple[str, str], list[Recognised]] = {}
    for one in found.values():
        if one.role in ("measure", "unknown") and one.header.time is not None:
            groups.setdefault((one.header.stem, one.header.limb), []).append(one)
    for one in found.values():
        group = groups.get((one.header.stem, one.header.limb), [])
        if one.role == "measure" and one.header.time is None and group and all(other.header.time for other in group):
            group.append(replace(one, header=replace(one.header, time=0.0)))  # before the others, perhaps
    blocks = []
    for group in groups.values():
        times = Counter((one.header.time, one.header.unit) for one in group)
        head = group[0].header
        timed = head.measure is not None and (head.unit is not None or head.baseline)
        if max(times.values()) == 1 and (len(group) > 1 or timed):
            blocks.append(Block(head, tuple(sorted(group, key=lambda one: _weeks(one.header)))))
    return blocks


def fill_wide(
    suggestion: SuggestedMap, blocks: list[Block], cells: Mapping[str, pd.Series], *, side: bool, dated: bool
) -> None:
    """Add the unit of the times, and an entry for each block; ``dated`` says that there are dates, so that no unit stands."""
    headers = [one.header for block in blocks for one in block.columns]
    units = {header.unit for header in headers if header.unit is not None}
    unit = units.pop() if len(units) == 1 else None
    if dated:
        unit = "weeks"
    elif unit is not None:
        suggestion.week.append(f'unit = "{unit}"')
    elif not units:
        note = suggestion.not_sure(
            "the names of the columns give numbers without a unit, perhaps the number of a visit"
        )
        suggestion.week.append(f'unit = "weeks"{note}')
    limbs = _Limbs([block.header for block in blocks], side=side)
    for block in blocks:
        numbers = [_numbers(cells[one.name]) for one in block.columns]
        if all(values.isna().all() for values in numbers):
            suggestion.left_out += [f"{one.name}: no numbers" for one in block.columns]
            continue
        lines = measure_lines(suggestion, block.header, numbers, limbs, sure=all(one.sure for one in block.columns))
        bare = [one for one in block.columns if one.header.unit is None and not one.header.baseline]
        note = suggestion.not_sure(f"when is {bare[0].name}?") if bare and (unit or units) else ""
        times = ", ".join(
            f"{quoted(one.name)} = {written_time(one.header.time, one.header.unit, unit)}"
            for one in block.columns
            if one.header.time is not None
        )
        suggestion.value_entries.append("\n".join(["[[values]]", *lines, f"columns = {{ {times} }}{note}"]))


def written_time(time: float, named: str | None, unit: str | None) -> str:
    """Write a time as a map has it: a number where the unit ``named`` is that of the map or there is none, else with its unit."""
    return f"{time:g}" if named is None or named == unit else quoted(f"{time:g} {named}")


def fill_long(
    suggestion: SuggestedMap, found: dict[str, Recognised], cells: Mapping[str, pd.Series], *, side: bool
) -> None:
    """Add an entry for each measure of a file with one row a visit; what is used goes out of ``found``."""
    limb = next((one for one in found.values() if one.role == "limb"), None)
    fill_stacked(suggestion, found, cells, limb, side=side)
    measures = [one for one in found.values() if one.role == "measure" and one.header.time is None]
    before = {(one.header.measure, one.header.limb): one for one in found.values()
              if one.role == "measure" and one.header.baseline}  # fmt: skip
    limbs = _Limbs(
        [one.header for one in measures],
        side=side,
        column=limb,
        values=cells.get(limb.name if limb else ""),
    )
    for one in measures:
        lines = measure_lines(suggestion, one.header, [_numbers(cells[one.name])], limbs, sure=one.sure)
        lines.append(f"column = {quoted(one.name)}")
        baseline = before.get((one.header.measure, one.header.limb))
        if baseline is not None:
            lines.append(f"baseline = {quoted(baseline.name)}")
            found.pop(baseline.name)
        suggestion.value_entries.append("\n".join(["[[values]]", *lines]))
        found.pop(one.name)
    if limb is not None and limbs.used:
        found.pop(limb.name, None)


def fill_described(suggestion: SuggestedMap, one: Recognised, values: pd.Series) -> None:
    """Add the entry of a column of numbers that is no known measure, with a description to be looked through."""
    name = _described(suggestion, one.header.stem or one.name, _numbers(values).dropna())
    suggestion.value_entries.append(f'[[values]]\nmeasure = "{name}"\ncolumn = {quoted(one.name)}')


def fill_stacked(
    suggestion: SuggestedMap,
    found: dict[str, Recognised],
    cells: Mapping[str, pd.Series],
    limb: Recognised | None,
    *,
    side: bool,
) -> None:
    """Add the entry of a file in which a column names the measure of each row."""
    parameter = next((one for one in found.values() if one.role == "parameter"), None)
    named = [one for one in found.values() if one.role in ("measure", "unknown", "week")
             and re.search(_VALUE, "_".join(words_of(one.name)))]  # fmt: skip
    if parameter is None:
        return
    doubts = [] if len(named) == 1 else [f"or is the value in {', '.join(one.name for one in named[1:])}?"]
    if not named:
        named = [one for one in found.values() if one.role == "unknown" and one.note.startswith("numbers")][:1]
        doubts = [f"is the value in {one.name}?" for one in named]
    if not named:
        return
    labels = [str(label) for label in cells[parameter.name].dropna().unique()]
    headers = {label: header_words(label) for label in labels}
    letters = {header.letter for header in headers.values()}
    known = {}
    for label, header in headers.items():
        if (header.rest or header.measure is None) and shown_cell(label) != label:
            doubts.append("a label that may say too much is not shown")
            continue
        said = header.limb or (
            (limb_of_label(header.letter) or "") if header.letter and len(letters - {""}) == 2 else ""
        )
        measure = None if header.measure is None else load_catalogue().get(header.measure)
        if measure is None or not fits_surely(header):
            doubts.append(f"is {label} this measure?" if measure is not None else f"what is {label}?")
        with_limb = measure is not None and "involved" in measure.limbs and limb is None
        if said in ("right", "left") and not side:
            doubts.append("which side was operated?")
        known[label] = (
            "leave out" if measure is None else f"{measure.name} {said or 'involved'}" if with_limb else measure.name
        )
    twice = [label for label, n in Counter(known.values()).items() if n > 1 and label != "leave out"]
    doubts += [f"two labels for {one}" for one in twice]
    recode = ", ".join(f"{quoted(label)} = {quoted(said)}" for label, said in known.items())
    note = suggestion.not_sure("; ".join(dict.fromkeys(doubts))) if doubts else ""
    lines = ["[[values]]", f"measure_column = {quoted(parameter.name)}", f"measures = {{ {recode} }}{note}",
             f"column = {quoted(named[0].name)}"]  # fmt: skip
    if limb is not None:
        lines += limb_lines(suggestion, limb, cells[limb.name], side=side)
        found.pop(limb.name)
    baseline = next((one for one in found.values() if one.header.baseline and not one.header.stem), None)
    if baseline is not None:
        lines.append(f"baseline = {quoted(baseline.name)}")
        found.pop(baseline.name)
    suggestion.value_entries.append("\n".join(lines))
    for one in (parameter, named[0]):
        found.pop(one.name)


def limb_lines(suggestion: SuggestedMap, limb: Recognised, values: pd.Series, *, side: bool) -> list[str]:
    """Give the lines of the column that names the limb of each row."""
    labels = [str(label) for label in values.dropna().unique()]
    limbs = {label: limb_of_label(label) for label in labels if shown_cell(label) == label}
    known = ", ".join(f"{quoted(label)} = {quoted(said)}" for label, said in limbs.items() if said and label != said)
    doubt = "" if len(limbs) == len(labels) and all(limbs.values()) else "which limb is which?"
    if {"right", "left"} & set(limbs.values()) and not side:
        doubt = "which side was operated? Add involved_side under [patients]"
    note = suggestion.not_sure(doubt) if doubt else ""
    return [f"limb_column = {quoted(limb.name)}{note}", *([f"limbs = {{ {known} }}"] if known else [])]


class _Limbs:
    """Which limb an entry is of: the one that it names; the involved one where nothing else is named beside it.

    Names with words that nothing explains do not count beside others.
    """

    def __init__(
        self,
        headers: list[HeaderWords],
        *,
        side: bool,
        column: Recognised | None = None,
        values: pd.Series | None = None,
    ) -> None:
        self.side, self.column, self.used = side, column, False
        self.values = pd.Series(dtype="str") if values is None else values
        self.said: dict[str | None, list[str]] = {}
        for header in headers:
            if not header.rest:
                self.said.setdefault(header.measure, []).append(header.limb)

    def lines(self, suggestion: SuggestedMap, header: HeaderWords) -> list[str]:
        """Give the line of the limb, with what is in doubt."""
        if self.column is not None and not header.limb:
            self.used = True
            return limb_lines(suggestion, self.column, self.values, side=self.side)
        said = self.said.get(header.measure, [])
        doubt = "two columns of the same measure and limb" if said.count(header.limb) > 1 else ""
        if header.limb in ("right", "left") and not self.side:
            doubt = "no column tells which side was operated; add involved_side under [patients]"
        if not header.limb and {*said} - {"", "uninvolved"}:
            doubt = "which limb?"
        alone = "  # the only limb named here: taken as the involved one" if not header.limb and len(said) == 1 else ""
        return [f'limb = "{header.limb or "involved"}"' + (suggestion.not_sure(doubt) if doubt else alone)]


def measure_lines(
    suggestion: SuggestedMap, header: HeaderWords, values: list[pd.Series], limbs: _Limbs, *, sure: bool
) -> list[str]:
    """Name the measure and the limb; a measure that the catalogue lacks is described from its values."""
    catalogue = load_catalogue()
    known = catalogue.get(header.measure) if header.measure is not None else None
    numbers = pd.concat(values).dropna()
    if known is None:
        return [f'measure = "{_described(suggestion, header.stem, numbers)}"']
    note = ""
    if known.name == _TORQUE and numbers.between(known.lowest, known.highest).mean() < _MOST_PER_KG and not header.rest:
        known, sure = catalogue[f"{_TORQUE}_nm"], True
        note = "N·m by its values; "
    if known.name == f"{_TORQUE}_nm":
        note = f"  # {note}{_PER_KG if suggestion.body_mass else _NO_MASS}"
    inside = numbers.between(known.lowest, known.highest).mean()
    doubt = "" if sure else f"{known.label} in {known.unit}?"
    if inside < 0.95:
        doubt = f"{1 - inside:.0%} of the values are outside {known.lowest:g} to {known.highest:g} {known.unit}"
    lines = [f'measure = "{known.name}"' + (suggestion.not_sure(doubt) if doubt else note)]
    if known.limbs == ("none",):
        again = limbs.said.get(header.measure, []).count(header.limb) > 1
        lines[0] += suggestion.not_sure("several columns of this measure") if again and not doubt else ""
        return lines
    return lines + limbs.lines(suggestion, header)


def _described(suggestion: SuggestedMap, stem: str, numbers: pd.Series) -> str:
    name = key(stem)
    note = suggestion.not_sure("unit, direction and range of this measure")
    highest = float(numbers.max()) if numbers.max() > 0 else 1.0
    suggestion.measures.append(
        f'[measures.{name}]{note}\nunit = "points"\ndirection = "higher is better"\n'
        f"lowest = {min(0.0, float(numbers.min())):g}\nhighest = {highest:g}"
    )
    return name


def _numbers(values: pd.Series) -> pd.Series:
    return read_numbers(measured_cells(values).cells)[0]


def _weeks(header: HeaderWords) -> float:
    return (header.time or 0.0) * WEEKS_IN[header.unit or "weeks"]

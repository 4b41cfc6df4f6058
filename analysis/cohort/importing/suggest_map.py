"""A first map file, written from the columns that a file has, with comments where it is not sure."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path

import pandas as pd

from analysis.cohort.catalogue import load_catalogue
from analysis.cohort.columns import Column, convert, read_numbers
from analysis.cohort.files.file_formats import STATISTICS_FILES, WORKBOOKS
from analysis.cohort.files.paths import refuse_no_file
from analysis.cohort.files.readers import DELIMITERS, read_table
from analysis.cohort.importing.map_keys import FileFormat
from analysis.cohort.importing.map_text import SuggestedMap, compose, key, quoted
from analysis.cohort.importing.sources import Sources
from analysis.cohort.importing.suggest_home import fill_home
from analysis.cohort.importing.suggest_sheets import Sheets, choose_sheets, place_of_name
from analysis.cohort.recognition.recognise_columns import (
    Recognised,
    WideColumn,
    limb_of,
    recognise,
    recognise_measure,
    wide_column,
)
from analysis.cohort.recognition.recognise_home import recognise_home, varies_within
from analysis.errors import CohortError
from analysis.progress import steps

_HEAD_ROWS = 100_000
_MOST_PROTOCOLS = 8
_COMMA = r"\s*[+-]?\d+,\d+\s*"
#: Fewer of the values than this share could be N·m/kg: they are N·m (design choice).
_MOST_PER_KG = 0.1
_PER_KG = "N·m/kg is computed with the body mass, and reports take that"
_NO_MASS = "with body_mass_kg under [patients], N·m/kg would be computed from it"
_READABLE = (".csv", ".txt", ".tsv", ".parquet", ".pq", *WORKBOOKS, *STATISTICS_FILES)


def suggest_map(file: str | os.PathLike[str], map_file: str | os.PathLike[str]) -> int:
    r"""Write a first map of a file, for a person to go through.

    Parameters
    ----------
    file : path
        File that shall be imported; of a folder, one at a time. Of a workbook with several sheets the one that has all is
        taken, or that of the patients and that of the visits.
    map_file : path
        TOML file that is written; it must not exist.

    Returns
    -------
    int
        How many lines say ``not sure``.

    Raises
    ------
    CohortError
        The map file is there already or cannot be written, or the file cannot be read.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as place:
    ...     data, written = Path(place) / "scores.csv", Path(place) / "scores.toml"
    ...     _ = data.write_text("id,treatment,koos_pain_pre,koos_pain_6w\nP1,usual,44,58\nP2,early,51,60\n")
    ...     suggest_map(data, written), written.read_text().splitlines()[4]
    (0, 'layout = "wide"')
    """
    target = Path(map_file)
    refuse_no_file(target)
    if target.exists() or target.is_symlink():
        raise CohortError(
            "There is a file of that name, and a map is never overwritten.",
            where=str(target),
            what_to_do="Choose another name with --map, or remove the file.",
        )
    path = Path(file)
    with steps(f"Suggesting a map of {path.name}") as step:
        frame, labelled, form, sheets, doubts = _read(path)
        step("columns")
        suggestion = SuggestedMap(form)
        _fill(suggestion, frame, labelled, path.name)
        sheets.say(suggestion)
        text = compose(suggestion, path.name, doubts)
    try:
        with target.open("x", encoding="utf-8", newline="\n") as stream:
            stream.write(text)
    except OSError as error:
        raise CohortError(
            f"The map file cannot be written: {error.strerror or error}.",
            where=str(target),
            what_to_do="Choose a place that you may write to.",
        ) from None
    return suggestion.questions + len(doubts)


def _read(path: Path) -> tuple[pd.DataFrame, dict[str, pd.Series], FileFormat, Sheets, list[str]]:
    """Read the file, or the sheets of a workbook that go together, trying delimiters and encodings; tell what was not sure."""
    if path.is_dir():
        Sources(path, "", None)  # type: ignore[arg-type]  # refuses links; nothing is read
        there = ", ".join(sorted(one.name for one in path.iterdir() if one.suffix.lower() in _READABLE))
        raise CohortError(
            "A map is suggested for one file at a time.",
            where=f"{path.name} holds: {there or 'no table'}",
            what_to_do="Ask for each file, and join the parts in one map with a section [files].",
        )
    doubts: list[str] = []
    form, sheets = FileFormat(), Sheets(None, None, "")
    if path.suffix.lower() in WORKBOOKS:
        sheets = choose_sheets(path)
        form = FileFormat(sheet=None if sheets.visits is None else sheets.visits.name)
        doubts += [sheets.doubt] if sheets.doubt else []
    elif path.suffix.lower() not in (".parquet", ".pq", *STATISTICS_FILES):
        form = replace(form, delimiter=_delimiter(path))
    try:
        raw = read_table(path, delimiter=form.delimiter, sheet=form.sheet, missing=form.missing)
    except CohortError as error:
        if "utf-8" not in error.what:
            raise
        form = replace(form, encoding="cp1252")
        raw = read_table(path, delimiter=form.delimiter, encoding="cp1252", missing=form.missing)
        doubts.append("the encoding: the file is not UTF-8; look whether letters with accents came out right")
    frame = (raw.frame if sheets.people is None else sheets.joined()).head(_HEAD_ROWS)
    texts = [name for name in frame if pd.api.types.is_string_dtype(frame[name].dtype)]
    commas = sum(bool(frame[name].dropna().head(1000).str.fullmatch(_COMMA).mean() > 0.5) for name in texts)
    if commas:
        form = replace(form, decimal=",")
    return frame, dict(raw.labelled), form, sheets, doubts


def _delimiter(path: Path) -> str:
    try:
        with path.open("rb") as stream:
            first = stream.readline(1 << 16).decode("utf-8-sig", "replace")
    except OSError:
        return ","
    return max(DELIMITERS, key=first.count)


def _fill(suggestion: SuggestedMap, frame: pd.DataFrame, labelled: dict[str, pd.Series], file: str) -> None:
    cells = {str(name): labelled.get(str(name), frame[name]) for name in frame.columns}
    found = {name: recognise(values, name) for name, values in cells.items()}
    suggestion.body_mass = any(one.target == "body_mass_kg" for one in found.values())
    patient = _fill_patient(suggestion, found, cells)
    wide = _wide_groups([name for name in cells if name != patient and found[name].role in ("measure", "unknown")])
    ids = cells[patient].dropna()
    if wide and not ids.duplicated().any():
        suggestion.layout = "wide"
        _fill_wide(suggestion, wide, cells)
    used = {column.name for group in wide.values() for column in group} if suggestion.layout == "wide" else set()
    rest = {name: one for name, one in found.items() if name not in used and name != patient}
    home = recognise_home(rest, cells, ids) if suggestion.layout == "long" else None
    if home is not None:
        alone = not any(one.role == "measure" for one in rest.values())
        fill_home(suggestion, home, file=file, alone=alone)
        taken = {name for key, name in home.columns.items() if alone or key not in ("week", "start")}
        rest = {name: one for name, one in rest.items() if name not in taken}
    if suggestion.part_of:
        for one in rest.values():
            suggestion.left_out.append(f"{one.name}: {_what_it_is(one)}")
        return
    _fill_protocol(suggestion, rest, cells)
    if suggestion.layout == "long":
        _fill_week(suggestion, rest)
    for one in rest.values():
        _fill_column(suggestion, one, cells, ids)


def _fill_patient(suggestion: SuggestedMap, found: dict[str, Recognised], cells: dict[str, pd.Series]) -> str:
    candidates = [one for one in found.values() if one.role == "patient"]
    candidates.sort(key=lambda one: place_of_name(one.name))
    if candidates:
        chosen = candidates[0]
        others = ", ".join(one.name for one in candidates[1:])
        note = suggestion.not_sure(f"or {others}?") if others else ""
        suggestion.patients.append(f"patient_id = {quoted(chosen.name)}{note}")
        return chosen.name
    first = next(iter(cells))
    note = suggestion.not_sure("no column is named like an identifier of the patient")
    suggestion.patients.append(f"patient_id = {quoted(first)}{note}")
    return first


def _fill_protocol(suggestion: SuggestedMap, found: dict[str, Recognised], cells: dict[str, pd.Series]) -> None:
    candidates = [one for one in found.values() if one.role == "protocol"]
    if not candidates:
        note = suggestion.not_sure("no column is named like a protocol or group; is there one?")
        suggestion.patients.append(f'protocol = {{ constant = "all" }}{note}')
        return
    others = ", ".join(one.name for one in candidates[1:])
    note = suggestion.not_sure(f"or {others}?") if others else ""
    if not candidates[0].sure:
        note = suggestion.not_sure("it holds one label only")
    suggestion.patients.append(f"protocol = {quoted(candidates[0].name)}{note}")
    labels = [str(label) for label in cells[candidates[0].name].dropna().unique()]
    if len(labels) > 1:
        suggestion.protocols += labels[:_MOST_PROTOCOLS] + (["..."] if len(labels) > _MOST_PROTOCOLS else [])
    for one in candidates[1:]:
        found[one.name] = replace(one, role="unknown", note="another grouping?")
    found.pop(candidates[0].name)


def _fill_week(suggestion: SuggestedMap, found: dict[str, Recognised]) -> None:
    weeks = [one for one in found.values() if one.role == "week"]
    dates = [one for one in found.values() if one.role == "date"]
    starts = [one for one in found.values() if one.role == "start"]
    if weeks:
        weeks.sort(key=lambda one: not one.sure)
        note = "" if weeks[0].sure else suggestion.not_sure("are these weeks since surgery or start?")
        suggestion.week += [f"column = {quoted(weeks[0].name)}{note}", f'unit = "{weeks[0].target}"']
        found.pop(weeks[0].name)
    elif dates and starts:
        note = "" if len(dates) == 1 else suggestion.not_sure("which date is that of the visit?")
        suggestion.week += [f"date = {quoted(dates[0].name)}{note}"]
        note = "" if len(starts) == 1 else suggestion.not_sure("which date is that of surgery or start?")
        suggestion.week += [f"start = {quoted(starts[0].name)}{note}"]
        suggestion.week.append('# date_format = "%d.%m.%Y"  # where dates are not as year-month-day')
        found.pop(dates[0].name)
        found.pop(starts[0].name)
    else:
        note = suggestion.not_sure("no column is named like a week, a day or a date; which one tells the time?")
        suggestion.week.append(f'column = "week"{note}')


def _wide_groups(names: list[str]) -> dict[str, list[WideColumn]]:
    """Give the columns that differ in time only, by stem; a stem with one time is no group."""
    groups: dict[str, list[WideColumn]] = {}
    for name in names:
        column = wide_column(name)
        if column is not None:
            groups.setdefault(column.stem, []).append(column)
    return {stem: group for stem, group in groups.items() if len({one.time for one in group}) == len(group) > 1}


def _fill_wide(suggestion: SuggestedMap, groups: dict[str, list[WideColumn]], cells: dict[str, pd.Series]) -> None:
    units = {one.unit for group in groups.values() for one in group if one.unit is not None}
    if len(units) == 1:
        suggestion.week.append(f'unit = "{units.pop()}"')
    elif units:
        note = suggestion.not_sure("the names of the columns speak of " + " and of ".join(sorted(units)))
        suggestion.week.append(f'unit = "weeks"{note}')
    else:
        note = suggestion.not_sure(
            "the names of the columns give numbers without a unit, perhaps the number of a visit"
        )
        suggestion.week.append(f'unit = "weeks"{note}')
    for stem, group in groups.items():
        numbers = [read_numbers(cells[one.name]) for one in group]
        if all(values.isna().all() for values, _ in numbers):
            suggestion.left_out += [f"{one.name}: no numbers" for one in group]
            continue
        lines = [f"{quoted(one.name)} = {one.time:g}" for one in sorted(group, key=lambda one: one.time)]
        measure = _measure_line(suggestion, recognise_measure(stem), stem, limb_of(stem), [v for v, _ in numbers])
        suggestion.value_entries.append("\n".join(["[[values]]", *measure, f"columns = {{ {', '.join(lines)} }}"]))


def _fill_column(suggestion: SuggestedMap, one: Recognised, cells: dict[str, pd.Series], ids: pd.Series) -> None:
    varies = varies_within(cells[one.name], ids)
    if one.role == "covariate" and not (varies and suggestion.layout == "long"):
        note = "" if one.sure else suggestion.not_sure("is it this?")
        suggestion.patients.append(f"{one.target} = {quoted(one.name)}{note}")
    elif one.role == "measure" and suggestion.layout == "long":
        values, _ = read_numbers(cells[one.name])
        measure = _measure_line(suggestion, one.target, one.name, one.limb, [values], sure=one.sure)
        suggestion.value_entries.append("\n".join(["[[values]]", *measure, f"column = {quoted(one.name)}"]))
    elif one.role in ("patient", "identifier", "date", "start", "home"):
        by_week = suggestion.layout == "wide" and one.role == "home" and wide_column(one.name) is not None
        suggestion.left_out.append(f"{one.name}: {_HOME_IN_COLUMNS if by_week else _what_it_is(one)}")
    elif varies and suggestion.layout == "long" and not len(convert(cells[one.name], Column("value", "number", ""))[1]):
        suggestion.value_entries.append(
            f"# [[values]]  # changes within patients, {one.note or 'numbers'}; a measure? Then describe it under [measures]\n"
            f'# measure = "{key(one.name)}"\n# column = {quoted(one.name)}'
        )
    elif not varies:
        suggestion.patients.append(
            f"# {key(one.name)} = {quoted(one.name)}  # {one.note or 'a covariate of the patient?'}"
        )
    else:
        suggestion.left_out.append(f"{one.name}: {_what_it_is(one)}")


_HOME_IN_COLUMNS = "the home programme by week in columns; give it as a file of its own with one row a week"


def _what_it_is(one: Recognised) -> str:
    """Say why a column is left out."""
    return {
        "patient": "another identifier or number of the row",
        "identifier": f"{one.note}; it must not go into a cohort",
        "date": "dates, (C); give weeks since surgery or start",
        "start": "dates, (C); give weeks since surgery or start",
        "home": "home programme; see the sections sessions, session_log, brace_limits, events",
    }.get(one.role, one.note or one.target or "not recognised")


def _measure_line(
    suggestion: SuggestedMap, measure: str | None, stem: str, limb: str, values: list[pd.Series], *, sure: bool = True
) -> list[str]:
    """Name the measure and the limb; a measure that the catalogue lacks is described from its values."""
    known = load_catalogue().get(measure) if measure is not None else None
    if known is None:
        name = key(stem)
        numbers = pd.concat(values).dropna()
        note = suggestion.not_sure("unit, direction and range of this measure")
        suggestion.measures.append(
            "\n".join(
                [
                    f"[measures.{name}]{note}",
                    'unit = "points"',
                    'direction = "higher is better"',
                    f"lowest = {min(0.0, float(numbers.min())):g}",
                    f"highest = {float(numbers.max()):g}" if numbers.max() > 0 else "highest = 0",
                ]
            ).replace("highest = 0\n", "highest = 1\n")
        )
        return [f'measure = "{name}"']
    numbers, note = pd.concat(values).dropna(), ""
    if known.name == "quadriceps_torque" and numbers.between(known.lowest, known.highest).mean() < _MOST_PER_KG:
        known, sure = load_catalogue()["quadriceps_torque_nm"], True
        note = f"  # N·m by its values; {_PER_KG if suggestion.body_mass else _NO_MASS}"
    inside = numbers.between(known.lowest, known.highest).mean()
    doubt = "" if sure else f"{known.label} in {known.unit}?"
    if inside < 0.95:
        doubt = f"{1 - inside:.0%} of the values are outside {known.lowest:g} to {known.highest:g} {known.unit}"
    lines = [f'measure = "{known.name}"' + (suggestion.not_sure(doubt) if doubt else note)]
    if known.limbs != ("none",):
        said = limb == "uninvolved" or "inv" in stem.lower()
        note = "" if said or "uninvolved" not in known.limbs else suggestion.not_sure("which limb?")
        lines.append(f'limb = "{limb if limb in known.limbs else known.limbs[0]}"{note}')
    return lines

"""A first map file, written from the columns that a file has, with comments where it is not sure."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path

import pandas as pd

from analysis.cohort.columns import Column, convert
from analysis.cohort.files.file_formats import STATISTICS_FILES, WORKBOOKS
from analysis.cohort.files.paths import refuse_impossible_name, refuse_no_file
from analysis.cohort.files.readers import DELIMITERS, guess_header_rows, read_table
from analysis.cohort.importing.map_keys import FileFormat
from analysis.cohort.importing.sources import Sources
from analysis.cohort.recognition.find_identifiers import are_quarters
from analysis.cohort.recognition.header_words import limb_of_label, side_of
from analysis.cohort.recognition.recognise_columns import MEASURED_AT_VISITS, Recognised, recognise, settle_sides
from analysis.cohort.recognition.recognise_home import recognise_home, varies_within
from analysis.cohort.recognition.trade_words import shown_cell
from analysis.cohort.suggesting.home import fill_home
from analysis.cohort.suggesting.map_text import QUARTER_LINE, SuggestedMap, compose, file_entry, key, quoted
from analysis.cohort.suggesting.sheets import Sheets, choose_sheets, place_of_name
from analysis.cohort.suggesting.time import fill_dates, fill_week, fill_week_zero
from analysis.cohort.suggesting.values import fill_described, fill_long, fill_wide, wide_blocks
from analysis.errors import CohortError
from analysis.progress import steps

_HEAD_ROWS = 100_000
_MOST_PROTOCOLS = 8
#: Files of a folder that are looked at (design choice).
_MOST_FILES = 10
#: What R calls the numbers of the rows when it writes them.
_ROW_NAMES = "rownames"
_COMMA = r"\s*[+-]?\d+,\d+\s*"
_READABLE = (".csv", ".txt", ".tsv", ".parquet", ".pq", *WORKBOOKS, *STATISTICS_FILES)


def suggest_map(file: str | os.PathLike[str], map_file: str | os.PathLike[str]) -> int:
    r"""Write a first map of a file, for a person to go through.

    Parameters
    ----------
    file : path
        File that shall be imported, or a folder with one file of patients and visits and logs of home sessions beside it. Of
        a workbook with several sheets the one that has all is
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
    text, _, questions = suggested_text(Path(file))
    try:
        with target.open("x", encoding="utf-8", newline="\n") as stream:
            stream.write(text)
    except OSError as error:
        raise CohortError(
            f"The map file cannot be written: {error.strerror or error}.",
            where=str(target),
            what_to_do="Choose a place that you may write to.",
        ) from None
    return questions


def suggested_text(path: Path) -> tuple[str, dict[str, pd.Series], int]:
    """Give the text of a first map of a file or a folder, the cells of each column, and how many lines are not sure."""
    refuse_impossible_name(path)
    suggestion, cells, doubts = _of_folder(path) if path.is_dir() else _of_file(path)
    return compose(suggestion, path.name, doubts), cells, suggestion.questions + len(doubts)


def _of_file(path: Path) -> tuple[SuggestedMap, dict[str, pd.Series], list[str]]:
    with steps(f"Suggesting a map of {path.name}") as step:
        frame, labelled, form, sheets, doubts = _read(path)
        step("columns")
        suggestion = SuggestedMap(form)
        cells = _cells(frame, labelled)
        _fill(suggestion, cells, path.name)
        sheets.say(suggestion)
        return suggestion, cells, doubts


def _of_folder(folder: Path) -> tuple[SuggestedMap, dict[str, pd.Series], list[str]]:
    """Join the maps of the files of a folder, of which one has patients and visits and the others the home programme."""
    Sources(folder, "", None)  # type: ignore[arg-type]  # refuses links; nothing is read
    paths = sorted(one for one in folder.iterdir() if one.suffix.lower() in _READABLE)
    found = {path.name: _of_file(path) for path in paths} if 1 < len(paths) <= _MOST_FILES else {}
    visits = [name for name, (one, *_) in found.items() if not one.part_of]
    if len(visits) != 1 or found[visits[0]][0].files:
        raise CohortError(
            "A map is suggested for one file, or for a folder with one file of patients and visits beside logs of home sessions.",
            where=f"{folder.name} holds: {', '.join(path.name for path in paths) or 'no table'}",
            what_to_do="Ask for each file, and join the parts in one map with a section [files].",
        )
    whole, cells, doubts = found.pop(visits[0])
    entry = file_entry(whole.form, visits[0])
    whole.files += [f"patients = {entry}", f"visits = {entry}"]
    whole.form = FileFormat()
    for name, (part, more, others) in found.items():
        whole.files += part.files
        whole.home += part.home
        whole.questions += part.questions
        whole.left_out += [f"{line} (in {name})" for line in part.left_out]
        cells = more | cells
        doubts = [*doubts, *(f"{name}: {doubt}" for doubt in others)]
    return whole, cells, doubts


def read_columns(path: Path) -> dict[str, pd.Series]:
    """Give the cells of each column of a file or a folder, as a suggested map is made from them."""
    return suggested_text(path)[1]


def _cells(frame: pd.DataFrame, labelled: dict[str, pd.Series]) -> dict[str, pd.Series]:
    return {str(name): labelled.get(str(name), frame[name]) for name in frame.columns}


def _read(path: Path) -> tuple[pd.DataFrame, dict[str, pd.Series], FileFormat, Sheets, list[str]]:
    """Read the file, or the sheets of a workbook that go together, trying delimiters and encodings; tell what was not sure."""
    refuse_no_file(path)
    doubts: list[str] = []
    form, sheets = FileFormat(), Sheets(None, None, "")
    if path.suffix.lower() in WORKBOOKS:
        sheets = choose_sheets(path)
        form = FileFormat(sheet=None if sheets.visits is None else sheets.visits.name)
        doubts += [sheets.doubt] if sheets.doubt else []
    elif path.suffix.lower() not in (".parquet", ".pq", *STATISTICS_FILES):
        form = replace(form, delimiter=_delimiter(path))
    if sheets.people is None:
        n = guess_header_rows(path, delimiter=form.delimiter, sheet=form.sheet)
        form = replace(form, header_rows=n)
    try:
        raw = read_table(
            path, delimiter=form.delimiter, sheet=form.sheet, missing=form.missing, header_rows=form.header_rows
        )
    except CohortError as error:
        if "utf-8" not in error.what:
            raise
        form = replace(form, encoding="cp1252")
        raw = read_table(
            path, delimiter=form.delimiter, encoding="cp1252", missing=form.missing, header_rows=form.header_rows
        )
        doubts.append("the encoding: the file is not UTF-8; look whether letters with accents came out right")
    frame = sheets.joined(raw.frame).head(_HEAD_ROWS)
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


def _fill(suggestion: SuggestedMap, cells: dict[str, pd.Series], file: str) -> None:
    found = settle_sides({name: recognise(values, name) for name, values in cells.items()})
    suggestion.body_mass = any(one.target == "body_mass_kg" for one in found.values())
    patient = _fill_patient(suggestion, found, cells)
    rest = {name: one for name, one in found.items() if name != patient}
    ids = cells[patient].dropna()
    blocks = wide_blocks(rest)
    if blocks and not ids.duplicated().any():
        suggestion.layout = "wide"
        used = {one.name for block in blocks for one in block.columns}
        rest = {name: one for name, one in rest.items() if name not in used}
    else:
        rest = {name: _side_of_a_row(one, cells[name], ids) for name, one in rest.items()}
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
    side = any(one.target == "involved_side" for one in rest.values())
    if suggestion.layout == "wide":
        dated = fill_dates(suggestion, rest, cells)
        fill_wide(suggestion, blocks, cells, side=side, dated=dated)
    else:
        fill_week(suggestion, rest, cells, ids)
        fill_long(suggestion, rest, cells, side=side)
    described = not suggestion.value_entries
    for one in rest.values():
        _fill_column(suggestion, one, cells, ids, described=described)
    if any(line.startswith("procedure = ") for line in suggestion.patients):
        fill_week_zero(suggestion)


def _side_of_a_row(one: Recognised, values: pd.Series, ids: pd.Series) -> Recognised:
    """Take a side that changes within patients for the limb of the row, whatever its name."""
    labels = values.dropna().unique() if one.role == "unknown" and one.note.startswith("labels") else ()
    a_limb = one.target == "involved_side" or (len(labels) > 1 and all(limb_of_label(str(label)) for label in labels))
    if not a_limb or not varies_within(values, ids):
        return one
    return replace(one, role="limb", target="", sure=False)


def _fill_patient(suggestion: SuggestedMap, found: dict[str, Recognised], cells: dict[str, pd.Series]) -> str:
    named = [one for one in found.values() if one.role == "patient"]
    candidates = [one for one in named if len(cells[one.name].dropna().unique()) > 1] or named
    candidates.sort(key=lambda one: place_of_name(one.name))
    if candidates and any(one.name != _ROW_NAMES for one in candidates):
        candidates = [one for one in candidates if one.name != _ROW_NAMES]
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
    candidates = sorted((one for one in found.values() if one.role == "protocol"), key=lambda one: not one.sure)
    if not candidates:
        note = suggestion.not_sure("no column is named like a protocol or group; is there one?")
        suggestion.patients.append(f'protocol = {{ constant = "all" }}{note}')
        return
    others = ", ".join(one.name for one in candidates[1:])
    note = suggestion.not_sure(f"or {others}?") if others else ""
    if not candidates[0].sure:
        one_label = cells[candidates[0].name].nunique() < 2
        note = suggestion.not_sure("it holds one label only" if one_label else "is this what the patients were given?")
    suggestion.patients.append(f"protocol = {quoted(candidates[0].name)}{note}")
    labels = [str(label) for label in cells[candidates[0].name].dropna().unique()]
    if len(labels) > 1:
        suggestion.protocols += labels[:_MOST_PROTOCOLS] + (["..."] if len(labels) > _MOST_PROTOCOLS else [])
    for one in candidates[1:]:
        found[one.name] = replace(one, role="unknown", note="another grouping?")
    found.pop(candidates[0].name)


def _fill_column(
    suggestion: SuggestedMap, one: Recognised, cells: dict[str, pd.Series], ids: pd.Series, *, described: bool
) -> None:
    """Say what becomes of a column that is neither patient, protocol, time nor measure.

    ``described`` says that no measure was recognised, so that numbers that change within patients are described as measures.
    """
    varies = varies_within(cells[one.name], ids)
    changes = varies and suggestion.layout == "long"
    if one.role == "covariate" and (not changes or one.target in MEASURED_AT_VISITS):
        note = "" if one.sure else suggestion.not_sure("is it this?")
        note += "  # changes within patients: the first value is taken" if changes else ""
        recode = _sides(cells[one.name]) if one.target == "involved_side" else ""
        column = f"{{ column = {quoted(one.name)}, recode = {{ {recode} }} }}" if recode else quoted(one.name)
        if one.target == "involved_side" and (n := _hidden_sides(cells[one.name])):
            note += f"  # {n:,} label{'' if n == 1 else 's'} of no words of the trade: add them to recode"
        suggestion.patients.append(f"{one.target} = {column}{note}")
    elif not varies and "quarter" in one.name.casefold() and are_quarters(cells[one.name]):
        suggestion.patients.append(
            f'{QUARTER_LINE}{quoted(one.name)}  # the quarter of the start, only with privacy = "limited" above'
        )
    elif one.role in ("patient", "identifier", "date", "start", "home", "change", "measure"):
        by_week = suggestion.layout == "wide" and one.role == "home" and one.header.time is not None
        suggestion.left_out.append(f"{one.name}: {_HOME_IN_COLUMNS if by_week else _what_it_is(one)}")
    elif described and changes and one.note.startswith("numbers from"):
        fill_described(suggestion, one, cells[one.name])
    elif changes and not len(convert(cells[one.name], Column("value", "number", ""))[1]):
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
        "measure": "a measure at a time, which has no place in a file with one row a visit",
        "home": "home programme; see the sections sessions, session_log, brace_limits, events",
    }.get(one.role, one.note or one.target or "not recognised")


def _sides(values: pd.Series) -> str:
    """Write the labels of the operated side that are not right and left themselves, as a map recodes them."""
    labels = {str(label): side_of(str(label)) for label in values.dropna().unique()}
    return ", ".join(
        f"{quoted(label)} = {quoted(side)}"
        for label, side in labels.items()
        if side and label != side and shown_cell(label) == label
    )


def _hidden_sides(values: pd.Series) -> int:
    """Count the labels of a side that a map may not show, since they could name somebody."""
    return sum(shown_cell(label) != label for label in map(str, values.dropna().unique()))

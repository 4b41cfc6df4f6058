"""De-identify a cohort folder, a folder of files or one file: read, take the identifiers out, write elsewhere."""

from __future__ import annotations

import os
import re
import secrets
from collections.abc import Callable, Collection
from dataclasses import replace
from pathlib import Path
from typing import get_args

import pandas as pd

from analysis.cohort.checks.checks import check_tables, raise_on_errors
from analysis.cohort.columns import Column
from analysis.cohort.deidentification.report import DeidentificationReport
from analysis.cohort.deidentification.tables import Choices, Deidentified, deidentify_tables
from analysis.cohort.files.conversion import convert_table
from analysis.cohort.files.data_package import write_cohort
from analysis.cohort.files.package_files import read_descriptor, read_resource, whole_folder, write_csv
from analysis.cohort.files.package_schema import DESCRIPTOR, read_columns, read_own_part, read_reference
from analysis.cohort.files.paths import refuse_impossible_name
from analysis.cohort.files.readers import read_table
from analysis.cohort.findings import FindingList
from analysis.cohort.recognition.find_identifiers import find_identifiers
from analysis.cohort.tables import TABLES, Cohort, Privacy
from analysis.errors import CohortError, DeidentificationError, check_choice
from analysis.progress import steps
from analysis.writing.owners import MARK, new_token, note, remove_dead

_KEY_BYTES = 32
REPORT_FILE = "deidentification.csv"


def deidentify(
    source: str | os.PathLike[str],
    folder: str | os.PathLike[str],
    *,
    level: Privacy = "safe-harbor",
    patient: str | None = None,
    start: str | None = None,
    keep: Collection[str] = (),
    key_file: str | os.PathLike[str] | None = None,
    date_format: str | None = None,
    delimiter: str = ",",
    overwrite: bool = False,
) -> DeidentificationReport:
    r"""Take out of a source what the 18 classes of 45 CFR 164.514(b)(2)(i) name, and write the rest to another folder.

    Dates become weeks since the start, ages over 89 become 90, ZIP codes three digits (000 where 20,000 people or fewer
    live), free text is removed, patients get new identifiers, and every other column in which a class is recognised is
    removed. The source is only read.

    Parameters
    ----------
    source : path
        A cohort folder, a folder of tables, or one table (CSV, Parquet, Excel, SPSS, Stata, SAS).
    folder : path
        Folder that is written, whole or not at all: a cohort folder for a cohort folder, otherwise a CSV file for each
        table, to be imported with a map, and ``deidentification.csv``, the report.
    level : {"safe-harbor", "limited"}
        limited: for quality work inside the organisation; the quarter of the start is kept.
    patient, start : str, optional
        Columns with the patient and with the date of surgery or start; recognised by their names where left out.
    keep : collection of str
        Columns with free text to be kept (cells with recognised identifiers are emptied), or site names; at the limited
        level also what 164.514(e) allows.
    key_file : path, optional
        File with the secret key of the new identifiers, outside both folders; made where it is not there. Left out, the
        identifiers are random and nobody can go back.
    date_format : str, optional
        How dates are written, in the notation of ``strptime``.
    delimiter : str
        Character between the cells of a CSV file.
    overwrite : bool
        Whether a cohort folder that is there is replaced.

    Returns
    -------
    DeidentificationReport
        What was found and done, and what it cannot promise.

    Raises
    ------
    CohortError
        The source cannot be read, a column cannot be told, or the folders lie in each other.
    DeidentificationError
        The result still holds what the check recognises, or the key is unsafe; nothing is written.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as place:
    ...     table = Path(place) / "clinic.csv"
    ...     _ = table.write_text("patient_id,surgery_date,seen_date,phone\nMRN7,2024-01-01,2024-01-15,555-010-9999\n")
    ...     report = deidentify(table, Path(place) / "out")
    ...     print((Path(place) / "out" / "clinic.csv").read_text().splitlines()[0])
    patient_id,seen_week
    """
    check_choice(level, get_args(Privacy), "level", error=CohortError)
    given, target = Path(source), Path(folder)
    for path in (given, target):
        refuse_impossible_name(path)
    _refuse_overlap(given, target)
    key = None if key_file is None else _read_key(Path(key_file), (given, target))
    choices = Choices(level, patient, start, tuple(keep), date_format)
    with steps(f"De-identifying {given.absolute().name}") as step:
        if (given / DESCRIPTOR).exists():
            return _deidentify_cohort(given, target, choices, key, overwrite=overwrite)
        return _deidentify_files(given, target, choices, key, delimiter, step)


def _deidentify_cohort(
    source: Path, folder: Path, choices: Choices, key: bytes | None, *, overwrite: bool
) -> DeidentificationReport:
    descriptor = read_descriptor(source)
    measures, provenance, _ = read_own_part(descriptor)
    reference = read_reference(descriptor)
    raw: dict[str, pd.DataFrame] = {}
    columns: dict[str, dict[str, Column]] = {}
    for resource in descriptor["resources"]:
        name = str(resource["name"])
        if name not in TABLES:
            continue
        raw[name], columns[name] = read_resource(source, resource)[1].frame, read_columns(resource)
    done = deidentify_tables(raw, choices, key)
    findings = FindingList()
    tables: dict[str, pd.DataFrame] = {}
    for name, frame in done.tables.items():
        extra = {one: column for one, column in columns[name].items() if one in raw[name] and column.kind != "date"}
        if name == "patients":
            extra.pop("site", None)
        tables[name] = convert_table(frame, TABLES[name], findings, extra)  # type: ignore[index]
    report = _report(done, choices, folder, key)
    invented = provenance.scenario is not None
    checked = check_tables(tables, measures, choices.level, findings, synthetic=invented, reference=reference)
    raise_on_errors(checked, str(source), "Nothing was written. Mend the source, or remove what the message names.")
    steps = (*provenance.steps, *report.steps)
    cohort = Cohort(**tables, measures=measures, provenance=replace(
        provenance, parameters=dict(provenance.parameters), steps=steps), privacy=choices.level, reference=reference)  # fmt: skip
    write_cohort(cohort, folder, overwrite=overwrite)
    return report


def _deidentify_files(
    source: Path, folder: Path, choices: Choices, key: bytes | None, delimiter: str, step: Callable[[str], None]
) -> DeidentificationReport:
    if not source.exists():
        raise CohortError("There is no such file or folder.", where=str(source), what_to_do="Check the path.")
    paths = sorted(one for one in source.iterdir() if not one.name.startswith(".")) if source.is_dir() else [source]
    tables: dict[str, pd.DataFrame] = {}
    for path in paths:
        if path.is_symlink() or not path.is_file():
            raise CohortError(
                "The folder holds a link or a folder.", where=str(path), what_to_do="Put the tables into one folder."
            )
        if path.stem in tables:
            raise CohortError(
                f"Two files have the name {path.stem}.", where=str(path), what_to_do="Give them different names."
            )
        raw = read_table(path, delimiter=delimiter)
        tables[path.stem] = raw.frame.assign(**{str(name): labels for name, labels in raw.labelled.items()})
    if not tables:
        raise CohortError("The folder holds no table.", where=str(source), what_to_do="Check the path.")
    done = deidentify_tables(tables, choices, key)
    step("looking for identifiers left")
    left = FindingList()
    find_identifiers({name: frame.reset_index(drop=True) for name, frame in done.tables.items()}, left, choices.level,
                     quarters=choices.level == "limited")  # fmt: skip
    found = left.report()
    errors = found.findings[found.findings["severity"] == "error"]
    if len(errors):
        first = errors.iloc[0]
        raise DeidentificationError(
            f"What is left still holds {len(errors):,} possible identifier{'' if len(errors) == 1 else 's'}; nothing was "
            "written.",
            where=f"{first['table']}, column {first['column']}: {first['problem']}",
            what_to_do="Remove the column or these cells from a copy of the source, and try again.",
        )
    report = _report(done, choices, folder, key)
    step("writing")
    with whole_folder(folder, overwrite=False) as part:
        for name, frame in done.tables.items():
            write_csv(frame, part / f"{name}.csv")
        report.write(part / REPORT_FILE)
    return report


def _report(done: Deidentified, choices: Choices, folder: Path, key: bytes | None) -> DeidentificationReport:
    how = (
        "Patients have random identifiers; nobody can go back to the source with them."
        if key is None
        else "Patients have identifiers made by a keyed hash; who has the key file and the source can go back."
    )
    return DeidentificationReport(done.actions, choices.level, folder, done.kept, how, done.n_patients, done.warnings)


def _refuse_overlap(source: Path, folder: Path) -> None:
    one, other = Path(os.path.realpath(source)), Path(os.path.realpath(folder))
    if one == other or one in other.parents or (source.is_dir() and other in one.parents) or other == one.parent:
        raise CohortError(
            "The folder to be written and the source lie in each other.",
            where=f"{source}, {folder}",
            what_to_do="Choose a folder apart from the source, so that nobody takes one for the other.",
        )


def _read_key(path: Path, folders: tuple[Path, ...]) -> bytes:
    real = Path(os.path.realpath(path))
    for folder in folders:
        place = Path(os.path.realpath(folder))
        if real == place or place in real.parents:
            raise DeidentificationError(
                "The key lies with the data; who gets the one gets the other.",
                where=str(path),
                what_to_do="Keep the key file outside the source and outside the folder that is written.",
            )
    path.parent.mkdir(parents=True, exist_ok=True)
    part = rf"\.{re.escape(path.name)}\.part-{MARK}-[0-9a-f]{{8}}"
    remove_dead(path.parent, re.compile(part))
    if path.is_file() and path.stat().st_size == 0:
        path.unlink()
        note(f"The key file {path} was empty, as one who died while writing leaves it; a new key is made.")
    if not path.exists():
        _make_key(path)
    return path.read_bytes().strip()


def _make_key(path: Path) -> None:
    """Make a key that is there whole or not at all; one that another process made meanwhile stays."""
    part = path.with_name(f".{path.name}.part-{new_token()}")
    try:
        handle = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(handle, "wb") as stream:
            stream.write(secrets.token_hex(_KEY_BYTES).encode("ascii"))
        try:
            os.link(part, path)  # unlike a rename it never replaces
        except FileExistsError:
            pass
        except OSError:  # a disk without links
            part.rename(path)
    finally:
        part.unlink(missing_ok=True)

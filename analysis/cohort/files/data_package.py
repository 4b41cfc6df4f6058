"""The folder format of a cohort: CSV or Parquet files with a Data Package descriptor that any tool can read."""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, Literal, get_args

import numpy as np
import pandas as pd

from analysis.cohort.checks.checks import check_cohort, raise_on_errors
from analysis.cohort.files.package_files import storage_types, whole_folder, write_csv, write_parquet
from analysis.cohort.files.package_reading import CohortFolder
from analysis.cohort.files.package_schema import DESCRIPTOR, OWN_PART, own_part, table_schema
from analysis.cohort.files.partition import Part, PartFile, Partition, are_cut, cut_patients, rows_of_parts
from analysis.cohort.files.selection import Columns, Selection, Where
from analysis.cohort.findings import CheckReport
from analysis.cohort.provenance import describe_source
from analysis.cohort.tables import TABLES, Cohort
from analysis.cohort.text_columns import is_among
from analysis.counted import counted, form
from analysis.errors import CohortError, check_choice
from analysis.progress import steps

FileFormat = Literal["csv", "parquet"]

_MEDIA_TYPES = {"csv": "text/csv", "parquet": "application/vnd.apache.parquet"}
_REPAIR = "Run kneecurve check on it to see every problem, mend the source and import it again."


def write_cohort(
    cohort: Cohort,
    folder: str | os.PathLike[str],
    *,
    file_format: FileFormat = "csv",
    partition: str | None = None,
    overwrite: bool = False,
) -> Path:
    """Write a cohort as a folder: a file for each table or more, and ``datapackage.json``.

    The descriptor follows the Data Package and Table Schema standards: types, categories in order, missing values,
    keys. Measures, provenance, privacy level, reference, what week 0 is and programme are under its key ``kneecurve``. The folder appears
    whole or not at all.

    Parameters
    ----------
    cohort : Cohort
        The cohort; it must pass its check.
    folder : path
        Folder to be written.
    file_format : {"csv", "parquet"}
        Format of the tables.
    partition : str, optional
        A column of patients, such as site or quarter, by which the folder is cut into parts: each table has a file for each value
        (Parquet only), which holds all rows of the patients who have it; patients without a value have a part of their own, the
        last. Rows are then loaded part by part. Files are numbered; the descriptor says which value each part has.
    overwrite : bool
        Whether a cohort that is there is replaced.

    Returns
    -------
    Path
        The folder.

    Raises
    ------
    CohortError
        The cohort has errors, the format is unknown, the cohort cannot be cut so, or the folder is there already or cannot be
        written.
    DeidentificationError
        The cohort holds what could identify patients.

    Examples
    --------
    >>> import tempfile
    >>> import pandas as pd
    >>> patients = pd.DataFrame({"patient_id": ["P1", "P2"], "protocol": ["usual", "early"]})
    >>> visits = pd.DataFrame({"patient_id": ["P1", "P2"], "week": 0, "measure": "pain", "limb": "none", "value": 4})
    >>> with tempfile.TemporaryDirectory() as place:
    ...     again = load_cohort(write_cohort(Cohort(patients, visits), Path(place) / "cohort"))
    >>> again.protocols
    ['usual', 'early']
    """
    where = "write_cohort(file_format=...)"
    check_choice(file_format, get_args(FileFormat), "file format", error=CohortError, where=where)
    if partition is not None and file_format != "parquet":
        raise CohortError(
            "A cohort is cut into parts as Parquet files only.",
            where=f"write_cohort(file_format={file_format!r}, partition={partition!r})",
            what_to_do="Add file_format='parquet', or leave the partition out.",
        )
    target = Path(folder)
    with steps(f"Writing {target.absolute().name}") as step:
        raise_on_errors(check_cohort(cohort), "the cohort to be written", "Nothing was written. Mend the source first.")
        _write_folder(cohort, target, file_format, partition, overwrite=overwrite, step=step)
    return target


def _write_folder(
    cohort: Cohort,
    target: Path,
    file_format: FileFormat,
    partition: str | None,
    *,
    overwrite: bool,
    step: Callable[[str], None],
) -> None:
    values, number = ([], np.array([])) if partition is None else cut_patients(cohort, partition)
    with whole_folder(target, overwrite=overwrite) as part:
        resources = []
        parts: list[dict[str, PartFile]] = [{} for _ in values]
        for name, frame in cohort.tables():
            step(name)
            rows = rows_of_parts(frame, cohort.patients, number, len(values)) if values and are_cut(name) else None
            resource, files = _write_table(name, frame, part, file_format, rows)
            resources.append(resource)
            for own, one in zip(parts, files, strict=False):
                own[name] = one
        cut = tuple(Part(value, files) for value, files in zip(values, parts, strict=True))
        own_keys = own_part(cohort, None if partition is None else Partition(partition, cut).to_json())
        descriptor = {"name": "cohort", "resources": resources, OWN_PART: own_keys}
        text = json.dumps(descriptor, indent=2, ensure_ascii=False, allow_nan=False)
        (part / DESCRIPTOR).write_text(text + "\n", encoding="utf-8", newline="\n")


def load_cohort(
    folder: str | os.PathLike[str], *, columns: Columns | None = None, where: Where | None = None
) -> Cohort:
    """Read a cohort folder, whole or in part; one with errors or identifiers is refused.

    Of a folder in parts (``partition`` of :func:`write_cohort`) only the files that can hold what is asked for are opened, and of
    Parquet files only the columns; of other folders all is read, and the rest left out then. What is wrong with rows that are
    not asked for is not looked at.

    Parameters
    ----------
    folder : path
        Folder with ``datapackage.json``, written by :func:`write_cohort` or by another program.
    columns : mapping, optional
        Columns by table, such as ``{"visits": ["bound"]}``: of that table these are read, its key, and the columns that it must
        have. Tables that are not named are read whole.
    where : mapping, optional
        Values by column of patients, such as ``{"site": ["north"], "quarter": ["2026-Q1", "2026-Q2"]}``: patients who have one
        of the values in each column, and all their rows. None stands for no value. The table flow, which counts all patients,
        is left out.

    Returns
    -------
    Cohort
        The cohort, its rows in the order of the files; a file flow.csv that was put beside them is its table flow. Its provenance
        says what was read, where that is not all.

    Raises
    ------
    CohortError
        The folder is no cohort folder, a table, column or value is not there, no patient has all of the values, or the cohort has
        errors; the message has their number and the first of them.
    DeidentificationError
        The cohort holds what could identify patients.

    Examples
    --------
    >>> import tempfile
    >>> from synthetic_cohort import generate_cohort
    >>> cohort = generate_cohort(patients=60, seed=1).observed
    >>> with tempfile.TemporaryDirectory() as place:
    ...     folder = write_cohort(cohort, Path(place) / "cohort", file_format="parquet", partition="site")
    ...     women = load_cohort(folder, where={"site": ["site A"], "sex": ["female"]})
    >>> women.patients["site"].unique().tolist(), women.provenance.steps[-1]
    (['site A'], "Read in part: patients with site 'site A' and sex 'female'.")
    """
    with steps(f"Loading {Path(folder).absolute().name}") as step:
        package = CohortFolder(Path(folder), Selection(columns, where))
        return _checked(package, folder, step)


def cohort_parts(folder: str | os.PathLike[str], *, columns: Columns | None = None) -> Iterator[Cohort]:
    """Read a cohort folder one part after the other, for work of which only one has to be in memory.

    Parameters
    ----------
    folder : path
        Folder written by :func:`write_cohort` with ``partition``; one without parts is one part.
    columns : mapping, optional
        As for :func:`load_cohort`.

    Yields
    ------
    Cohort
        The patients that share a value, with all their rows, in the order of the values; without the table flow, which counts all
        patients. Its protocols are those of the whole cohort.

    Raises
    ------
    CohortError
        The folder is no cohort folder, a part has errors, or a patient stands in several parts; parts before it were given.
    DeidentificationError
        A part holds what could identify patients.

    Examples
    --------
    >>> import tempfile
    >>> from synthetic_cohort import generate_cohort
    >>> cohort = generate_cohort(patients=60, seed=1).observed
    >>> with tempfile.TemporaryDirectory() as place:
    ...     folder = write_cohort(cohort, Path(place) / "cohort", file_format="parquet", partition="site")
    ...     [(part.patients["site"].iloc[0], len(part.patients)) for part in cohort_parts(folder)]
    [('site A', 26), ('site B', 16), ('site C', 18)]
    """
    seen = np.array([], dtype=np.uint64)
    n = CohortFolder(Path(folder)).n_parts
    for number in range(n):
        with steps(f"Loading {Path(folder).absolute().name}, part {number + 1} of {n}") as step:
            package = CohortFolder(Path(folder), Selection(columns), only=number)
            cohort = _checked(package, folder, step)
        own = np.sort(pd.util.hash_array(cohort.patients["patient_id"].to_numpy(dtype=object)))
        again = np.isin(own, seen)
        if again.any():
            raise CohortError(
                f"{counted(int(again.sum()), 'patient')} of this part {form(int(again.sum()), 'stands', 'stand')} in an earlier one too.",
                where=f"{folder}, part {number + 1} of {n}",
                what_to_do=_REPAIR,
            )
        seen = np.union1d(seen, own)
        yield cohort


def _checked(package: CohortFolder, folder: str | os.PathLike[str], step: Callable[[str], None]) -> Cohort:
    tables, report = package.read()
    raise_on_errors(report, str(folder), _REPAIR)
    step("cohort")
    return package.cohort(tables)


def check_folder(folder: str | os.PathLike[str]) -> CheckReport:
    """Check a cohort folder, also one that no cohort can be made of.

    Of a folder in parts one is in memory at a time, small ones together, beside the table of all patients.

    Parameters
    ----------
    folder : path
        Folder with ``datapackage.json``.

    Returns
    -------
    CheckReport
        Every finding, those made while reading the files included. Rows of a table in parts are counted over all of its files,
        in the order of the descriptor.

    Raises
    ------
    CohortError
        There is no such folder, or its descriptor cannot be read.
    """
    with steps(f"Loading {Path(folder).absolute().name}"):
        return CohortFolder(Path(folder)).check()


def load_with_findings(folder: str | os.PathLike[str]) -> tuple[Cohort, CheckReport]:
    """Read a cohort folder that may have errors, for a report about its quality; identifiers are still refused.

    The cohort comes without the rows that no table can hold (a key that is missing or comes twice, a patient or a measure
    that is not known), and with every finding of the folder as it is.

    Raises
    ------
    CohortError
        The folder is no cohort folder, or lacks a table or a column that every cohort has.
    DeidentificationError
        The cohort holds what could identify patients.
    """
    with steps(f"Loading {Path(folder).absolute().name}"):
        package = CohortFolder(Path(folder))
        tables, report = package.read()
    lacking = [name for name, table in TABLES.items() if table.required and name not in tables]
    if report.n_identifiers or lacking:
        raise_on_errors(report, str(folder), _REPAIR)
    kept: dict[str, pd.DataFrame] = {}
    for name, frame in tables.items():
        key = [column for column in TABLES[name].key if column in frame]  # type: ignore[index]
        whole = frame.dropna(subset=key).drop_duplicates(key) if key else frame
        if "patient_id" in frame and "patient_id" in tables["patients"]:
            whole = whole[is_among(whole["patient_id"], tables["patients"]["patient_id"])]
        if name == "visits" and "measure" in whole:
            stored = [one for one, measure in package.measures.items() if not measure.derived]
            whole = whole[whole["measure"].isin(stored)]
        kept[name] = whole
    named, package.reference = package.reference, None  # a reference that is not a protocol is a finding
    cohort = package.cohort(kept)
    return replace(cohort, reference=named if named in cohort.protocols else None), report


def _write_table(
    name: str, frame: pd.DataFrame, folder: Path, file_format: FileFormat, rows: Sequence[np.ndarray] | None
) -> tuple[dict[str, Any], list[PartFile]]:
    """Write a table, in a file for each of some lists of rows; give its resource, and the files of the parts."""
    known = TABLES[name]  # type: ignore[index]
    resource = {
        "name": name,
        "title": f"One row is {known.row}",
        "path": f"{name}.{file_format}",
        "format": file_format,
        "mediatype": _MEDIA_TYPES[file_format],
        "encoding": "utf-8",
        "schema": table_schema(frame, known, file_format),
    }
    if file_format == "csv":
        write_csv(frame, folder / f"{name}.csv")
    else:
        types = storage_types(frame)
        if rows is not None:
            files = []
            for number, some in enumerate(rows, 1):
                path = folder / f"{name}-{number:04}.parquet"
                write_parquet(frame.iloc[some], path, types)
                files.append(PartFile(path.name, describe_source(path).sha256, len(some)))
            return resource | {"path": [one.path for one in files]}, files
        write_parquet(frame, folder / f"{name}.parquet", types)
    return resource | {"hash": f"sha256:{describe_source(folder / str(resource['path'])).sha256}"}, []

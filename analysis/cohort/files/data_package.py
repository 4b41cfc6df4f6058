"""The folder format of a cohort: CSV or Parquet files with a Data Package descriptor that any tool can read."""

from __future__ import annotations

import json
import os
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any, Literal, get_args

import pandas as pd

from analysis.cohort.checks.checks import check_cohort, check_tables, raise_on_errors
from analysis.cohort.columns import is_among
from analysis.cohort.files.conversion import add_ragged, convert_table
from analysis.cohort.files.package_files import (
    read_descriptor,
    read_resource,
    storage_types,
    whole_folder,
    write_csv,
    write_parquet,
)
from analysis.cohort.files.package_schema import (
    DESCRIPTOR,
    OWN_PART,
    own_part,
    read_as_of_day,
    read_columns,
    read_counted_from,
    read_own_part,
    read_own_programme,
    read_reference,
    table_schema,
)
from analysis.cohort.findings import CheckReport, FindingList
from analysis.cohort.measures import Measures
from analysis.cohort.modalities import EARLIER_NAMES, with_current_names
from analysis.cohort.provenance import Provenance, describe_source
from analysis.cohort.tables import TABLES, Cohort, Privacy
from analysis.errors import CohortError, check_choice
from analysis.progress import steps

FileFormat = Literal["csv", "parquet"]

#: Counts of the flow, which a person may put into the folder; the descriptor need not name it.
FLOW_FILE = "flow.csv"
_MEDIA_TYPES = {"csv": "text/csv", "parquet": "application/vnd.apache.parquet"}
_RENAMED = "Kinds of session of an earlier version were read by the names of today: " + ", ".join(
    f"{earlier} is {today}" for earlier, today in EARLIER_NAMES.items()
)
_REPAIR = "Run kneecurve check on it to see every problem, mend the source and import it again."


def write_cohort(
    cohort: Cohort,
    folder: str | os.PathLike[str],
    *,
    file_format: FileFormat = "csv",
    overwrite: bool = False,
) -> Path:
    """Write a cohort as a folder: a file for each table, and ``datapackage.json``.

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
    overwrite : bool
        Whether a cohort that is there is replaced.

    Returns
    -------
    Path
        The folder.

    Raises
    ------
    CohortError
        The cohort has errors, the format is unknown, or the folder is there already or cannot be written.
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
    target = Path(folder)
    with steps(f"Writing {target.absolute().name}") as step:
        raise_on_errors(check_cohort(cohort), "the cohort to be written", "Nothing was written. Mend the source first.")
        _write_folder(cohort, target, file_format, overwrite=overwrite, step=step)
    return target


def _write_folder(
    cohort: Cohort, target: Path, file_format: FileFormat, *, overwrite: bool, step: Callable[[str], None]
) -> None:
    with whole_folder(target, overwrite=overwrite) as part:
        resources = []
        for name, frame in cohort.tables():
            step(name)
            resources.append(_write_table(name, frame, part, file_format))
        descriptor = {"name": "cohort", "resources": resources, OWN_PART: own_part(cohort)}
        text = json.dumps(descriptor, indent=2, ensure_ascii=False, allow_nan=False)
        (part / DESCRIPTOR).write_text(text + "\n", encoding="utf-8", newline="\n")


def load_cohort(folder: str | os.PathLike[str]) -> Cohort:
    """Read a cohort folder; one with errors or identifiers is refused.

    Parameters
    ----------
    folder : path
        Folder with ``datapackage.json``, written by :func:`write_cohort` or by another program.

    Returns
    -------
    Cohort
        The cohort, its rows in the order of the files; a file flow.csv that was put beside them is its table flow.

    Raises
    ------
    CohortError
        The folder is no cohort folder, or the cohort has errors; the message has their number and the first of them.
    DeidentificationError
        The cohort holds what could identify patients.
    """
    with steps(f"Loading {Path(folder).absolute().name}") as step:
        package = _Package(Path(folder))
        report = package.check()
        raise_on_errors(report, str(folder), _REPAIR)
        step("cohort")
        return Cohort(
            **{name: frame.reset_index(drop=True) for name, frame in package.tables.items()},
            measures=package.measures,
            provenance=package.provenance,
            privacy=package.privacy,
            reference=package.reference,
            counted_from=package.counted_from,
            as_of=package.as_of,
            programme=package.programme,
        )


def check_folder(folder: str | os.PathLike[str]) -> CheckReport:
    """Check a cohort folder, also one that no cohort can be made of.

    Parameters
    ----------
    folder : path
        Folder with ``datapackage.json``.

    Returns
    -------
    CheckReport
        Every finding, those made while reading the files included.

    Raises
    ------
    CohortError
        There is no such folder, or its descriptor cannot be read.
    """
    with steps(f"Loading {Path(folder).absolute().name}"):
        return _Package(Path(folder)).check()


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
        package = _Package(Path(folder))
        report = package.check()
    lacking = [name for name, table in TABLES.items() if table.required and name not in package.tables]
    if report.n_identifiers or lacking:
        raise_on_errors(report, str(folder), _REPAIR)
    tables = {name: frame.reset_index(drop=True) for name, frame in package.tables.items()}
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
    cohort = Cohort(  # a reference that is not a protocol is a finding
        measures=package.measures, provenance=package.provenance, privacy=package.privacy, programme=package.programme,
        counted_from=package.counted_from, as_of=package.as_of,
        **kept,  # type: ignore[arg-type]
    )  # fmt: skip
    named = package.reference if package.reference in cohort.protocols else None
    return replace(cohort, reference=named), report


def resources_of(folder: Path, descriptor: dict[str, Any]) -> list[dict[str, Any]]:
    """Give the resources of a descriptor, and :data:`FLOW_FILE` where a person has put that file beside them."""
    named: list[dict[str, Any]] = descriptor["resources"]
    if (folder / FLOW_FILE).is_file() and all(one["name"] != "flow" for one in named):
        return [*named, {"name": "flow", "path": FLOW_FILE}]
    return named


class _Package:
    """A cohort folder as far as it can be read."""

    def __init__(self, folder: Path) -> None:
        self.findings = FindingList()
        self.tables: dict[str, pd.DataFrame] = {}
        descriptor = read_descriptor(folder)
        own: tuple[Measures, Provenance, str] = read_own_part(descriptor)
        self.measures, self.provenance, privacy = own
        self.reference = read_reference(descriptor)
        self.counted_from = read_counted_from(descriptor)
        self.as_of = read_as_of_day(descriptor)
        self.programme = read_own_programme(descriptor)
        self.privacy: Privacy = "limited" if privacy == "limited" else "safe-harbor"
        if privacy not in get_args(Privacy):
            self.findings.add(
                "error", "", f"there is no privacy level {privacy!r}", f"Use one of: {', '.join(get_args(Privacy))}."
            )
        for resource in resources_of(folder, descriptor):
            self._read(folder, resource)

    def _read(self, folder: Path, resource: dict[str, Any]) -> None:
        name = str(resource["name"])
        table = TABLES.get(name)  # type: ignore[call-overload]
        if table is None:
            self.findings.add("warning", name, "the table is not a known one and is not used", "Remove it.")
            return
        try:
            path, raw = read_resource(folder, resource)
        except CohortError as error:
            self.findings.add("error", name, f"{error.what} ({error.where})", error.what_to_do)
            return
        add_ragged(raw, name, self.findings)
        if resource.get("hash") not in (None, f"sha256:{describe_source(path).sha256}"):
            self.findings.add(
                "warning",
                name,
                "the file was changed after the folder was written",
                "Check that the change was meant; import the source again to have it on record.",
            )
        frame = with_current_names(raw.frame) if name == "sessions" else raw.frame
        if frame is not raw.frame:
            self.provenance = self.provenance.with_step(_RENAMED)
        self.tables[name] = convert_table(frame, table, self.findings, read_columns(resource))

    def check(self) -> CheckReport:
        synthetic = self.provenance.scenario is not None
        return check_tables(
            self.tables, self.measures, self.privacy, self.findings, synthetic=synthetic, reference=self.reference,
            decided=self.provenance.decided, programme=self.programme,
        )  # fmt: skip


def _write_table(name: str, frame: pd.DataFrame, folder: Path, file_format: FileFormat) -> dict[str, Any]:
    path = folder / f"{name}.{file_format}"
    if file_format == "csv":
        write_csv(frame, path)
    else:
        write_parquet(frame, path, storage_types(frame))
    source = describe_source(path)
    return {
        "name": name,
        "title": f"One row is {TABLES[name].row}",  # type: ignore[index]
        "path": path.name,
        "format": file_format,
        "mediatype": _MEDIA_TYPES[file_format],
        "encoding": "utf-8",
        "hash": f"sha256:{source.sha256}",
        "schema": table_schema(frame, TABLES[name], file_format),  # type: ignore[index]
    }

"""What a report was made from: enough to make it again and to see that it is the same."""

from __future__ import annotations

import platform
import shlex
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib import metadata
from typing import TYPE_CHECKING, Any

import pandas as pd

from analysis.cohort.provenance import Source, describe_source
from analysis.errors import ReportError
from analysis.report.passages import Passage, Section
from analysis.report.tables import Column, Table

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from analysis.cohort import Cohort

#: Packages whose version can change a number or a picture.
PACKAGES = (
    "kneecurve", "numpy", "pandas", "scipy", "formulaic", "statsmodels", "pingouin", "matplotlib", "seaborn",
    "great-tables", "pyarrow", "papermill", "nbconvert",
)  # fmt: skip


@dataclass(frozen=True)
class Record:
    """The record beside a report.

    Parameters
    ----------
    report : str
        Name of the report.
    notebook : Source
        The notebook that was run.
    cohort : str
        Cohort folder, from where the report is.
    inputs : tuple of Source
        Files of the cohort folder with their hashes.
    parameters : mapping
        Parameters given; the others had their defaults.
    versions : mapping
        Package and version; Python is among them.
    """

    report: str
    notebook: Source
    cohort: str
    inputs: tuple[Source, ...]
    parameters: Mapping[str, Any]
    versions: Mapping[str, str]

    def to_json(self) -> dict[str, Any]:
        """Return plain lists and dictionaries."""
        return {
            "report": self.report,
            "notebook": _source(self.notebook),
            "cohort": self.cohort,
            "inputs": [_source(source) for source in self.inputs],
            "parameters": dict(self.parameters),
            "versions": dict(self.versions),
        }


def record_inputs(folder: Path) -> tuple[Source, ...]:
    """Hash the files of a cohort folder.

    Parameters
    ----------
    folder : Path
        The folder.

    Returns
    -------
    tuple of Source
        By file name.

    Raises
    ------
    ReportError
        There is no such folder.
    """
    if not folder.is_dir():
        raise ReportError(
            "There is no such cohort folder.",
            where=str(folder),
            what_to_do="Check the path; kneecurve import and kneecurve demo write cohort folders.",
        )
    return tuple(describe_source(path) for path in sorted(folder.iterdir()) if path.is_file() and path.name[0] != ".")


def versions() -> dict[str, str]:
    """Return the versions of Python and of the packages that numbers and pictures depend on.

    Examples
    --------
    >>> sorted(versions())[:2]
    ['formulaic', 'great-tables']
    """
    found = {"python": platform.python_version()}
    for name in PACKAGES:
        try:
            found[name] = metadata.version(name)
        except metadata.PackageNotFoundError:
            found[name] = "not installed as a package"
    return found


def command_to_repeat(report: str, folder_name: str, parameters: Mapping[str, Any]) -> str:
    """Return the command that makes the report again.

    Parameters
    ----------
    report : str
        Name of the report.
    folder_name : str
        The cohort folder.
    parameters : mapping
        The parameters that differ from the defaults.

    Examples
    --------
    >>> command_to_repeat("protocol_comparison", "cohort", {"primary_week": 12.0})
    'kneecurve report protocol_comparison cohort --out report --set primary_week=12.0'
    """
    settings = [part for name, value in parameters.items() for part in ("--set", f"{name}={value!r}")]
    return shlex.join(["kneecurve", "report", report, folder_name, "--out", "report", *settings])


def time_stamp() -> str:
    """Return the present time in UTC, to the second: the only thing that differs between two equal runs."""
    return datetime.now(UTC).strftime("%Y-%m-%d %H:%M:%S UTC")


def show_provenance(
    cohort: Cohort, folder: Path, *, report: str, parameters: Mapping[str, Any], changed: Mapping[str, Any]
) -> Section:
    """Say what a report was made from.

    Parameters
    ----------
    cohort : Cohort
        The cohort.
    folder : Path
        Its folder.
    report : str
        Name of the report.
    parameters : mapping
        Every parameter of the report with the value used.
    changed : mapping
        Those that are not at their default.

    Returns
    -------
    Section
        Sentences, then tables of input files, parameters and versions.
    """
    origin = cohort.provenance
    if origin.scenario is not None:
        source = (
            f"The cohort is invented: scenario “{origin.scenario}”, seed {origin.seed}. It can be made again with "
            f"synthetic_cohort.generate_cohort. No number in this report is a finding about any treatment."
        )
    elif origin.sources:
        names = ", ".join(item.name for item in origin.sources)
        source = f"The cohort was imported from {names}."
    else:
        source = "The cohort does not say where it came from."
    level = (
        "De-identification level: safe-harbor (no element of a date but the year, no identifier)."
        if cohort.privacy == "safe-harbor"
        else "De-identification level: limited. This report must stay within the organisation that holds the data."
    )
    command = command_to_repeat(report, folder.resolve().name, changed)
    sentences = Passage((source, level, f"To repeat this report: {command}"))
    steps = (Passage(tuple(origin.steps), "items"),) if origin.steps else ()
    inputs = [
        *((item, "source file") for item in origin.sources),
        *((item, "cohort folder") for item in record_inputs(folder)),
    ]
    files = pd.DataFrame(
        [(item.name, where, item.n_bytes, item.sha256[:16]) for item, where in inputs],
        columns=["file", "where", "bytes", "sha256"],
    )
    used = pd.DataFrame(
        [(name, "none" if value is None else repr(value)) for name, value in parameters.items()],
        columns=["parameter", "value"],
    )
    packages = pd.DataFrame(list(versions().items()), columns=["package", "version"])
    return Section(
        (
            sentences,
            *steps,
            Table(
                files,
                "Files read, with the first 16 digits of their SHA-256 hashes; the record has them whole.",
                (
                    Column("file", "File"),
                    Column("where", "Where"),
                    Column("bytes", "Bytes", "count"),
                    Column("sha256", "SHA-256"),
                ),
                name="files",
            ),
            Table(
                used,
                "Parameters of the report.",
                (Column("parameter", "Parameter"), Column("value", "Value")),
                name="parameters",
            ),
            Table(
                packages,
                "Versions.",
                (Column("package", "Package"), Column("version", "Version")),
                name="versions",
            ),
        )
    )


def _source(source: Source) -> dict[str, Any]:
    return {"name": source.name, "sha256": source.sha256, "bytes": source.n_bytes}

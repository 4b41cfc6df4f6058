"""Findings as CSV files for the sites that must answer: one a site, safe to open in a spreadsheet."""

from __future__ import annotations

import os
import re
from pathlib import Path

import pandas as pd

from analysis.cohort.files.data_package import load_with_findings
from analysis.cohort.files.paths import refuse_impossible_name
from analysis.cohort.findings import CheckReport, not_run
from analysis.cohort.schedule import moment
from analysis.cohort.tables import Cohort
from analysis.errors import CohortError
from analysis.foreign_text import visible
from analysis.progress import steps
from analysis.quality.completeness import site_of
from analysis.quality.unlikely_changes import unlikely_changes
from analysis.quality.value_rules import check_values

#: Columns that the site fills in.
ANSWER_COLUMNS = ("answer", "corrected_value", "answered_by")
_NO_SITE = "site_not_recorded"


def all_findings(cohort: Cohort, checked: CheckReport, values: pd.DataFrame) -> pd.DataFrame:
    """Put the findings of the check and those about values into one table.

    Parameters
    ----------
    cohort : Cohort
        The cohort.
    checked : CheckReport
        Of :func:`analysis.cohort.check_cohort`.
    values : pandas.DataFrame
        Of :func:`check_values` and :func:`unlikely_changes`.

    Returns
    -------
    pandas.DataFrame
        site (empty where the finding is about no patient, or it was not recorded), patient_id, severity (error,
        warning, impossible, unlikely), place (table, row and column, or measure, limb and week), value (as text),
        problem, what_to_do.

    Examples
    --------
    >>> from analysis.cohort import check_cohort
    >>> from synthetic_cohort import generate_cohort
    >>> cohort = generate_cohort(patients=20, seed=1).observed
    >>> checked = check_cohort(cohort)
    >>> len(all_findings(cohort, checked, pd.DataFrame())) == len(checked.findings)
    True
    """
    found = checked.findings
    place = [
        ", ".join(part for part in (table, "" if pd.isna(row) else f"row {row}", column) if part)
        for table, row, column in zip(found["table"], found["row"], found["column"], strict=True)
    ]
    first = found.assign(place=place, site=site_of(cohort, found["patient_id"]))
    columns = ["site", "patient_id", "severity", "place", "value", "problem", "what_to_do"]
    parts = [first[columns]]
    if len(values):
        where = [
            f"{cohort.measures[measure].label}{'' if limb == 'none' else ', ' + limb}, {moment(week)}"
            for measure, limb, week in zip(values["measure"], values["limb"], values["week"], strict=True)
        ]
        text = values["value"].map(lambda value: f"{value:.6g}")
        parts.insert(0, values.assign(place=where, value=text)[columns])
    kept = [part for part in parts if len(part)]
    return pd.concat(kept, ignore_index=True).astype("str") if kept else pd.DataFrame(columns=pd.Index(columns))


def write_findings(findings: pd.DataFrame, folder: str | os.PathLike[str]) -> list[Path]:
    """Write the findings of each site to a CSV file, with empty columns for the answers.

    A cell that a spreadsheet would run as a formula gets an apostrophe in front, control characters are written out.

    Parameters
    ----------
    findings : pandas.DataFrame
        As :func:`all_findings` gives it.
    folder : path
        Folder that is written; files that are there are not overwritten.

    Returns
    -------
    list of Path
        One file a site with findings, named after it; those about no site in ``findings_site_not_recorded.csv``.

    Raises
    ------
    CohortError
        A file is there already.

    Examples
    --------
    >>> import tempfile
    >>> table = pd.DataFrame({"site": ["A"], "value": ["=1+1"]})
    >>> with tempfile.TemporaryDirectory() as place:
    ...     print(write_findings(table, place)[0].read_text().splitlines()[1])
    A,'=1+1,,,
    """
    target = Path(folder)
    refuse_impossible_name(target)
    target.mkdir(parents=True, exist_ok=True)
    safe = findings.copy()
    for name in safe.columns:
        safe[name] = not_run(safe[name].astype("str").map(visible))
    files: dict[Path, pd.DataFrame] = {}
    for site, rows in safe.groupby(findings["site"], sort=True):
        word = re.sub(r"[^\w-]+", "_", str(site)).strip("_") or _NO_SITE
        path = target / f"findings_{word}.csv"
        files[path] = pd.concat([files[path], rows]) if path in files else rows
    there = [path for path in files if path.exists()]
    if there:
        raise CohortError(
            "A file with findings is there already.",
            where=", ".join(str(path) for path in there[:5]),
            what_to_do="Choose another folder, so that answers are not lost.",
        )
    for path, rows in files.items():
        rows.assign(**dict.fromkeys(ANSWER_COLUMNS, "")).to_csv(
            path, index=False, encoding="utf-8", lineterminator="\n"
        )
    return list(files)


def export_findings(cohort_folder: str | os.PathLike[str], folder: str | os.PathLike[str]) -> list[Path]:
    """Check a cohort folder, values and changes included, and write the findings of each site.

    Parameters
    ----------
    cohort_folder : path
        Cohort folder, also one with errors.
    folder : path
        Folder that is written.

    Returns
    -------
    list of Path
        One file a site with findings.

    Raises
    ------
    CohortError
        The folder is no cohort folder, or a file is there already.
    DeidentificationError
        The cohort holds what could identify patients.
    """
    with steps(f"Checking {Path(cohort_folder).absolute().name}") as step:
        cohort, checked = load_with_findings(cohort_folder)
        step("values")
        broken = check_values(cohort)
        step("changes")
        parts = [part for part in (broken, unlikely_changes(cohort)) if len(part)]
        values = pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()
        step("files for the sites")
        return write_findings(all_findings(cohort, checked, values), folder)

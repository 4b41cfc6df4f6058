"""Findings as CSV files for the sites that must answer: one a site, safe to open in a spreadsheet."""

from __future__ import annotations

import os
from collections.abc import Iterable
from pathlib import Path

import pandas as pd

from analysis.cohort.files.data_package import load_with_findings
from analysis.cohort.files.paths import refuse_impossible_name
from analysis.cohort.findings import CheckReport, not_run
from analysis.cohort.recognition.site_names import one_name_a_site, site_file_word, site_key
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
_NO_SITE, _A_SITE = "site_not_recorded", "site"


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
        One file a site with findings, named after it; no two names differ by capitals or forms of characters only.
        Those about no site are in ``findings_site_not_recorded.csv``.

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
    words = file_words(findings["site"].astype("str").unique())
    files = {
        target / f"findings_{words[str(site)]}.csv": rows
        for site, rows in safe.groupby(one_name_a_site(findings["site"].astype("str")).names.fillna(""), sort=True)
    }
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


def file_words(sites: Iterable[str]) -> dict[str, str]:
    """Give each site the part of the name of its file, so that no two are one file on any system.

    Capitals, blanks and forms of characters make no site of their own; of others whose files would have one name (some systems
    do not tell capitals or forms of characters apart) the later by name get a number.

    Examples
    --------
    >>> file_words(["Clinic 02", "clinic_02", "", "Site not recorded"])
    {'': 'site_not_recorded', 'Clinic 02': 'Clinic_02', 'Site not recorded': 'Site_not_recorded_2', 'clinic_02': 'clinic_02_2'}
    """
    words: dict[str, str] = {}
    taken: set[str] = set()
    by_key: dict[str, str] = {}
    for site in sorted(sites):
        key = site_key(site)
        if key not in by_key:
            plain = site_file_word(site) or (_A_SITE if key else _NO_SITE)
            names = (plain, *(f"{plain}_{i}" for i in range(2, 10_000)))
            by_key[key] = next(name for name in names if site_key(name) not in taken)
            taken.add(site_key(by_key[key]))
        words[site] = by_key[key]
    return words


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

"""Everything a data-quality report is made of, computed once."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from analysis import quality
from analysis.cohort import CheckReport, Cohort
from analysis.cohort.derived import measured_values
from analysis.cohort.files.data_package import load_with_findings
from analysis.progress import steps
from analysis.report.quality.findings import QualityFindings, find
from analysis.report.running.declared import ReportParameters, parameter, takes


@dataclass(frozen=True)
class QualityParameters(ReportParameters):
    """Parameters of a data-quality report."""

    folder: str = parameter("../cohort", "cohort folder, seen from this notebook")
    rules: str | None = parameter(
        None, "TOML file with rules for values of your own, full path; None: those of the kit only"
    )
    level: float = parameter(0.95, "confidence level of every interval")


@dataclass(frozen=True, eq=False)
class QualityStudy:
    """A data-quality report, ready to be shown.

    Attributes
    ----------
    folder : Path
        The cohort folder.
    cohort : Cohort
        The cohort, without rows that no table can hold.
    checked : CheckReport
        Every finding of the check.
    expected, timing, patterns, lost, digits, digits_by_site : pandas.DataFrame
        Of the functions of :mod:`analysis.quality`; small counts of a site are hidden at the safe-harbor level.
    questions : pandas.DataFrame
        Impossible and unlikely values and changes.
    values_judged, changes_judged : int
        How many values a rule is about, and how many changes there is a trend and a detectable change for.
    findings : pandas.DataFrame
        All findings, as they go to the sites.
    found : QualityFindings
        What was found; every claim of the report speaks from it.
    level : float
        Level of the intervals.
    parameters : dict
        The parameters as given.
    """

    folder: Path
    cohort: Cohort
    checked: CheckReport
    expected: pd.DataFrame
    timing: pd.DataFrame
    patterns: pd.DataFrame
    lost: pd.DataFrame
    digits: pd.DataFrame
    digits_by_site: pd.DataFrame
    questions: pd.DataFrame
    values_judged: int
    changes_judged: int
    findings: pd.DataFrame
    found: QualityFindings
    level: float
    parameters: dict[str, Any]

    @property
    def shows_patients(self) -> bool:
        """Whether rows of single patients may be shown."""
        return self.cohort.level != "safe-harbor"

    def label(self, measure: str) -> str:
        """Name a measure for readers."""
        return self.cohort.measures[measure].label


@takes(QualityParameters)
def prepare_check(folder: Path | str, **given: Any) -> QualityStudy:
    """Load a cohort, also one with errors, and compute everything its data-quality report shows.

    Parameters
    ----------
    folder : Path or str
        Cohort folder.
    {parameters}

    Returns
    -------
    QualityStudy
        What :mod:`analysis.report.quality` shows.

    Raises
    ------
    ReportError
        There is no such parameter, or a value is of another type.
    CohortError
        The folder is no cohort folder, or the rules cannot be read.
    DeidentificationError
        The cohort holds what could identify patients.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> from analysis.cohort import write_cohort
    >>> from synthetic_cohort import generate_cohort
    >>> with TemporaryDirectory() as name:
    ...     written = write_cohort(generate_cohort(patients=30, seed=3).observed, Path(name) / "cohort")
    ...     study = prepare_check(written)
    >>> study.checked.n_errors, study.shows_patients
    (0, True)
    """
    asked, path = QualityParameters.checked(folder, given), Path(folder)
    with steps(f"Data quality of {path.absolute().name}") as step:
        return _prepare(path, asked, step)


def recorded(cohort: Cohort, measure: str) -> int:
    """Count the values of a measure, of all its limbs, computed ones included."""
    limbs = cohort.measures[measure].limbs
    values = [measured_values(cohort.visits, measure, limb, cohort.patients)["value"] for limb in limbs]
    return sum(int(one.notna().sum()) for one in values)


def _prepare(folder: Path, asked: QualityParameters, step: Callable[[str], None]) -> QualityStudy:
    cohort, checked = load_with_findings(folder)
    step("values and changes")
    rules = (*quality.read_value_rules(), *(quality.read_value_rules(asked.rules) if asked.rules else ()))
    checks = [quality.check_values(cohort, rules), quality.unlikely_changes(cohort)]
    some = [part for part in checks if len(part)]
    values = pd.concat(some, ignore_index=True) if some else checks[0]
    patterns, expected, timing = (
        quality.visit_patterns(cohort),
        quality.expected_values(cohort),
        quality.visit_timing(cohort),
    )
    lost = quality.lost_by_baseline(cohort, patterns, asked.level) if len(patterns) else pd.DataFrame()
    digits, by_site = (
        quality.digit_preference(cohort),
        quality.digits_by_site(cohort, hide_small=cohort.level == "safe-harbor"),
    )
    values_judged = sum(recorded(cohort, name) for name in {rule.measure for rule in rules})
    changes_judged = quality.changes_judged(cohort)
    found = find(
        checked=checked, labels={name: cohort.measures[name].label for name in cohort.measures}, expected=expected,
        timing=timing, patterns=patterns, questions=values, values_judged=values_judged, changes_judged=changes_judged,
        digits=digits, digits_by_site=by_site,
    )  # fmt: skip
    return QualityStudy(
        folder=folder,
        cohort=cohort,
        checked=checked,
        expected=expected,
        timing=timing,
        patterns=patterns,
        lost=lost,
        digits=digits,
        digits_by_site=by_site,
        questions=values,
        values_judged=values_judged,
        changes_judged=changes_judged,
        findings=quality.all_findings(cohort, checked, values),
        found=found,
        level=asked.level,
        parameters=asked.given(),
    )

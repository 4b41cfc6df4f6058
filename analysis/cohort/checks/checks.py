"""CHECK: every problem of a cohort in one table, never only the first."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence

import pandas as pd

from analysis.cohort.checks.parts_check import PartsCheck
from analysis.cohort.findings import CheckReport, FindingList
from analysis.cohort.measures import Measures
from analysis.cohort.programme import UsualSession
from analysis.cohort.recognition.find_identifiers import QUARTERS_NEED
from analysis.cohort.tables import Cohort, Privacy
from analysis.counted import counted
from analysis.errors import CohortError, DeidentificationError

_ROWS_IN_MESSAGE = 5


class FailedCheckError(CohortError):
    """A cohort has errors and is not used.

    Attributes
    ----------
    report : CheckReport
        Every finding.
    """

    report: CheckReport


class IdentifierError(FailedCheckError, DeidentificationError):
    """A cohort holds something that could identify a patient and is not used."""


def check_cohort(cohort: Cohort) -> CheckReport:
    """Check a cohort.

    Parameters
    ----------
    cohort : Cohort
        The cohort.

    Returns
    -------
    CheckReport
        Every finding: missing keys, duplicate rows, values outside the plausible range, mixed-up units, unknown
        measures, patients that do not belong together, patients without a baseline, impossible home sessions and brace
        settings, a flow that does not add up, direct identifiers.

    Examples
    --------
    >>> import pandas as pd
    >>> from analysis.cohort.tables import Cohort
    >>> patients = pd.DataFrame({"patient_id": ["P1", "P2"], "protocol": ["usual", "early"]})
    >>> visits = pd.DataFrame({"patient_id": ["P1", "P2"], "week": 0, "measure": "pain", "limb": "none"})
    >>> visits["value"] = [4, 70]
    >>> check_cohort(Cohort(patients, visits)).findings[["patient_id", "value", "problem"]].iloc[0].tolist()
    ['P2', '70', 'outside 0 to 10 points; pain looks like mm of a 100 mm scale where points is declared']
    """
    tables: dict[str, pd.DataFrame] = {str(name): frame for name, frame in cohort.tables()}
    return check_tables(
        tables, cohort.measures, cohort.privacy, FindingList(), synthetic=cohort.level == "synthetic",
        reference=cohort.reference, decided=cohort.provenance.decided, programme=cohort.programme,
    )  # fmt: skip


def check_tables(
    tables: Mapping[str, pd.DataFrame],
    measures: Measures,
    privacy: Privacy,
    findings: FindingList,
    *,
    synthetic: bool = False,
    reference: str | None = None,
    decided: Collection[str] = (),
    programme: Sequence[UsualSession] | None = (),
) -> CheckReport:
    """Check tables that may be no valid cohort, all in memory, as :class:`PartsCheck` does; ``findings`` are added to."""
    check = PartsCheck(
        measures, privacy, findings, synthetic=synthetic, reference=reference, decided=decided, programme=programme
    )
    check.add(tables)
    return check.report()


def raise_on_errors(report: CheckReport, where: str, what_to_do: str) -> None:
    """Raise where a report has errors; ``where`` names the file or folder that was checked.

    Raises
    ------
    IdentifierError
        Something could identify a patient; a DeidentificationError.
    FailedCheckError
        There are other errors; a CohortError.
    """
    if report.passed:
        return
    errors = report.findings[report.findings["severity"] == "error"]
    first = CheckReport(errors.head(_ROWS_IN_MESSAGE)).to_text().splitlines()[1:]
    more = len(errors) - min(len(errors), _ROWS_IN_MESSAGE)
    lines = [
        where,
        *(line for line in first if not line.startswith("      what to do")),
        *([f"and {more:,} more"] if more else []),
    ]
    if errors["what_to_do"].eq(QUARTERS_NEED).any():
        what_to_do = f"{what_to_do} Of the column quarter: {QUARTERS_NEED}"
    kind: type[FailedCheckError] = FailedCheckError
    what = f"The cohort has {counted(report.n_errors, 'error')} and is not used."
    if report.n_identifiers:
        kind = IdentifierError
        what = (
            f"The cohort holds what could identify patients ("
            f"{counted(report.n_identifiers, 'finding')}) and is not used."
        )
    error = kind(what, where=lines, what_to_do=what_to_do)
    error.report = report
    raise error

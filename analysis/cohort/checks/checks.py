"""CHECK: every problem of a cohort in one table, never only the first."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence

import pandas as pd

from analysis.cohort.checks.flow_checks import check_flow
from analysis.cohort.checks.home_checks import check_home
from analysis.cohort.checks.name_checks import check_names
from analysis.cohort.checks.permission_checks import check_permitted
from analysis.cohort.checks.table_checks import check_cells, check_columns, check_keys, check_patients
from analysis.cohort.checks.visit_checks import check_visits
from analysis.cohort.findings import CheckReport, FindingList
from analysis.cohort.measures import Measures
from analysis.cohort.no_labels import check_no_labels
from analysis.cohort.programme import UsualSession
from analysis.cohort.recognition.find_identifiers import QUARTERS_NEED, find_identifiers
from analysis.cohort.reference import check_reference
from analysis.cohort.tables import TABLES, Cohort, Privacy
from analysis.counted import counted
from analysis.errors import CohortError, DeidentificationError
from analysis.progress import steps

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
    """Check tables that may be no valid cohort; to ``findings`` made while the tables were read more are added.

    The tables are in their types, with any columns; their index holds the row of the source, from 0, and may repeat.
    ``privacy`` is the level of de-identification that is claimed; of patients who are invented (``synthetic``) quarters tell
    nothing about anybody. ``decided`` are columns that a person named, as table.column; ``programme`` as in
    :func:`analysis.cohort.checks.home_checks.check_home`.
    """
    findings.counts = {name: len(frame) for name, frame in tables.items()}
    source_rows = {name: frame.index.to_numpy() for name, frame in tables.items()}
    plain = {name: frame.reset_index(drop=True) for name, frame in tables.items()}
    plain |= {name: _with_numbered_patients(frame) for name, frame in plain.items() if name != "patients"}
    found = FindingList()
    with steps("checking") as step:
        step("columns and keys")
        check_columns(plain, found, unreadable=findings.tables_with_errors())
        check_keys(plain, found, source_rows)
        step("cells")
        check_cells(plain, found, privacy)
        step("patients")
        check_no_labels(plain, TABLES["patients"].columns, found)
        check_patients(plain, found)
        check_reference(plain, found, reference)
        step("visits and home programme")
        if "visits" in plain:
            check_visits(plain["visits"], measures, found)
        check_home(plain, found, programme)
        check_flow(plain, found)
        step("identifiers")
        masked = find_identifiers(plain, found, privacy, quarters=synthetic or privacy == "limited")
        if not synthetic:
            check_permitted(plain, found, decided)
        step("names")
        check_names(plain, found, source_rows, masked)
        findings.extend(found, source_rows)
        return findings.report(masked)


def _with_numbered_patients(frame: pd.DataFrame) -> pd.DataFrame:
    """Hold each patient's identifier once, as a category: with millions of rows the checks are far quicker."""
    if "patient_id" not in frame:
        return frame
    codes, names = pd.factorize(frame["patient_id"])
    return frame.assign(patient_id=pd.Categorical.from_codes(codes, categories=names))


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

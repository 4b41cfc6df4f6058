"""Import: a file or a folder of any shape, by a map file, becomes a cohort; nothing is used where there are errors."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from analysis.cohort.catalogue import load_catalogue
from analysis.cohort.checks.checks import check_tables, raise_on_errors
from analysis.cohort.derived import torque_is_per_kg
from analysis.cohort.files.conversion import convert_table
from analysis.cohort.files.paths import refuse_impossible_name
from analysis.cohort.findings import CheckReport, FindingList, Severity
from analysis.cohort.importing.import_home import check_protocols, home_table, sessions_of_log
from analysis.cohort.importing.import_visits import visits_table
from analysis.cohort.importing.last_day import last_day
from analysis.cohort.importing.map_file import ImportMap, read_map
from analysis.cohort.importing.map_keys import PatientColumn
from analysis.cohort.importing.source_rows import SourceRows
from analysis.cohort.importing.sources import Sources
from analysis.cohort.importing.start_dates import StartDates
from analysis.cohort.provenance import Provenance, describe_source
from analysis.cohort.recognition.spellings import fold
from analysis.cohort.schedule import ScheduleReport, schedule_visits
from analysis.cohort.tables import TABLES, Cohort
from analysis.progress import steps
from analysis.result import Result

_PER_KG = "Quadriceps torque in N·m/kg (quadriceps_torque) is computed from N·m and body mass; reports take it where none is named."


@dataclass(frozen=True, repr=False)
class Imported(Result):
    """A cohort as imported, what was found on the way, and what became of its visits.

    Parameters
    ----------
    cohort : Cohort
        The cohort.
    checked : CheckReport
        Warnings of the import and of the check; rows are those of the file.
    schedule : ScheduleReport or None
        What visit windows did to every value; None where the map has no windows.
    """

    cohort: Cohort
    checked: CheckReport
    schedule: ScheduleReport | None

    def _headline(self) -> str:
        return f"Imported: {self.cohort._headline()}; {self.checked.summary}"

    def _shown_tables(self) -> dict[str, pd.DataFrame]:
        return {"checked.findings": self.checked.findings}

    def _shown_notes(self) -> list[str]:
        return [self.schedule.sentence] if self.schedule is not None else []


def import_cohort(
    file: str | os.PathLike[str], map_file: str | os.PathLike[str], *, as_of: str | None = None
) -> Imported:
    r"""Make a cohort of a file or a folder of files: CSV, Parquet, Excel, SPSS, Stata, SAS.

    Parameters
    ----------
    file : path
        The file: long (one row a visit, or one row a value) or wide (one row a patient, weeks in the column names); or
        a folder of files that the map names.
    map_file : path
        TOML file that says which column is what; see :func:`analysis.cohort.importing.map_file.read_map`.
    as_of : str, optional
        Day up to which the data were collected, as 2026-03-31; by default what the map says, otherwise the last day seen.

    Returns
    -------
    Imported
        The cohort (``.cohort``), the warnings (``.checked``), and what visit windows moved and dropped
        (``.schedule``). Patients in the order of their first row; visits by patient, week and the order of the map;
        empty cells are no visits. The provenance has all files with their SHA-256.

    Raises
    ------
    CohortError
        A file or the map cannot be read, the map names columns that the file lacks, the as-of date is none or lies before
        the last day seen, or the cohort has errors (then
        the attribute ``report`` of the error has every finding; rows are those of the file, as a spreadsheet
        numbers them: the header is row 1).
    DeidentificationError
        The cohort would hold what could identify patients.

    Examples
    --------
    >>> import tempfile
    >>> folder = Path(tempfile.mkdtemp())
    >>> text = "id,arm,before,after\n1,usual,6,4\n2,early,7,3\n"
    >>> _ = (folder / "pain.csv").write_text(text, encoding="utf-8")
    >>> _ = (folder / "pain.toml").write_text('''
    ... layout = "wide"
    ... [patients]
    ... patient_id = "id"
    ... protocol = "arm"
    ... [[values]]
    ... measure = "pain"
    ... columns = { before = 0, after = 12 }
    ... ''', encoding="utf-8")
    >>> import_cohort(folder / "pain.csv", folder / "pain.toml").cohort.protocols
    ['usual', 'early']
    """
    path = Path(file)
    refuse_impossible_name(path)
    with steps(f"Importing {path.name}") as step:
        return _import(path, Path(map_file), as_of, step)


def _import(path: Path, map_path: Path, as_of: str | None, step: Callable[[str], None]) -> Imported:
    mapped = read_map(map_path)
    findings = FindingList()
    sources = Sources(path, map_path.name, findings)
    sources.refuse_unnamed(mapped.forms)
    starts = StartDates(mapped, sources)
    step("patients")
    people = _patient_rows(mapped, sources)
    tables = {"patients": _patients(mapped, people, findings)}
    step("visits")
    visits, n_empty = visits_table(mapped, sources, starts, tables["patients"])
    schedule, seen = None, visits
    if mapped.schedule is not None:
        visits, schedule = schedule_visits(visits, mapped.schedule)
    tables["visits"] = visits
    step("home programme")
    for entry in mapped.home:
        tables[entry.table] = home_table(mapped, entry, sources, starts)
    if mapped.session_log is not None:
        tables["sessions"] = sessions_of_log(mapped, mapped.session_log, sources, starts, tables["patients"], findings)
    if "flow" in mapped.files:
        tables["flow"] = convert_table(sources.frame(mapped.files["flow"]), TABLES["flow"], findings)
    check_protocols(mapped, tables["patients"]["protocol"], findings)
    sources.check_links(people)
    ends = last_day(mapped, as_of, starts, tables, seen)
    tables["patients"] = ends.patients
    tables = {name: tables[name] for name in TABLES if name in tables}
    measures = load_catalogue().with_measures(*mapped.measures)
    reference = None if mapped.reference is None else fold(mapped.reference)
    decided = tuple(f"{name}.{column}" for name, frame in tables.items() for column in frame.columns)
    report = check_tables(tables, measures, mapped.privacy, findings, reference=reference, decided=decided,
                          programme=None if mapped.session_log is not None else mapped.programme)  # fmt: skip
    raise_on_errors(report, path.name, "Nothing was written. Correct the file or the map, and import it again.")
    steps = (
        f"Imported {sources.n_rows:,} rows of {path.name} ({mapped.layout}) with {map_path.name}.",
        f"{n_empty:,} empty cells of measures are no visits.",
        ends.said,
        *([schedule.sentence] if schedule is not None else []),
        *([_limits(tables["visits"])] if "bound" in tables["visits"] else []),
        *([_PER_KG] if torque_is_per_kg(tables["visits"], tables["patients"]) else []),
    )
    cohort = Cohort(
        **{name: frame.reset_index(drop=True) for name, frame in tables.items()},
        measures=measures,
        provenance=Provenance(
            sources=tuple(describe_source(one) for one in [*sources.files, map_path]), steps=steps, decided=decided
        ),
        privacy=mapped.privacy,
        reference=reference,
        counted_from=mapped.week.counted_from,
        programme=mapped.programme,
        as_of=ends.as_of,
    )
    return Imported(cohort, report, schedule)


def _limits(visits: pd.DataFrame) -> str:
    n = int(visits["bound"].notna().sum())
    return f"{n:,} of {len(visits):,} values are limits (column bound); the limit is taken as the value."


def _patient_rows(mapped: ImportMap, sources: Sources) -> SourceRows:
    return sources.rows(mapped.format_of("patients"), mapped.patient_column, [c.column for c in mapped.patients])


def _patients(mapped: ImportMap, rows: SourceRows, findings: FindingList) -> pd.DataFrame:
    """Give one row a patient; the index holds the first row of the patient in the file."""
    apart = mapped.format_of("patients") != mapped.format_of("visits")
    one_row_a_patient = mapped.layout == "wide" or apart
    columns = {}
    for column in mapped.patients:
        if column.name == "patient_id":
            columns["patient_id"] = rows.ids
            continue
        columns[column.name] = rows.values(column, TABLES["patients"].column(column.name))
        if not one_row_a_patient and column.column is not None:
            _find_changes(rows, column, columns[column.name], findings)
    frame = pd.DataFrame(columns, index=rows.frame.index)
    if one_row_a_patient:
        return frame
    firsts = frame.groupby(rows.patient_codes, sort=True).first()
    firsts = firsts.astype({name: frame[name].dtype for name in frame.columns})
    return firsts.set_axis(rows.frame.index[rows.first_rows], axis=0)


#: What may not change within a patient: by it the values are told apart.
_CHANGES: dict[str, tuple[Severity, str, str]] = {
    "protocol": ("error", "the protocol changes within the patient", "Give each patient the protocol assigned at the start."),
    "involved_side": (
        "error", "the operated side changes within the patient",
        "Give each patient one side; where both knees were operated on, give the limbs as involved and uninvolved.",
    ),
}  # fmt: skip


def _find_changes(rows: SourceRows, column: PatientColumn, values: pd.Series, findings: FindingList) -> None:
    """Find values that differ from the first one of their patient."""
    first = values.groupby(rows.patient_codes).transform("first")
    changed = (values.notna() & (values != first)).to_numpy(dtype=bool)
    severity, problem, what_to_do = _CHANGES.get(
        column.name, ("warning", "differs from the first value of the patient", "The first value is taken.")
    )
    findings.add(
        severity,
        rows.name,
        problem,
        what_to_do,
        column=column.column or column.name,
        rows=rows.frame.index.to_numpy()[changed],
        patients=rows.ids[changed],
        values=values[changed],
    )

"""De-identify a cohort folder, a folder of files or one file: read, take the identifiers out, write elsewhere."""

from __future__ import annotations

import os
from collections.abc import Callable, Collection
from dataclasses import replace
from pathlib import Path
from typing import Any, get_args

import pandas as pd

from analysis.cohort.checks.checks import check_tables, raise_on_errors
from analysis.cohort.columns import Column
from analysis.cohort.deidentification.keys import read_key
from analysis.cohort.deidentification.names import table_names
from analysis.cohort.deidentification.own_parts import REASON, harmless_flow, harmless_measures
from analysis.cohort.deidentification.report import DeidentificationReport
from analysis.cohort.deidentification.review import Review, read_review
from analysis.cohort.deidentification.source import read_tables
from analysis.cohort.deidentification.tables import Choices, Deidentified, deidentify_tables
from analysis.cohort.files.conversion import convert_table
from analysis.cohort.files.data_package import write_cohort
from analysis.cohort.files.package_files import read_descriptor, resources_of, table_of, whole_folder, write_csv
from analysis.cohort.files.package_schema import (
    DESCRIPTOR,
    read_as_of_day,
    read_columns,
    read_counted_from,
    read_own_part,
    read_own_programme,
    read_reference,
)
from analysis.cohort.files.paths import refuse_impossible_name
from analysis.cohort.findings import FindingList
from analysis.cohort.follow_up.as_of import read_as_of
from analysis.cohort.modalities import with_current_names
from analysis.cohort.provenance import Provenance
from analysis.cohort.recognition.find_identifiers import find_identifiers
from analysis.cohort.tables import TABLES, Cohort, Privacy
from analysis.errors import CohortError, DeidentificationError, check_choice
from analysis.progress import steps

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
    decisions: str | os.PathLike[str] | Review | None = None,
    as_of: str | None = None,
) -> DeidentificationReport:
    r"""Write to another folder what of a source is known to be harmless, or was permitted by a person; nothing else.

    A column stays where its name and every cell of it are of the trade: numbers in their range, labels of known words.
    Dates become weeks since the start, ages over 89 become 90, ZIP codes of the United States three digits (000 where 20,000
    people or fewer live), sites numbers, patients get new identifiers. Every other column is withheld until a person
    permits it by name: look at them with :func:`review_columns`. Dates of the office, which weeks would give back, go.
    The source is only read.

    Parameters
    ----------
    source : path
        A cohort folder, a folder of tables, or one table (CSV, Parquet, Excel, SPSS, Stata, SAS). All sheets of a workbook
        are read, hidden ones too.
    folder : path
        Folder that is written, whole or not at all: a cohort folder for a cohort folder, otherwise a CSV file for each
        table, to be imported with a map, and ``deidentification.csv``, the report. Files and columns whose names may tell
        something get new ones.
    level : {"safe-harbor", "limited"}
        limited: for quality work inside the organisation; the quarter of the start is kept.
    patient, start : str, optional
        Columns with the patient and with the date of surgery or start; recognised by their names where left out.
    keep : collection of str
        Columns that are permitted: numbers, and labels as they are today; at the limited level also what 164.514(e) allows.
        Texts never pass, but for the reasons of the table flow (``reason``), which are of no single patient.
    key_file : path, optional
        File with the secret key of the new identifiers, apart from both folders; made where it is not there. Left out, the
        identifiers are random and nobody can go back.
    date_format : str, optional
        How dates are written, in the notation of ``strptime``.
    delimiter : str
        Character between the cells of a CSV file.
    overwrite : bool
        Whether a cohort folder that is there is replaced.
    decisions : path or Review, optional
        What a person decided on the columns; one that is not in it, or has changed since, is withheld.
    as_of : str, optional
        Day up to which the data were collected, as 2026-03-31; by default the last day, not after today, in a column of dates.
        At the limited level the week up to which visits were due by
        then is kept beside the quarter, so that who was not yet due is told from who was lost.

    Returns
    -------
    DeidentificationReport
        What was found and done, and what it cannot promise.

    Raises
    ------
    CohortError
        The source or the decisions cannot be read, a column cannot be told, or the folders lie in each other.
    DeidentificationError
        What was named to be kept cannot be, a cohort would lack a column it must have, the result still holds what the
        check recognises, or the key is unsafe; nothing is written.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as place:
    ...     table = Path(place) / "clinic.csv"
    ...     days = "".join(f"MRN{i},2024-0{i}-01,2024-0{i}-1{i},555-010-000{i}\n" for i in range(1, 6))
    ...     _ = table.write_text(f"patient_id,surgery_date,seen_date,phone\n{days}")
    ...     report = deidentify(table, Path(place) / "out")
    ...     print((Path(place) / "out" / "clinic.csv").read_text().splitlines()[0])
    patient_id,seen_week
    """
    check_choice(level, get_args(Privacy), "level", error=CohortError)
    given, target = Path(source), Path(folder)
    for path in (given, target):
        refuse_impossible_name(path)
    _refuse_overlap(given, target)
    key = None if key_file is None else read_key(Path(key_file), given, target)
    said = decisions if decisions is None or isinstance(decisions, Review) else read_review(decisions)
    day = None if as_of is None else read_as_of(as_of, "--as-of")
    choices = Choices(level, patient, start, tuple(keep), date_format, said, day)
    with steps(f"De-identifying {given.absolute().name}") as step:
        if (given / DESCRIPTOR).exists():
            return _deidentify_cohort(given, target, choices, key, overwrite=overwrite)
        return _deidentify_files(given, target, choices, key, delimiter, step)


def review_columns(
    source: str | os.PathLike[str],
    *,
    level: Privacy = "safe-harbor",
    patient: str | None = None,
    start: str | None = None,
    date_format: str | None = None,
    delimiter: str = ",",
    decisions: str | os.PathLike[str] | Review | None = None,
) -> Review:
    r"""Say of each column of a source what it seems to be and what de-identification would do, for a person to decide.

    Parameters
    ----------
    source, level, patient, start, date_format, delimiter
        As for :func:`deidentify`.
    decisions : path or Review, optional
        Decisions made before, which are taken over for the same columns.

    Returns
    -------
    Review
        One block a column, without a cell of the source: to be written (``write``), decided on, and given to
        :func:`deidentify` as ``decisions``.

    Raises
    ------
    CohortError
        The source or the decisions cannot be read, or a column cannot be told.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as place:
    ...     table = Path(place) / "clinic.csv"
    ...     _ = table.write_text("patient_id,koos_pain,ward\n" + "".join(f"A{i},{50 + i % 3},3b\n" for i in range(5)))
    ...     review = review_columns(table)
    >>> [(one.column, one.proposed, one.withheld) for one in review.columns]
    [('koos_pain', 'keep', False), ('ward', 'codes', True)]
    """
    given = Path(source)
    refuse_impossible_name(given)
    before = decisions if decisions is None or isinstance(decisions, Review) else read_review(decisions)
    choices = Choices(level, patient, start, (), date_format)
    if (given / DESCRIPTOR).exists():
        tables = cohort_tables(given)[0]
        tables.pop("flow", None)  # no row is of a patient
        review = deidentify_tables(tables, choices, None, {name: name for name in tables}, cohort=True).review
    else:
        tables = read_tables(given, delimiter).tables
        review = deidentify_tables(tables, choices, None, table_names(tables)).review
    return review if before is None else review.with_decisions(before)


def cohort_tables(source: Path) -> tuple[dict[str, pd.DataFrame], dict[str, dict[str, Column]], dict[str, Any]]:
    """Read the tables of a cohort folder without a look at what is in them, their columns, and the descriptor."""
    descriptor = read_descriptor(source)
    raw: dict[str, pd.DataFrame] = {}
    columns: dict[str, dict[str, Column]] = {}
    for resource in resources_of(source, descriptor):
        name = str(resource["name"])
        if name in TABLES:
            raw[name] = with_current_names(table_of(source, resource))
            columns[name] = read_columns(resource)
    return raw, columns, descriptor


def _deidentify_cohort(
    source: Path, folder: Path, choices: Choices, key: bytes | None, *, overwrite: bool
) -> DeidentificationReport:
    raw, columns, descriptor = cohort_tables(source)
    flow = raw.pop("flow", None)
    of_flow = flow is not None and REASON in flow and REASON in choices.keep
    if of_flow and not any(REASON in frame for frame in raw.values()):
        choices = replace(choices, keep=tuple(name for name in choices.keep if name != REASON))
    measures, reference = harmless_measures(read_own_part(descriptor)[0], raw.get("visits")), read_reference(descriptor)
    done = deidentify_tables(raw, choices, key, {name: name for name in raw}, cohort=True)
    _refuse_lacking(done, raw)
    findings = FindingList()
    tables: dict[str, pd.DataFrame] = {}
    for name, frame in done.tables.items():
        extra = {one: _labels_used(column, frame[one]) for one, column in columns[name].items()
                 if one in frame and column.kind != "date" and one != "site"}  # fmt: skip
        tables[name] = convert_table(frame, TABLES[name], findings, extra)  # type: ignore[index]
    if flow is not None:
        had = list(tables["patients"]["protocol"].dropna().astype("str").unique())
        patients = {
            str(one) for frame in raw.values() for one in frame.get("patient_id", pd.Series(dtype="str")).dropna()
        }
        kept, rows = harmless_flow(flow, had, patients, permitted=of_flow)
        tables["flow"] = convert_table(kept, TABLES["flow"], findings)
        actions = pd.concat([done.actions, pd.DataFrame(rows, columns=done.actions.columns)], ignore_index=True)
        done = replace(done, actions=actions)
    report = _report(done, choices, folder, key)
    decided = tuple(f"{name}.{column}" for name, frame in tables.items() for column in frame.columns)
    checked = check_tables(tables, measures, choices.level, findings, reference=reference, decided=decided)
    raise_on_errors(checked, str(source), "Nothing was written. Mend the source, or remove what the message names.")
    new = Provenance(steps=report.steps, decided=decided)  # what was done before is told by others
    cohort = Cohort(measures=measures, provenance=new, privacy=choices.level, reference=reference, **tables)  # type: ignore[arg-type]
    programme = read_own_programme(descriptor)  # what it says of protocols that are not there any more stays behind
    programme = tuple(one for one in programme if set(one.protocols) <= set(cohort.protocols))
    until = read_as_of_day(descriptor) if choices.as_of is None else choices.as_of.isoformat()
    if until is not None and choices.level == "safe-harbor":
        until = until[:4]
    cohort = replace(cohort, programme=programme, counted_from=read_counted_from(descriptor), as_of=until)
    write_cohort(cohort, folder, overwrite=overwrite)
    return report


def _refuse_lacking(done: Deidentified, raw: dict[str, pd.DataFrame]) -> None:
    """Refuse a cohort that would lack a column which it must have, because nobody permitted its labels."""
    for name in raw:
        for column in TABLES[name].required_columns:  # type: ignore[index]
            if column in raw[name] and column not in done.tables[name]:
                raise DeidentificationError(
                    f"The labels of the column {column!r} are withheld, and a cohort must have it.",
                    where=f"table {name}, column {column}",
                    what_to_do=f"Look at them, and permit them where none names a person or a place: --keep {column}, or a "
                    "decision (--review).",
                )


def _labels_used(column: Column, values: pd.Series) -> Column:
    """Forget the labels of a column that no row has any more; the others stay in their order."""
    used = set(values.dropna().astype("str"))
    return replace(column, categories=tuple(label for label in column.categories if label in used))


def _deidentify_files(
    source: Path, folder: Path, choices: Choices, key: bytes | None, delimiter: str, step: Callable[[str], None]
) -> DeidentificationReport:
    given = read_tables(source, delimiter)
    done = deidentify_tables(given.tables, choices, key, table_names(given.tables))
    step("looking for identifiers left")
    left = FindingList()
    find_identifiers({name: frame.reset_index(drop=True) for name, frame in done.tables.items()}, left, choices.level,
                     quarters=choices.level == "limited", named=done.named)  # fmt: skip
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
    report = replace(_report(done, choices, folder, key), warnings=(*given.told, *done.warnings))
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
    return DeidentificationReport(
        done.actions, choices.level, folder, done.kept, how, done.n_patients, done.warnings, done.to_confirm
    )


def _refuse_overlap(source: Path, folder: Path) -> None:
    one, other = Path(os.path.realpath(source)), Path(os.path.realpath(folder))
    if one == other or one in other.parents or (source.is_dir() and other in one.parents) or other == one.parent:
        raise CohortError(
            "The folder to be written and the source lie in each other.",
            where=f"{source}, {folder}",
            what_to_do="Choose a folder apart from the source, so that nobody takes one for the other.",
        )

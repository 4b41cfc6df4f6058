"""De-identify tables: decide on every column, and carry it out in all tables with the same new identifiers."""

from __future__ import annotations

import datetime
from collections.abc import Collection, Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass, replace

import pandas as pd

from analysis.cohort.checks.links import links_of
from analysis.cohort.columns import as_identifiers
from analysis.cohort.deidentification.judge import CODE, Surroundings, judge, judge_known, what_it_seems
from analysis.cohort.deidentification.names import shown_column
from analysis.cohort.deidentification.permission import permission_by_name, permitted
from analysis.cohort.deidentification.report import REPORT_COLUMNS
from analysis.cohort.deidentification.review import Review
from analysis.cohort.deidentification.table_work import Judged, TableWork
from analysis.cohort.deidentification.transforms import as_dates, number_labels, opaque_identifiers, parse_dates
from analysis.cohort.follow_up.as_of import today
from analysis.cohort.recognition.cells import Cells
from analysis.cohort.recognition.known_columns import header_kind
from analysis.cohort.recognition.recognise_columns import recognise
from analysis.cohort.recognition.site_names import one_name_a_site
from analysis.cohort.recognition.spellings import Folded, fold_names
from analysis.cohort.tables import TABLES, Privacy
from analysis.errors import CohortError
from analysis.progress import in_portions, steps

PATIENT = "patient_id"


@dataclass(frozen=True)
class Choices:
    """What the user says about a source; see :func:`analysis.cohort.deidentification.deidentify`."""

    level: Privacy = "safe-harbor"
    patient: str | None = None
    start: str | None = None
    keep: Collection[str] = ()
    date_format: str | None = None
    decisions: Review | None = None
    as_of: datetime.date | None = None


@dataclass(frozen=True)
class Deidentified:
    """Tables without what was found, and what was done with every column.

    ``named`` are the columns of each table whose names need no look: known ones and those of a person's choice;
    ``to_confirm`` are sentences with the labels that a person permitted.
    """

    tables: dict[str, pd.DataFrame]
    actions: pd.DataFrame
    kept: tuple[str, ...]
    n_patients: int
    warnings: tuple[str, ...]
    review: Review
    named: dict[str, frozenset[str]]
    to_confirm: tuple[str, ...]


def deidentify_tables(
    tables: Mapping[str, pd.DataFrame],
    choices: Choices,
    key: bytes | None,
    names: Mapping[str, str],
    *,
    cohort: bool = False,
) -> Deidentified:
    """De-identify tables that share their patients; cells may be of any type, and the tables given stay as they were.

    ``names`` gives each table the name under which it is written. Tables of a ``cohort`` have the columns that it is known
    to have. Without a key the new identifiers are random. The new tables are sorted by them, so that the order says nothing.

    Raises
    ------
    CohortError
        The column of the patient or of the start cannot be told, or fewer than half of the patients of a table link.
    DeidentificationError
        A column that was named to be kept cannot be.
    """
    with steps("patients and start dates"):
        patients = {name: patient_column(frame, name, choices) for name, frame in tables.items()}
        folded = {name: fold_names(as_identifiers(frame[patients[name]])) for name, frame in tables.items()}
        ids = {name: one.names for name, one in folded.items()}
        new = opaque_identifiers((one for column in ids.values() for one in column.dropna().unique()), key)
        start = _start_column(tables, choices)
        warnings = (*_check_links(tables, ids, start), *_told_of_folding(folded.values()))
        starts = _starts(tables, ids, start, choices)
    works = []
    _refuse_unknown(tables, choices.keep)
    dates = {name: _dates_of(frame, choices) for name, frame in tables.items()}
    as_of = choices.as_of or _last_seen(dates, starts, start)
    for name, frame in tables.items():
        around = Surroundings(
            ids[name], None if starts is None else ids[name].map(starts).astype("datetime64[us]"),
            choices.level, start, choices.date_format, tuple(dates[name].values()), as_of,
        )  # fmt: skip
        columns = judge_table(name, frame, patients[name], around, choices, cohort=cohort)
        works.append(TableWork(name, names[name], frame, columns, around))
    numbered, told_of_sites = _numbered(works, key)
    warnings = (*warnings, *told_of_sites)
    rows: list[tuple[object, ...]] = []
    answer = {}
    for work in works:
        place = list(map(str, work.source.columns)).index(patients[work.name]) + 1
        shown = shown_column(patients[work.name], place, named=patients[work.name] in (choices.patient, PATIENT))
        rows.append((work.new_name, shown, CODE, "the identifier of the patient", "replaced by a new one, patient_id",
                     int(ids[work.name].notna().sum()), "identifier"))  # fmt: skip
        rows += work.run(numbered)
        out = work.frame
        out.insert(0, PATIENT, ids[work.name].map(new).astype("str"))
        answer[work.new_name] = out.sort_values(PATIENT, kind="stable").reset_index(drop=True)
    return Deidentified(
        answer,
        pd.DataFrame(rows, columns=pd.Index(REPORT_COLUMNS)),
        tuple(f"{work.new_name}.{column}" for work in works for column in work.untouched),
        len(new),
        warnings,
        Review(tuple(review for work in works for review in work.reviews())),
        {work.new_name: frozenset(work.known_names) for work in works},
        tuple(text for work in works for text in work.to_confirm),
    )


def _numbered(works: Collection[TableWork], key: bytes | None) -> tuple[dict[str, str], list[str]]:
    """Number the labels of all tables, spellings of one site alike; the second of the two is what is to be told."""
    labels = sorted({label for work in works for label in work.labels_to_number()})
    if not any(work.has_sites for work in works):
        return number_labels(labels, "label", key), []
    sites = one_name_a_site(pd.Series(labels, dtype="str"))
    new = number_labels(sites.names, "site", key)
    told = [f"{said[0].upper()}{said[1:]}." for said in (sites.joined, sites.collision) if said]
    return {label: new[name] for label, name in zip(labels, sites.names, strict=True)}, told


def _told_of_folding(folded: Iterable[Folded]) -> list[str]:
    n = sum(one.n_cells for one in folded)
    cells = f"{n:,} cell{'' if n == 1 else 's'} with a patient"
    said = f"Blanks and forms of characters (Unicode NFKC) were folded in {cells}; patients who differ by these only are one."
    return [said] if n else []


def _refuse_unknown(tables: Mapping[str, pd.DataFrame], keep: Collection[str]) -> None:
    there = {str(column) for frame in tables.values() for column in frame.columns}
    for name in keep:
        if name not in there:
            raise CohortError(
                f"There is no column {name!r} to keep.",
                where="--keep",
                what_to_do="Write the name as it stands in the source; capitals and blanks count.",
            )


def _dates_of(frame: pd.DataFrame, choices: Choices) -> dict[str, pd.Series]:
    """Give the columns of dates of a table by their names, row by row: a number may be a part of one of them."""
    found: dict[str, pd.Series] = {}
    for name, values in frame.items():
        cells = Cells(values)
        if what_it_seems(cells, len(values)) == "dates":
            with suppress(CohortError):
                dates = as_dates(values, str(name), choices.date_format)
                found |= {str(name): dates} if dates is not None else {}
    return found


def _last_seen(
    dates: Mapping[str, Mapping[str, pd.Series]], starts: pd.Series | None, start: str | None
) -> datetime.date | None:
    """Give the last day, not after today, in a column of dates but that of the start; None where all lie before a start."""
    until = pd.Timestamp(today())
    known = [one[one <= until].max() for every in dates.values() for name, one in every.items() if name != start]
    seen = max((day for day in known if not pd.isna(day)), default=None)
    return None if seen is None or starts is None or not seen >= starts.max() else seen.date()


def judge_table(
    name: str, frame: pd.DataFrame, patient: str, around: Surroundings, choices: Choices, *, cohort: bool
) -> list[Judged]:
    """Judge every column of a table but the one with the patient, and hold it against what a person decided."""
    answer = []
    columns = [str(column) for column in frame.columns]
    spec = TABLES.get(name) if cohort else None  # type: ignore[call-overload]
    for place, _ in in_portions(len(columns), 1, f"columns of {name}"):
        column = columns[place]
        if column == patient:
            continue
        values = frame[column]
        known = spec.column(column) if spec is not None else None
        judged = judge_known(values, known, around) if known is not None else judge(values, column, around)
        said = choices.decisions.of(name, column) if choices.decisions is not None else None
        if column in choices.keep:
            said = permission_by_name(judged, values, around)
        answer.append(Judged(place + 1, values, permitted(judged, said, values, around), said))
    return _without_stray_values(answer)


def _without_stray_values(columns: list[Judged]) -> list[Judged]:
    """Withhold values whose measures are told by no column that stays: they may be of anything."""
    kinds = {one.place: header_kind(one.final.column) for one in columns}
    stays = {kind.name for one in columns if (kind := kinds[one.place]) is not None and one.final.act != "withhold"}
    return [
        replace(one, final=replace(one.final, act="withhold", found="values, and no column that stays says of what"))
        if (kind := kinds[one.place]) is not None
        and kind.name == "value"
        and one.said is None
        and one.final.found != "a column of the cohort"
        and "measure" not in stays
        else one
        for one in columns
    ]


def patient_column(frame: pd.DataFrame, name: str, choices: Choices) -> str:
    """Give the name of the column with the patient: the one that was named, patient_id, or the only one that seems to be it.

    Raises
    ------
    CohortError
        It cannot be told.
    """
    there = [str(column) for column in frame.columns]
    for wanted in (choices.patient, PATIENT):
        if wanted in there:
            return str(wanted)
    if choices.patient is None:
        found = [column for column in there if recognise(frame[column], column).role == "patient"]
        if len(found) == 1:
            return found[0]
    raise CohortError(
        f"It cannot be told which column of {name} holds the patient.",
        where=f"columns: {', '.join(there)}",
        what_to_do="Name it: --patient COLUMN.",
    )


def _check_links(
    tables: Mapping[str, pd.DataFrame], ids: Mapping[str, pd.Series], start: str | None
) -> tuple[str, ...]:
    """Count patients who are not in the tables with the start, or, without one, in the table of most patients."""
    known = [name for name, frame in tables.items() if start in frame]
    if not known:
        known = [max(ids, key=lambda name: ids[name].nunique())]
    among = ", ".join(known)
    others = {name: column for name, column in ids.items() if name not in known}
    lost = "the others have no date of surgery or start, so their dates are lost. " if start is not None else ""
    warnings = []
    for link in links_of(others, pd.concat([ids[name] for name in known])):
        said = link.in_words(among, of=link.table)
        if link.too_few:
            raise CohortError(
                f"{said}: most patients would not link.",
                where=f"{link.table}, {among}",
                what_to_do="Write the patients the same way in both, or leave out the rows of others.",
            )
        if not link.whole:
            warnings.append(f"{said}; {lost}Check how the patients are written in both.")
    return tuple(warnings)


def _start_column(tables: Mapping[str, pd.DataFrame], choices: Choices) -> str | None:
    there = {str(column) for frame in tables.values() for column in frame.columns}
    if choices.start is not None:
        if choices.start not in there:
            raise CohortError(
                f"There is no column {choices.start!r}.",
                where=f"columns: {', '.join(sorted(there))}",
                what_to_do="Name the column with the date of surgery or start: --start COLUMN.",
            )
        return choices.start
    found = {
        str(column)
        for frame in tables.values()
        for column in frame.columns
        if recognise(frame[column], str(column)).role == "start"
    }
    surgery = {name for name in found if "surgery" in name.lower() or "operation" in name.lower()}
    for some in (surgery, found):
        if len(some) == 1:
            return next(iter(some))
    if found:
        raise CohortError(
            f"Several columns may hold the date from which weeks are counted: {', '.join(sorted(found))}.",
            where=f"columns: {', '.join(sorted(there))}",
            what_to_do="Name the one that is meant: --start COLUMN.",
        )
    return None


def _starts(
    tables: Mapping[str, pd.DataFrame], ids: Mapping[str, pd.Series], start: str | None, choices: Choices
) -> pd.Series | None:
    if start is None:
        return None
    parts = [
        pd.DataFrame({"patient": ids[name], "start": parse_dates(frame[start], start, choices.date_format)})
        for name, frame in tables.items()
        if start in frame
    ]
    known = pd.concat(parts, ignore_index=True).dropna()
    if known.empty:
        raise CohortError(
            "No date of the start can be read.",
            where=f"column {start}",
            what_to_do='Say how the dates are written, for example --date-format "%d/%m/%Y", or name another column: --start COLUMN.',
        )
    differ = known.groupby("patient")["start"].nunique().gt(1).sum()
    if differ:
        raise CohortError(
            f"The date of the start differs within {differ:,} patient{'' if differ == 1 else 's'}.",
            where=f"column {start}",
            what_to_do="Keep one date a patient, or name another column: --start COLUMN.",
        )
    return known.drop_duplicates("patient").set_index("patient")["start"]

"""De-identify tables: decide on every column, and carry it out in all tables with the same new identifiers."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass

import pandas as pd

from analysis.cohort.checks.links import links_of
from analysis.cohort.columns import as_identifiers
from analysis.cohort.deidentification.columns import Decision, as_numbers, decide
from analysis.cohort.deidentification.report import REPORT_COLUMNS
from analysis.cohort.deidentification.transforms import (
    ages_at,
    empty_cells,
    number_sites,
    opaque_identifiers,
    parse_dates,
    pool_ages,
    three_digits,
    week_name,
    weeks_between,
)
from analysis.cohort.recognition.recognise_columns import recognise
from analysis.cohort.tables import Privacy
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


@dataclass(frozen=True)
class Deidentified:
    """Tables without what was found, what was done, and the columns left as they were."""

    tables: dict[str, pd.DataFrame]
    actions: pd.DataFrame
    kept: tuple[str, ...]
    n_patients: int
    warnings: tuple[str, ...]


def deidentify_tables(tables: Mapping[str, pd.DataFrame], choices: Choices, key: bytes | None) -> Deidentified:
    """De-identify tables that share their patients; cells may be of any type, and the tables given stay as they were.

    Without a key the new identifiers are random. The new tables are sorted by them, so that the order says nothing.

    Raises
    ------
    CohortError
        The column of the patient or of the start cannot be told, or fewer than half of the patients of a table link.
    """
    with steps("patients and start dates"):
        patients = {name: _patient_column(frame, name, choices) for name, frame in tables.items()}
        ids = {name: as_identifiers(frame[patients[name]]) for name, frame in tables.items()}
        new = opaque_identifiers((one for column in ids.values() for one in column.dropna().unique()), key)
        start = _start_column(tables, choices)
        warnings = _check_links(tables, ids, start)
        starts = _starts(tables, ids, start, choices)
    rows: list[tuple[object, ...]] = []
    kept: list[str] = []
    answer = {}
    for name, frame in tables.items():
        work = _Table(name, frame.drop(columns=patients[name]), ids[name], starts, choices)
        work.run(start)
        rows.append((name, patients[name], "(R) any other unique identifying number or code", ("the identifier of the "
                     "patient"), "replaced by a new one, patient_id", int(ids[name].notna().sum())))  # fmt: skip
        rows += work.rows
        kept += [f"{name}.{column}" for column in work.untouched]
        out = work.frame
        out.insert(0, PATIENT, ids[name].map(new).astype("str"))
        answer[name] = out.sort_values(PATIENT, kind="stable").reset_index(drop=True)
    return Deidentified(answer, pd.DataFrame(rows, columns=pd.Index(REPORT_COLUMNS)), tuple(kept), len(new), warnings)


class _Table:
    """One table while it is worked on."""

    def __init__(
        self, name: str, frame: pd.DataFrame, ids: pd.Series, starts: pd.Series | None, choices: Choices
    ) -> None:
        self.name, self.frame, self.choices = name, frame.copy(), choices
        self.start = None if starts is None else ids.map(starts).astype("datetime64[us]")
        self.n_patients = int(ids.nunique())
        self.rows: list[tuple[object, ...]] = []
        self.untouched: list[str] = []

    def run(self, start: str | None) -> None:
        columns = [str(name) for name in self.frame.columns]
        for place, _ in in_portions(len(columns), 1, f"columns of {self.name}"):
            column = columns[place]
            decision = decide(
                self.frame[column], column, table=self.name, start=start, n_patients=self.n_patients,
                keep=self.choices.keep, level=self.choices.level,
            )  # fmt: skip
            if decision is None:
                self.untouched.append(column)
                continue
            n = int(self.frame[column].notna().sum())
            done, n_changed = getattr(self, f"_{decision.action}")(decision)
            self.rows.append(
                (self.name, column, decision.paragraph, decision.found, done, n if n_changed is None else n_changed)
            )

    def _drop(self, decision: Decision) -> tuple[str, int | None]:
        self.frame = self.frame.drop(columns=decision.column)
        return "removed", None

    def _kept(self, decision: Decision) -> tuple[str, int | None]:
        values, n = empty_cells(self.frame[decision.column]) if not decision.paragraph else (None, 0)
        if values is not None:
            self.frame[decision.column] = values
        return "kept because it was asked for" + (f"; {n:,} cells with identifiers emptied" if n else ""), n

    def _cells(self, decision: Decision) -> tuple[str, int | None]:
        self.frame[decision.column], n = empty_cells(self.frame[decision.column])
        return f"{n:,} cells emptied", n

    def _age(self, decision: Decision) -> tuple[str, int | None]:
        ages = as_numbers(self.frame[decision.column])
        pooled = pool_ages(pd.Series(dtype="float64") if ages is None else ages)
        self.frame[decision.column] = pooled.reindex(self.frame.index)
        return "90 and over written as 90", int((pooled >= 90).sum())

    def _place(self, decision: Decision) -> tuple[str, int | None]:
        digits = three_digits(self.frame[decision.column])
        if digits.notna().sum() < 0.5 * self.frame[decision.column].notna().sum():
            return self._drop(decision)
        target = "zip3" if "zip3" not in self.frame else f"{decision.column}_zip3"
        self.frame = self.frame.rename(columns={decision.column: target})
        self.frame[target] = digits
        return f"three digits kept as {target}; 000 where few people live", None

    def _site(self, decision: Decision) -> tuple[str, int | None]:
        self.frame[decision.column] = number_sites(self.frame[decision.column])
        return "numbered in random order", None

    def _start(self, decision: Decision) -> tuple[str, int | None]:
        self.frame = self.frame.drop(columns=decision.column)
        if self.choices.level == "limited" and self.start is not None and "quarter" not in self.frame:
            period = self.start.dt.year.astype("Int64").astype("str") + "-Q" + self.start.dt.quarter.astype("str")
            self.frame["quarter"] = period.str.replace(r"\.0$", "", regex=True).where(self.start.notna())
            return "removed; its quarter kept (limited level)", None
        return "removed; weeks are counted from it", None

    def _weeks(self, decision: Decision) -> tuple[str, int | None]:
        if self.start is None:
            done, n = self._drop(decision)
            return f"{done}: without a start there are no weeks", n
        dates = parse_dates(self.frame[decision.column], decision.column, self.choices.date_format)
        if not dates.notna().any():
            return self._drop(decision)
        weeks = weeks_between(self.start, dates)
        bare = self.name in ("visits", "sessions", "brace_limits", "events") and "week" not in self.frame
        target = "week" if bare else week_name(decision.column, self.frame.columns)
        lost = int((self.frame[decision.column].notna() & weeks.isna()).sum())
        self.frame = self.frame.rename(columns={decision.column: target})
        self.frame[target] = weeks
        return f"weeks since the start, as {target}" + (f"; {lost:,} could not be counted" if lost else ""), None

    def _birth(self, decision: Decision) -> tuple[str, int | None]:
        if self.start is None or any(name in self.frame for name in ("age", "age_years")):
            return self._drop(decision)
        birth = parse_dates(self.frame[decision.column], decision.column, self.choices.date_format)
        self.frame = self.frame.rename(columns={decision.column: "age_years"})
        self.frame["age_years"] = ages_at(self.start, birth)
        return "age at the start, as age_years; 90 and over written as 90", None


def _patient_column(frame: pd.DataFrame, name: str, choices: Choices) -> str:
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
    differ = known.groupby("patient")["start"].nunique().gt(1).sum()
    if differ:
        raise CohortError(
            f"The date of the start differs within {differ:,} patient{'' if differ == 1 else 's'}.",
            where=f"column {start}",
            what_to_do="Keep one date a patient, or name another column: --start COLUMN.",
        )
    return known.drop_duplicates("patient").set_index("patient")["start"]

"""One table while it is de-identified: what was judged of its columns is carried out."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from analysis.cohort.deidentification.disclosure import FEWEST_PATIENTS
from analysis.cohort.deidentification.judge import Judgement, Surroundings
from analysis.cohort.deidentification.names import new_column_name, shown_column
from analysis.cohort.deidentification.permission import DECIDED
from analysis.cohort.deidentification.report import WITHHELD
from analysis.cohort.deidentification.review import ColumnReview, column_review
from analysis.cohort.deidentification.transforms import (
    OLDEST,
    ages_at,
    as_dates,
    cap_ages,
    group_rare,
    only_codes,
    only_numbers,
    three_digits,
    week_name,
    weeks_between,
)
from analysis.cohort.follow_up.as_of import DUE_WEEK, week_due
from analysis.cohort.recognition.cells import Cells
from analysis.cohort.recognition.known_columns import age_unit, header_kind
from analysis.cohort.recognition.trade_words import is_known_name


@dataclass(frozen=True)
class Judged:
    """A column: its place from 1, its cells, what is done with it, and what a person decided."""

    place: int
    cells: pd.Series
    final: Judgement
    said: ColumnReview | None

    @property
    def named(self) -> bool:
        """Whether a person named the column."""
        return self.said is not None and self.said.decision not in (None, "withhold")


class TableWork:
    """One table while it is worked on."""

    def __init__(
        self, name: str, new_name: str, source: pd.DataFrame, columns: list[Judged], around: Surroundings
    ) -> None:
        self.name, self.new_name, self.source, self.columns, self.around = name, new_name, source, columns, around
        self.frame = pd.DataFrame(index=source.index)
        self.untouched: list[str] = []
        self.known_names: list[str] = []
        self.to_confirm: list[str] = []

    @property
    def has_sites(self) -> bool:
        """Whether a column of sites is numbered."""
        return any(one.final.act == "number" and one.final.found == "sites" for one in self.columns)

    def labels_to_number(self) -> Iterator[str]:
        """Give the labels that become numbers, the same in all tables."""
        for one in self.columns:
            if one.final.act == "number":
                yield from one.cells.dropna().astype("str").str.strip().unique()

    def reviews(self) -> Iterator[ColumnReview]:
        """Give the block of each column for the review, with what was decided."""
        for one in self.columns:
            yield column_review(self.name, one.cells, one.final)

    def run(self, numbered: Mapping[str, str]) -> list[tuple[object, ...]]:
        """Carry out what was judged; give a row of the report for each column that does not stay as it was."""
        rows: list[tuple[object, ...]] = []
        for one in self.columns:
            done, n = self._act(one, numbered)
            shown = shown_column(one.final.column, one.place, named=one.named)
            if done:
                n_cells = int(one.cells.notna().sum()) if n is None else n
                rows.append((self.new_name, shown, one.final.paragraph, one.final.found, done, n_cells, one.final.act))
        return rows

    def _act(self, one: Judged, numbered: Mapping[str, str]) -> tuple[str, int | None]:
        """Do what is to be done with a column; give it in words, empty where it stays as it was, and how many cells."""
        act, values = one.final.act, one.cells
        name = self._name(one)
        if act == "withhold":
            return self._left_out(one), None
        if act == "start":
            return self._start()
        if act == "weeks":
            return self._weeks(one)
        if act == "birth":
            return self._birth(one)
        if act == "zip3":
            name = self._free("zip3")
            self.frame[name] = three_digits(values)
            return f"three digits kept as {name}; 000 where few people live", None
        if act == "number":
            self.frame[name] = values.astype("str").str.strip().where(values.notna()).map(numbered).astype("str")
            return "numbered in random order", None
        if act == "cap":
            return self._cap(one, name)
        if act in ("codes", "group"):
            return self._codes(one, name)
        permitted = "permitted" in one.final.found
        kept, n = only_numbers(values) if permitted else (values, 0)
        self.frame[name] = kept
        self._keep(name)
        if permitted:
            self.to_confirm.append(f"{self.new_name}.{name}: numbers")
        if (kind := header_kind(one.final.column)) is not None and kind.name == "protocol":
            self.to_confirm.append(f"{self.new_name}.{name}: {', '.join(dict.fromkeys(kept.dropna().astype('str')))}")
        return f"kept; {_cells(n)} that {_are(n)} no number emptied" if n else "", n

    def _left_out(self, one: Judged) -> str:
        if one.final.seems == "nothing" or (one.said is not None and one.final.found.endswith(DECIDED)):
            return "left out"
        return "removed" if one.final.recognised else WITHHELD

    def _keep(self, name: str) -> None:
        self.untouched.append(name)
        self.known_names.append(name)

    def _name(self, one: Judged) -> str:
        column = one.final.column
        given = one.said.name if one.said is not None else ""
        in_cohort = one.final.found == "a column of the cohort" or column in ("site", "quarter", DUE_WEEK)
        return self._free(given or new_column_name(column, one.place, named=one.named or in_cohort))

    def _free(self, name: str) -> str:
        """Give a name that no column has yet."""
        return (
            name
            if name not in self.frame
            else next(f"{name}_{i}" for i in range(2, 10_000) if f"{name}_{i}" not in self.frame)
        )

    def _codes(self, one: Judged, name: str) -> tuple[str, int | None]:
        codes = one.said.codes if one.said is not None else ()
        kept, n = only_codes(one.cells, codes)
        grouped = 0
        if one.final.act == "group":
            kept, grouped = group_rare(kept, self.around.patients, FEWEST_PATIENTS)
        self.frame[name] = kept
        self._keep(name)
        there = [code for code in codes if kept.astype("str").str.strip().eq(code).any()]
        self.to_confirm.append(f"{self.new_name}.{name}: {', '.join(there)}")
        emptied = f"; {_cells(n)} that {_are(n)} none of them emptied" if n else ""
        rare = f'; {_cells(grouped)} of fewer than {FEWEST_PATIENTS} patients written as "other"' if grouped else ""
        kept_labels = f"{len(there):,} label{'' if len(there) == 1 else 's'} kept"
        return f"{kept_labels}{emptied}{rare}", n + grouped

    def _cap(self, one: Judged, name: str) -> tuple[str, int | None]:
        values, n_emptied = only_numbers(one.cells) if one.said is not None else (one.cells, 0)
        self.frame[name], n = cap_ages(values, age_unit(one.final.column, Cells(values)) or 1.0)
        self._keep(name)
        emptied = f"; {_cells(n_emptied)} that {_are(n_emptied)} no number emptied" if n_emptied else ""
        return f"written as whole years, {OLDEST:.0f} and over as {OLDEST:.0f}{emptied}", n + n_emptied

    def _start(self) -> tuple[str, int | None]:
        start = self.around.starts
        if self.around.level != "limited" or start is None:
            return "removed; weeks are counted from it", None
        done = []
        if not any(one.final.column == "quarter" and one.final.act == "keep" for one in self.columns):
            period = start.dt.year.astype("Int64").astype("str") + "-Q" + start.dt.quarter.astype("str")
            self.frame["quarter"] = period.str.replace(r"\.0$", "", regex=True).where(start.notna())
            done.append("its quarter kept (limited level)")
        if self.around.as_of is not None:
            followed = (pd.Timestamp(self.around.as_of) - start).dt.days / 7
            self.frame[DUE_WEEK] = np.floor(np.maximum(week_due(followed), -1.0))
            done.append(f"what was due on {self.around.as_of} kept as {DUE_WEEK}")
        return f"removed; {'; '.join(done) or 'weeks are counted from it'}", None

    def _weeks(self, one: Judged) -> tuple[str, int | None]:
        column, starts = one.final.column, self.around.starts
        dates = as_dates(one.cells, column, self.around.date_format)
        if dates is None or starts is None:
            return "removed: without a start there are no weeks", None
        weeks = weeks_between(starts, dates)
        bare = self.name in ("visits", "sessions", "brace_limits", "events") and "week" not in self.source
        target = "week" if bare else week_name(column, self.frame.columns)
        if not (bare or one.named or is_known_name(target) or shown_column(column, one.place) == column):
            target = week_name(f"column_{one.place}", self.frame.columns)
        if bare:
            target = self._free(target)
        lost = int((one.cells.notna() & weeks.isna()).sum())
        self.frame[target] = weeks
        self.known_names.append(target)
        return f"weeks since the start, as {target}" + (f"; {lost:,} could not be counted" if lost else ""), None

    def _birth(self, one: Judged) -> tuple[str, int | None]:
        ages = [str(column) for column in self.source.columns if (kind := header_kind(str(column))) and kind.age]
        dates = as_dates(one.cells, one.final.column, self.around.date_format)
        if self.around.starts is None or dates is None or ages:
            return "removed", None
        self.frame["age_years"] = ages_at(self.around.starts, dates)
        return "age at the start, as age_years; 90 and over written as 90", None


def _cells(n: int) -> str:
    return f"{n:,} cell{'' if n == 1 else 's'}"


def _are(n: int) -> str:
    return "is" if n == 1 else "are"

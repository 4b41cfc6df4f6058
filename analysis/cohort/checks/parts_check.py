"""Check of a cohort whose tables come in parts, one in memory at a time: what is found is as of the whole."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence

import numpy as np
import pandas as pd

from analysis.cohort.checks.flow_checks import check_flow
from analysis.cohort.checks.home_checks import HomeCheck
from analysis.cohort.checks.name_checks import check_names
from analysis.cohort.checks.permission_checks import check_permitted
from analysis.cohort.checks.table_checks import PatientsCheck, WeeksCheck, check_cells, check_columns, check_keys
from analysis.cohort.checks.visit_checks import VisitsCheck
from analysis.cohort.findings import CheckReport, FindingList
from analysis.cohort.measures import Measures
from analysis.cohort.no_labels import check_no_labels
from analysis.cohort.programme import UsualSession
from analysis.cohort.recognition.find_identifiers import TextsSoFar, find_identifiers
from analysis.cohort.reference import check_reference
from analysis.cohort.tables import TABLES, Privacy
from analysis.cohort.text_columns import join_columns, label_texts
from analysis.progress import steps

#: Tables that are looked at as a whole: one row a patient, or a few counts.
_WHOLE = ("patients", "flow")
#: Columns of any labels, which are looked at as a whole too.
_KEPT = ("event",)
#: Findings are told in this order.
_STAGES = ("columns", "keys", "cells", "weeks", "labels", "patients", "reference", "visits", "home", "flow", "texts")


class PartsCheck:
    """Check of tables that may be no valid cohort, given in one or several parts.

    All rows of a patient stand in one part, or that is a finding. The tables are in their types, with any columns; their index
    holds the row of the whole table, from 0, and may repeat. Kept in memory are the table patients, the identifiers of patients
    who are not in it, columns that are not known, and sums.

    ``findings`` were made while the tables were read. ``privacy`` is the level of de-identification that is claimed; of
    patients who are invented (``synthetic``) quarters tell nothing about anybody. ``decided`` are columns that a person named,
    as table.column; ``programme`` as in :class:`analysis.cohort.checks.home_checks.HomeCheck`. ``some`` says that the tables are
    of some patients of a cohort only: none of them may have a visit.
    """

    def __init__(
        self,
        measures: Measures,
        privacy: Privacy,
        findings: FindingList,
        *,
        synthetic: bool = False,
        reference: str | None = None,
        decided: Collection[str] = (),
        programme: Sequence[UsualSession] | None = (),
        some: bool = False,
    ) -> None:
        self._some = some
        self._privacy, self._findings, self._synthetic = privacy, findings, synthetic
        self._reference, self._decided = reference, decided
        self._found = {name: FindingList() for name in _STAGES}
        self._visits, self._home = VisitsCheck(measures), HomeCheck(programme)
        self._weeks, self._patients = WeeksCheck(), PatientsCheck()
        self._texts: dict[tuple[str, str], TextsSoFar] = {}
        self._columns: dict[str, list[str]] = {}
        self._counts: dict[str, int] = {}
        self._kept: dict[str, list[pd.DataFrame]] = {}
        self._part_of: list[np.ndarray] = []
        self._number = 0

    def add(self, tables: Mapping[str, pd.DataFrame], part: Mapping[str, np.ndarray] | None = None) -> None:
        """Look at a part, or at several: ``part`` then says of each row of the tables which one it is of, in their order."""
        rows = {name: frame.index.to_numpy() for name, frame in tables.items()}
        plain = {name: frame.reset_index(drop=True) for name, frame in tables.items()}
        plain |= {name: _with_numbered_patients(frame) for name, frame in plain.items() if name != "patients"}
        for name, frame in tables.items():
            self._columns.setdefault(name, [str(column) for column in frame.columns])
            self._counts[name] = self._counts.get(name, 0) + len(frame)
            if name in _WHOLE:
                self._kept.setdefault(name, []).append(frame)
            elif kept := [one for one in self._columns[name] if one in _KEPT or _is_further(name, one)]:
                some = frame[[one for one in self._columns[name] if one == "patient_id" or one in kept]]
                self._kept.setdefault(name, []).append(some)
        self._number += 1
        if "patients" in tables:
            one = np.full(len(tables["patients"]), self._number)
            self._part_of.append(one if part is None else part["patients"])
        large = {name: frame for name, frame in plain.items() if name not in _WHOLE}
        with steps("checking") as step:
            step("columns and keys")
            found = FindingList()
            check_keys(large, found, rows)
            self._found["keys"].extend(found, rows)
            step("cells")
            found = FindingList()
            check_cells(large, found, self._privacy)
            self._found["cells"].extend(found, rows)
            self._weeks.add(large, rows)
            step("patients")
            self._patients.add(plain, rows, part)
            step("visits and home programme")
            found = FindingList()
            if "visits" in plain:
                self._visits.add(plain["visits"], found, rows["visits"])
            self._found["visits"].extend(found, rows)
            found = FindingList()
            self._home.add(plain, found)
            self._found["home"].extend(found, rows)
            step("identifiers")
            found = FindingList()
            for name, frame in large.items():
                for column in TABLES[name].columns:  # type: ignore[index]
                    if column.kind == "category" and column.name in frame and column.name not in _KEPT:
                        texts = TextsSoFar(name, column.name, limited=self._privacy == "limited")
                        self._texts.setdefault((name, column.name), texts).add(frame, found)
            self._found["texts"].extend(found, rows)

    def report(self) -> CheckReport:
        """Give every finding, those of reading first."""
        self._findings.counts = dict(self._counts)
        kept = {name: _below_each_other(frames) for name, frames in self._kept.items()}
        for name, strangers in self._patients.strangers().items():
            kept.setdefault(name, pd.DataFrame({"patient_id": strangers}))
        kept = {name: kept[name] for name in self._columns if name in kept}
        rows = {name: frame.index.to_numpy() for name, frame in kept.items()}
        plain = {name: frame.reset_index(drop=True) for name, frame in kept.items()}
        whole = {name: frame for name, frame in plain.items() if name in _WHOLE}
        found = {name: FindingList() for name in (*_STAGES, "identifiers", "names")}
        with steps("checking") as step:
            step("columns and keys")
            unreadable = self._findings.tables_with_errors()
            empty = [name for name, n in self._counts.items() if not n and (name == "patients" or not self._some)]
            check_columns(self._columns, empty, found["columns"], unreadable=unreadable)
            check_keys(whole, found["keys"], rows)
            step("cells")
            check_cells(whole, found["cells"], self._privacy)
            step("patients")
            check_no_labels(whole, TABLES["patients"].columns, found["labels"])
            check_reference(whole, found["reference"], self._reference)
            check_flow(whole, found["flow"])
            step("identifiers")
            quarters = self._synthetic or self._privacy == "limited"
            masked = find_identifiers(plain, found["identifiers"], self._privacy, quarters=quarters)
            if not self._synthetic:
                check_permitted(plain, found["identifiers"], self._decided)
            for texts in self._texts.values():
                texts.finish(found["texts"])
            step("names")
            check_names(plain, found["names"], rows, masked)
            for name, some in self._found.items():
                some.extend(found[name], rows)
            self._weeks.finish(self._found["weeks"])
            self._patients.finish(kept.get("patients"), self._part_of, self._found["patients"])
            self._visits.finish(self._found["visits"])
            self._home.finish(self._found["home"])
            for some in self._found.values():
                self._findings.extend(some, {})
            for name in ("identifiers", "names"):
                self._findings.extend(found[name], rows)
            return self._findings.report(masked)


def _below_each_other(frames: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """Put the parts of a table below each other, each with its rows of the whole; identifiers become text."""
    columns = {}
    for name in frames[0].columns:
        parts = [frame[name] for frame in frames]
        columns[name] = join_columns([label_texts(part) for part in parts] if name == "patient_id" else parts)
    whole = pd.DataFrame(columns, columns=frames[0].columns)
    whole.index = pd.Index(np.concatenate([frame.index.to_numpy() for frame in frames]))
    return whole


def _is_further(table: str, column: str) -> bool:
    return TABLES[table].column(column) is None  # type: ignore[index]


def _with_numbered_patients(frame: pd.DataFrame) -> pd.DataFrame:
    """Hold each patient's identifier once, as a category: with millions of rows the checks are far quicker."""
    if "patient_id" not in frame or isinstance(frame["patient_id"].dtype, pd.CategoricalDtype):
        return frame
    codes, names = pd.factorize(frame["patient_id"])
    return frame.assign(patient_id=pd.Categorical.from_codes(codes, categories=names))

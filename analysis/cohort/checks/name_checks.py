"""Check of names: protocols, sites and patients of nearly one spelling, which a reader takes for one another."""

from __future__ import annotations

import unicodedata
from collections.abc import Mapping

import numpy as np
import pandas as pd

from analysis.cohort.findings import FindingList, in_file
from analysis.cohort.recognition.site_names import RENAME_SITES, one_name_a_site
from analysis.cohort.recognition.spellings import same_to_the_eye, surely_distinct
from analysis.cohort.text_columns import is_among
from analysis.foreign_text import shape

_SPELLINGS = "Where these are several sites, give them names that differ by more than capitals and blanks."


def check_names(
    tables: Mapping[str, pd.DataFrame],
    findings: FindingList,
    source_rows: Mapping[str, np.ndarray],
    masked_patients: frozenset[str] = frozenset(),
) -> None:
    """Find protocols, sites and identifiers of patients that differ by blanks, capitals or look-alike letters only.

    Spellings of one site that differ by capitals and blanks count as one, and are named; sites that no name of a file could tell
    apart are an error. A finding stands at the first row of the later name and says which row has the earlier; ``source_rows``
    names the rows of each table. ``masked_patients`` are identifiers that look like one of a person.
    """
    patients = tables.get("patients", pd.DataFrame())
    if "protocol" in patients:
        _check_labels(patients["protocol"], "protocol", findings, source_rows["patients"])
    if "site" in patients:
        sites = one_name_a_site(patients["site"])
        if sites.joined:
            findings.add("warning", "patients", sites.joined, _SPELLINGS, column="site")
        if sites.collision:
            findings.add("error", "patients", sites.collision, RENAME_SITES, column="site")
        _check_labels(sites.names, "site", findings, source_rows["patients"])
    _check_patients(tables, findings, masked_patients)


def _check_labels(names_of_rows: pd.Series, column: str, findings: FindingList, source_rows: np.ndarray) -> None:
    values = names_of_rows.dropna().astype("str").drop_duplicates()
    names = values.tolist()
    for earlier, later, how in same_to_the_eye(names):
        there = in_file(source_rows[values.index[earlier]])
        scripts = _letters(names[earlier], names[later])
        findings.add(
            "warning", "patients", f"differs from that of {there} by {how} only{scripts}",
            f"If it is the same {column}, write it the same way; until then they count as two.",
            column=column, rows=values.index[[later]], values=[names[later]],
        )  # fmt: skip


def _check_patients(tables: Mapping[str, pd.DataFrame], findings: FindingList, masked_patients: frozenset[str]) -> None:
    known = pd.Series(dtype="str")
    where: list[tuple[str, pd.Index]] = []
    for name, frame in tables.items():
        if "patient_id" not in frame:
            continue
        ids = frame["patient_id"].drop_duplicates().dropna().astype("str")
        new = ids[~is_among(ids, known)] if len(known) else ids
        where.append((name, new.index))
        known = pd.concat([known, new])
    if surely_distinct(known):
        return
    names = known.to_numpy(dtype=object).tolist()
    ends = np.cumsum([len(rows) for _, rows in where])
    told: dict[tuple[str, str], list[tuple[int, str, str]]] = {}
    for earlier, later, how in same_to_the_eye(names):
        which = int(np.searchsorted(ends, later, side="right"))
        table, rows_of_table = where[which]
        row = rows_of_table[later - int(ends[which])]
        told.setdefault((table, how), []).append((row, names[later], names[earlier]))
    for (table, how), rows in told.items():
        findings.add(
            "warning", table, f"the identifiers of two patients differ by {how} only",
            "If it is the same patient, write the identifier the same way; until then they count as two.",
            column="patient_id", rows=[row for row, _, _ in rows], patients=_shown([one for _, one, _ in rows], masked_patients),
            values=_shown([other for _, _, other in rows], masked_patients),
        )  # fmt: skip


def _shown(names: list[str], masked_patients: frozenset[str]) -> list[str]:
    return [shape(name) if name in masked_patients else name for name in names]


def _letters(one: str, other: str) -> str:
    """Name the first letter, not of ASCII, that only one of two names has: on a screen both look the same."""
    strange = [letter for letter in other + one if not letter.isascii() and (letter in one) != (letter in other)]
    return f" ({unicodedata.name(strange[0], 'a character without a name')})" if strange else ""

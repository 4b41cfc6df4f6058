"""A registry that does not fit into memory: one part after the other is counted, and a sample of patients is drawn for what needs rows."""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from functools import reduce
from operator import add

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.cohort.files.data_package import cohort_parts
from analysis.cohort.tables import Cohort
from analysis.cohort.text_columns import join_columns
from analysis.curves.rows.moments import VisitMoments
from analysis.errors import CohortError
from analysis.pooled.agreed import SITE, PoolingPlan
from analysis.pooled.counting import cohort_sums
from analysis.pooled.sums import CohortSums
from analysis.pooled.visits_of_curves import curve_moments, curve_visits
from analysis.progress import steps

#: Patients drawn where no number is named (design choice: enough to plan by, and to draw figures of patients).
SAMPLE = 2_000
#: With more kinds of rows than this, as where visits follow no schedule, no patient is looked for who has one (design choice).
_MOST_KINDS = 3_000
#: A column with more labels than this is not described (as in the table of a cohort).
_MOST_LABELS = 12


@dataclass(frozen=True, eq=False)
class Survey:
    """What a registry holds, from one reading of all its parts.

    Attributes
    ----------
    sample : Cohort
        Patients drawn at random from all parts, with all their rows.
    like : Cohort
        Those, and for each protocol, week of a measure and week of home sessions one patient who has it: what a plan is made from.
    n_patients, n_parts : int
        Patients, and parts.
    seed : int
        Of the draw.
    sites : tuple of str
        Sites on record.
    names : mapping of str to tuple of str
        Names that occur anywhere: events, reasons, modalities, and the labels of columns of the patients.
    """

    sample: Cohort
    like: Cohort
    n_patients: int
    n_parts: int
    seed: int
    sites: tuple[str, ...]
    names: Mapping[str, tuple[str, ...]]


def survey_registry(folder: str | os.PathLike[str], *, patients: int = SAMPLE, seed: int = 1) -> Survey:
    """Read all parts of a cohort folder once: which names occur, and a sample of its patients.

    Parameters
    ----------
    folder : path
        Cohort folder in parts (``write_cohort(partition=...)``); one without parts is one part.
    patients : int
        Patients of the sample at most; who is drawn depends on identifier and seed only, not on the parts.
    seed : int
        Of the draw.

    Returns
    -------
    Survey

    Raises
    ------
    CohortError
        As of :func:`analysis.cohort.cohort_parts`, or fewer than one patient is asked for.
    """
    if isinstance(patients, bool) or not patients >= 1:
        raise CohortError(
            f"A sample of {patients!r} patients cannot be drawn.", where="sample", what_to_do="Ask for one or more."
        )
    drawn: list[tuple[NDArray[np.uint64], Cohort]] = []
    names: dict[str, dict[str, None]] = {"events": {}, "reasons": {}, "modalities": {}}
    sites: dict[str, None] = {}
    rare: list[Cohort] = []
    known: set[tuple[object, ...]] = set()
    limit, n, parts = np.uint64(np.iinfo(np.uint64).max), 0, 0
    for part in _told(folder, "Surveying"):
        parts, n = parts + 1, n + len(part.patients)
        _note_names(part, names, sites)
        if len(known) < _MOST_KINDS and (first := _first_with(part, known)).any():
            rare.append(_some(part, first))
        place = _places(part, seed)
        few = place <= limit
        drawn.append((place[few], _some(part, few)))
        all_places = np.concatenate([own for own, _ in drawn])
        if len(all_places) > patients:
            limit = np.partition(all_places, patients - 1)[patients - 1]
            drawn = [(own[own <= limit], _some(one, own <= limit)) for own, one in drawn]
    labels = {name: tuple(found) for name, found in names.items() if len(found) <= _MOST_LABELS or name in _OF_EVENTS}
    sample = _below_each_other([one for _, one in drawn])
    inside = set(sample.patients["patient_id"])
    others = [_some(one, ~one.patients["patient_id"].isin(inside).to_numpy(dtype=bool)) for one in rare]
    return Survey(sample, _below_each_other([sample, *others]), n, parts, seed, tuple(sorted(sites)), labels)


_OF_EVENTS = ("events", "reasons", "modalities")


def registry_sums(
    folder: str | os.PathLike[str], plan: PoolingPlan
) -> tuple[CohortSums, VisitMoments | None, pd.DataFrame]:
    """Count all parts of a cohort folder by a plan, one in memory at a time.

    Returns
    -------
    tuple of CohortSums, VisitMoments or None, and pandas.DataFrame
        The sums; the moments of the visits; and what each part has: site (its number), patients, in_curves, left_out, sha256 (empty).

    Raises
    ------
    CohortError, ModelError
        A part cannot be read, or holds what the plan does not name.
    """
    sums: list[CohortSums] = []
    moments: list[VisitMoments] = []
    rows = []
    for number, part in enumerate(_told(folder, "Counting"), start=1):
        found, left_out = curve_moments(curve_visits(part, plan), plan)
        sums = [reduce(add, [*sums, cohort_sums(part, plan)])]
        if found is not None:
            moments = [reduce(add, [*moments, replace(found, who=None)])]
        in_curves = 0 if found is None else found.n_patients
        rows.append((f"part {number}", len(part.patients), in_curves, left_out, ""))
    table = pd.DataFrame(rows, columns=["site", "patients", "in_curves", "left_out", "sha256"])
    return sums[0], moments[0] if moments else None, table


def _first_with(part: Cohort, known: set[tuple[object, ...]]) -> NDArray[np.bool_]:
    """Mark the first patient of each protocol, week of a measure and week of home sessions that is not known yet, and note them."""
    keys = {"patients": ["protocol"], "visits": ["measure", "week"], "sessions": ["modality", "week"]}
    chosen = set[object]()
    for name, table in part.tables():
        if name not in keys:
            continue
        for row in (
            table.drop_duplicates(keys[name])[["patient_id", *keys[name]]].astype(object).itertuples(index=False)
        ):
            if (key := (name, *row[1:])) not in known:
                known.add(key)
                chosen.add(row[0])
    return part.patients["patient_id"].isin(chosen).to_numpy(dtype=bool)


def _told(folder: str | os.PathLike[str], what: str) -> Iterator[Cohort]:
    """Give the parts, and say on a terminal which is read."""
    with steps(what) as step:
        for number, part in enumerate(cohort_parts(folder), start=1):
            step(f"part {number}")
            yield part


def _places(part: Cohort, seed: int) -> NDArray[np.uint64]:
    """Give each patient a place in an order at random, the same wherever the patient stands."""
    ids = part.patients["patient_id"].astype("str").to_numpy(dtype=object)
    return np.asarray(pd.util.hash_array(ids, hash_key=f"{seed % 10**16:016d}"), dtype=np.uint64)


def _some(cohort: Cohort, kept: NDArray[np.bool_]) -> Cohort:
    people = cohort.patients[kept].reset_index(drop=True)
    inside = set(people["patient_id"])
    tables = {
        name: frame[frame["patient_id"].isin(inside)].reset_index(drop=True)
        for name, frame in cohort.tables()
        if name != "patients" and "patient_id" in frame
    }
    return replace(cohort, patients=people, **tables)  # type: ignore[arg-type]


def _below_each_other(cohorts: list[Cohort]) -> Cohort:
    first = cohorts[0]
    tables = {
        name: pd.DataFrame(
            {column: join_columns([dict(one.tables())[name][column] for one in cohorts]) for column in frame}
        )
        for name, frame in first.tables()
        if all(name in dict(one.tables()) for one in cohorts)
    }
    return replace(first, **tables)  # type: ignore[arg-type]


def _note_names(part: Cohort, names: dict[str, dict[str, None]], sites: dict[str, None]) -> None:
    if part.events is not None:
        found = dict.fromkeys(part.events["event"].dropna().astype("str").unique())
        names["events"] |= found
        names["reasons"] |= found
    if part.sessions is not None:
        names["modalities"] |= dict.fromkeys(part.sessions["modality"].dropna().astype("str").unique())
    for name in part.patients.columns:
        column = part.patients[name]
        if name in ("patient_id", "protocol") or pd.api.types.is_numeric_dtype(column) or column.isna().all():
            continue
        found = dict.fromkeys(column.dropna().astype("str").unique())
        if str(name) == SITE:
            sites |= found
        elif len(names.setdefault(str(name), {})) <= _MOST_LABELS:
            names[str(name)] |= found

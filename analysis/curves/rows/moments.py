"""Sufficient statistics by visit pattern: all that a mixed model needs to know of the rows."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from analysis.cohort.files.paths import refuse_impossible_name
from analysis.errors import ModelError
from analysis.result import Result

Scope = Literal["week", "patient", "visit"]


@dataclass(frozen=True)
class Covariate:
    """What a model has to know of one column of the data.

    Parameters
    ----------
    name : str
        The column.
    scope : "week", "patient" or "visit"
        What it varies with.
    levels : tuple of str, or None
        The categories, reference first; None for a number.
    mean : float
        Over patients (over visits where it varies by visit); NaN for categories.
    by_week : tuple of float or str, or None
        Its value at each distinct week, where it varies with the week only.
    """

    name: str
    scope: Scope
    levels: tuple[str, ...] | None = None
    mean: float = float("nan")
    by_week: tuple[float | str, ...] | None = None


@dataclass(frozen=True, eq=False, repr=False)
class VisitMoments(Result):
    """Counts and cross-products by visit pattern.

    A patient's vector is u = [patient columns; each visit column at each slot; outcome at each slot], with zero
    where there was no visit. Patients seen at the same slots form a pattern; a pattern keeps their number and the sum of
    u u'. One set of moments fits every week basis and covariance structure, and every interaction of
    the week with its columns. Moments add: ``whole = first_half + second_half`` (a patient belongs to one half).

    Parameters
    ----------
    outcome, week, patient : str
        Columns of the data.
    covariates : tuple of Covariate
        The columns that a formula may name.
    patient_labels, visit_labels : tuple of str
        What the columns of u are; the first patient column is the constant 1.
    patient_shifts : ndarray, shape (patient columns,)
        Subtracted from each patient column, so that large values with a small spread keep their digits.
    outcome_shift : float
        Subtracted from the outcome.
    weeks : ndarray, shape (1 or patterns, slots)
        The week of each slot; one row where all patterns share a schedule.
    seen : ndarray of bool, shape (patterns, slots)
        The slots of each pattern.
    counts : ndarray, shape (patterns,)
        Patients.
    products : ndarray, shape (patterns, q, q)
        Sum of u u'.
    distinct_weeks : ndarray
        The weeks that occur, increasing.
    scheduled : bool
        Whether slot k is week k of ``distinct_weeks`` for every pattern.
    duplicates, dropped : int
        Rows that repeat a patient's week; rows left out for a missing value.
    """

    outcome: str
    week: str
    patient: str
    covariates: tuple[Covariate, ...]
    patient_labels: tuple[str, ...]
    visit_labels: tuple[str, ...]
    patient_shifts: NDArray[np.float64]
    outcome_shift: float
    weeks: NDArray[np.float64]
    seen: NDArray[np.bool_]
    counts: NDArray[np.float64]
    products: NDArray[np.float64]
    distinct_weeks: NDArray[np.float64]
    scheduled: bool
    duplicates: int
    dropped: int

    @property
    def n_patients(self) -> int:
        """The number of patients."""
        return int(self.counts.sum())

    @property
    def n_visits(self) -> int:
        """The number of visits with an outcome."""
        return int((self.counts * self.seen.sum(axis=1)).sum())

    @property
    def slots(self) -> int:
        """The length of a pattern."""
        return int(self.seen.shape[1])

    def _headline(self) -> str:
        return (
            f"VisitMoments of {self.outcome}: {self.n_patients} patients, {self.n_visits} visits, "
            f"{self.counts.size} patterns over {self.slots} slots"
        )

    def __add__(self, other: VisitMoments) -> VisitMoments:
        """Pool two sets of moments of different patients (the moments cannot tell whether they are).

        Categories may differ: those of the first come first.

        Raises
        ------
        ModelError
            Where outcome, week or a column that is not a category differ.
        """
        return _add(self, other)

    def save(self, path: str | Path) -> Path:
        """Write the moments to a file that ``read_moments`` reads (NumPy's npz, without pickled objects).

        Parameters
        ----------
        path : str or Path
            The file; ``.npz`` is added where the name does not end so.

        Returns
        -------
        Path
            The file written.
        """
        target = Path(path)
        if target.suffix != ".npz":
            target = target.with_name(target.name + ".npz")
        refuse_impossible_name(target, error=ModelError)
        words = {name: getattr(self, name) for name in _WORDS}
        words["covariates"] = [asdict(covariate) for covariate in self.covariates]
        beside = target.with_name(f".{target.name}.part")
        with beside.open("wb") as file:
            np.savez(file, words=np.array(json.dumps(words)), **{name: getattr(self, name) for name in _ARRAYS})
        return beside.replace(target)


_WORDS = (
    "outcome", "week", "patient", "patient_labels", "visit_labels", "outcome_shift", "scheduled", "duplicates", "dropped",
)  # fmt: skip
_ARRAYS = ("patient_shifts", "weeks", "seen", "counts", "products", "distinct_weeks")


def read_moments(path: str | Path) -> VisitMoments:
    """Read moments that ``VisitMoments.save`` wrote.

    Parameters
    ----------
    path : str or Path
        The file.

    Returns
    -------
    VisitMoments

    Raises
    ------
    ModelError
        Where the file does not hold moments.
    """
    refuse_impossible_name(Path(path), error=ModelError)
    try:
        with np.load(path, allow_pickle=False) as stored:
            words = json.loads(str(stored["words"]))
            arrays = {name: stored[name] for name in _ARRAYS}
    except (OSError, KeyError, ValueError) as error:
        raise ModelError(
            "The file does not hold visit moments.",
            where=str(path),
            what_to_do="Give a file that VisitMoments.save wrote.",
        ) from error
    covariates = tuple(Covariate(**_with_tuples(entry)) for entry in words.pop("covariates"))
    return VisitMoments(covariates=covariates, **_with_tuples(words), **arrays)


def _with_tuples(stored: dict[str, Any]) -> dict[str, Any]:
    """Make the lists of JSON tuples again."""
    return {name: tuple(value) if isinstance(value, list) else value for name, value in stored.items()}


def _add(first: VisitMoments, second: VisitMoments) -> VisitMoments:
    labels = tuple(dict.fromkeys(first.patient_labels + second.patient_labels))
    categories = {label for label in labels if any(part.endswith("]") for part in label.split(":"))}
    lone = set(first.patient_labels).symmetric_difference(second.patient_labels) - categories
    if (
        (first.outcome, first.week) != (second.outcome, second.week)
        or lone
        or first.visit_labels != second.visit_labels
    ):
        different = ", ".join(sorted(lone | set(first.visit_labels).symmetric_difference(second.visit_labels)))
        raise ModelError(
            "These moments are not of the same outcome and columns.",
            where=f"{first.outcome} and {second.outcome}; columns in one only: {different or 'none'}",
            what_to_do="Gather both with the same formula.",
        )
    weeks = np.union1d(first.distinct_weeks, second.distinct_weeks)
    scheduled = first.scheduled and second.scheduled and weeks.size <= 62
    shifts = np.zeros(len(labels))
    for moments in (second, first):
        for label, shift in zip(moments.patient_labels, moments.patient_shifts, strict=True):
            shifts[labels.index(label)] = shift
    slots = weeks.size if scheduled else max(first.slots, second.slots)
    merged = [
        _recast(moments, labels, shifts, first.outcome_shift, weeks if scheduled else None, int(slots))
        for moments in (first, second)
    ]
    seen = np.concatenate([part.seen for part in merged])
    week_rows = np.concatenate([np.broadcast_to(part.weeks, part.seen.shape) for part in merged])
    keys = np.column_stack([week_rows, seen])
    _, representative, pattern = np.unique(keys, axis=0, return_index=True, return_inverse=True)
    pattern = pattern.reshape(-1)
    counts = np.asarray(
        np.bincount(pattern, weights=np.concatenate([part.counts for part in merged])), dtype=np.float64
    )
    products = np.zeros((counts.size, *merged[0].products.shape[1:]))
    np.add.at(products, pattern, np.concatenate([part.products for part in merged]))
    return replace(
        merged[0],
        covariates=_pool_covariates(first, second),
        weeks=weeks[None, :] if scheduled else week_rows[representative],
        seen=seen[representative],
        counts=counts,
        products=products,
        distinct_weeks=weeks,
        scheduled=scheduled,
        duplicates=first.duplicates + second.duplicates,
        dropped=first.dropped + second.dropped,
    )


def _recast(
    moments: VisitMoments,
    labels: tuple[str, ...],
    shifts: NDArray[np.float64],
    outcome_shift: float,
    schedule: NDArray[np.float64] | None,
    slots: int,
) -> VisitMoments:
    """Rewrite moments with other labels, shifts and slots: u becomes M u, the products M (sum u u') M'."""
    if schedule is not None:
        place = np.broadcast_to(np.searchsorted(schedule, moments.weeks[0]), moments.seen.shape)
    else:
        place = np.cumsum(moments.seen, axis=1) - 1
    k, r, m = len(moments.patient_labels), len(moments.visit_labels), moments.slots
    size = len(labels) + (r + 1) * slots
    change = np.zeros((moments.counts.size, size, k + (r + 1) * m))
    for new, label in enumerate(labels):
        change[:, new, 0] -= shifts[new]
        if label in moments.patient_labels:  # a category that these patients do not have stays at zero
            old = moments.patient_labels.index(label)
            change[:, new, 0] += moments.patient_shifts[old]
            change[:, new, old] += 1.0
    pattern, slot = np.nonzero(moments.seen)
    for block in range(r + 1):
        to = len(labels) + block * slots + place[pattern, slot]
        change[pattern, to, k + block * m + slot] = 1.0
        if block == r:
            change[pattern, to, 0] += moments.outcome_shift - outcome_shift
    seen = np.zeros((moments.counts.size, slots), dtype=bool)
    seen[pattern, place[pattern, slot]] = True
    if schedule is not None:
        weeks = schedule[None, :]
    else:
        table = np.broadcast_to(moments.weeks, moments.seen.shape)
        weeks = np.repeat(table[np.arange(len(table)), moments.seen.argmax(axis=1)][:, None], slots, axis=1)
        weeks[pattern, place[pattern, slot]] = table[pattern, slot]
    return replace(
        moments,
        patient_labels=labels,
        patient_shifts=shifts,
        outcome_shift=outcome_shift,
        weeks=weeks,
        seen=seen,
        products=change @ moments.products @ change.transpose(0, 2, 1),
    )


def _pool_covariates(first: VisitMoments, second: VisitMoments) -> tuple[Covariate, ...]:
    others = {covariate.name: covariate for covariate in second.covariates}
    pooled = []
    for mine in first.covariates:
        theirs = others[mine.name]
        weight = (first.n_visits, second.n_visits) if mine.scope == "visit" else (first.n_patients, second.n_patients)
        levels = None if mine.levels is None else _in_both_orders(mine.levels, theirs.levels or ())
        mean = (mine.mean * weight[0] + theirs.mean * weight[1]) / sum(weight)
        pooled.append(replace(mine, levels=levels, mean=mean))
    return tuple(pooled)


def _in_both_orders(first: tuple[str, ...], second: tuple[str, ...]) -> tuple[str, ...]:
    """Merge levels so that those of both keep their order (the first's where they disagree): the reference stays first."""
    merged = list(first)
    for place, level in enumerate(second):
        if level not in merged:
            after = [merged.index(later) for later in second[place + 1 :] if later in merged]
            merged.insert(min(after, default=len(merged)), level)
    return tuple(merged)

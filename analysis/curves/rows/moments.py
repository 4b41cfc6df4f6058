"""Sufficient statistics by visit pattern: all that a mixed model needs to know of the rows."""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from analysis.counted import counted, form
from analysis.curves.rows.covariate import Covariate, pooled
from analysis.curves.rows.moment_cells import patient_cells, visit_cells
from analysis.curves.rows.moment_disclosure import AT_LEAST, MomentDisclosure, moment_disclosure
from analysis.curves.rows.moment_files import stored_sums, with_tuples, write_sums
from analysis.errors import ModelError
from analysis.result import Result


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
    plan : str
        Digest of the plan that they were gathered by; empty without one.
    left_out : int
        Patients left out because few had their pattern of visits, or their level within it.
    who : ndarray, shape (patients,), or None
        A number of each patient, increasing, by which the same patient in another part is noticed. None where that is
        not known; it is never written to a file.
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
    plan: str = ""
    left_out: int = 0
    who: NDArray[np.uint64] | None = None

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
        """Pool two sets of moments of different patients; those that were read from a file cannot tell whether they are.

        Categories may differ: those of the first come first. Where they must not, gather both by one plan.

        Raises
        ------
        ModelError
            Where outcome, week, plan or a column that is not a category differ, a patient is in both, or what varies with
            the week only has two values at one week.
        """
        return _add(self, other)

    def disclosure(self, k: int = AT_LEAST) -> MomentDisclosure:
        """List what the moments tell of few patients: patterns, and levels within a pattern, with fewer than ``k``.

        10 is a convention. A level is a category of the patients, such as a protocol, one of two values of a number, such as 0 and 1, a
        combination of the two columns of an interaction, or a category at one visit; no more is looked at.

        Examples
        --------
        >>> import pandas as pd
        >>> from analysis.curves import visit_moments
        >>> visits = pd.DataFrame({"patient_id": [1, 1, 2], "week": [0, 6, 0], "value": [50.0, 61, 40]})
        >>> visit_moments(visits, "value ~ week").disclosure().table[["weeks", "patients", "tells"]]
          weeks  patients                    tells
        0     0         1  the patient's whole row
        1  0, 6         1  the patient's whole row
        """
        labels, schedule = self.patient_labels, self.distinct_weeks if self.scheduled else None
        cells = patient_cells(self.products, self.counts, labels, self.patient_shifts, self.covariates)
        cells |= visit_cells(self.products, self.counts, self.seen, self.visit_labels, len(labels), schedule)
        weeks = np.broadcast_to(self.weeks, self.seen.shape)
        held = np.column_stack([np.empty((len(self.counts), 0)), *cells.values()])
        return moment_disclosure(weeks, self.seen, self.counts, held, list(cells), k)

    def save(self, path: str | Path, *, k: int = AT_LEAST, trusted: bool = False) -> Path:
        """Write the moments to a file that ``read_moments`` reads (NumPy's npz, without pickled objects).

        Parameters
        ----------
        path : str or Path
            The file; ``.npz`` is added where the name does not end so.
        k : int
            A file in which a pattern, or a level within one, has fewer patients is refused; see :meth:`disclosure`.
        trusted : bool
            Write such a file all the same, since it stays with those who may see the rows. The file says so.

        Returns
        -------
        Path
            The file written.

        Raises
        ------
        ModelError
            The moments hold cells of fewer than ``k`` patients, and nobody said that the file is trusted.
        """
        if not trusted and (found := self.disclosure(k)).small:
            raise ModelError(
                f"The file would tell of single patients: {found.headline}.",
                where=f"for example weeks {found.table['weeks'].iloc[0]}: {found.table['tells'].iloc[0]}",
                what_to_do=(
                    "See moments.disclosure(). Say trusted=True where the file stays with those who may see the patients' rows, or "
                    f"gather the moments with at_least={k}, which leaves out patients of rare patterns and categories; for other cells "
                    "leave the column out of the formula."
                ),
            )
        words = {name: getattr(self, name) for name in _WORDS} | {"trusted": trusted}
        words["covariates"] = [asdict(covariate) for covariate in self.covariates]
        return write_sums(path, words, {name: getattr(self, name) for name in _ARRAYS})


_WORDS = (
    "outcome", "week", "patient", "patient_labels", "visit_labels", "outcome_shift", "scheduled", "duplicates", "dropped", "plan", "left_out",
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
    words, arrays = stored_sums(path, _ARRAYS)
    words.pop("trusted", None)  # for people who look into the file
    covariates = tuple(Covariate(**with_tuples(entry)) for entry in words.pop("covariates"))
    return VisitMoments(covariates=covariates, **with_tuples(words), **arrays)


def patients_of_both(first: NDArray[np.uint64], second: NDArray[np.uint64]) -> NDArray[np.uint64]:
    """Give the numbers of the patients of two parts, increasing.

    Raises
    ------
    ModelError
        A patient is in both.
    """
    who = np.sort(np.concatenate([first, second]), kind="stable")  # of two sorted runs, so in one go
    both = int(np.count_nonzero(who[1:] == who[:-1]))
    if both:
        raise ModelError(
            f"{counted(both, 'patient')} {form(both, 'is', 'are')} in both of these parts and would be counted twice.",
            where=f"parts of {first.size} and {second.size} patients",
            what_to_do=(
                "Put all visits of a patient into one part before the moments are gathered. Of a Dask data frame: "
                'frame.shuffle("patient_id"), with the column of the patient.'
            ),
        )
    return who


def _add(first: VisitMoments, second: VisitMoments) -> VisitMoments:
    labels = tuple(dict.fromkeys(first.patient_labels + second.patient_labels))
    _refuse_other_columns(first, second, labels)
    if first.plan != second.plan:
        raise ModelError(
            "These moments were gathered by two plans.",
            where=f"plans {first.plan or 'none'} and {second.plan or 'none'}",
            what_to_do="Gather both by one plan.",
        )
    who = None
    if first.who is not None and second.who is not None:
        who = patients_of_both(first.who, second.who)
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
        covariates=_pool_covariates(first, second, weeks),
        weeks=weeks[None, :] if scheduled else week_rows[representative],
        seen=seen[representative],
        counts=counts,
        products=products,
        distinct_weeks=weeks,
        scheduled=scheduled,
        duplicates=first.duplicates + second.duplicates,
        dropped=first.dropped + second.dropped,
        left_out=first.left_out + second.left_out,
        who=who,
    )


def _refuse_other_columns(first: VisitMoments, second: VisitMoments, labels: tuple[str, ...]) -> None:
    scopes = [{one.name: one.scope for one in moments.covariates} for moments in (first, second)]
    changed = [name for name in scopes[0] if scopes[1].get(name, scopes[0][name]) != scopes[0][name]]
    if changed:
        raise ModelError(
            f"{', '.join(changed)} {form(len(changed), 'varies', 'vary')} with other things in the two parts.",
            where="; ".join(f"{name}: by {scopes[0][name]} and by {scopes[1][name]}" for name in changed),
            what_to_do="Gather both by one plan (plan_moments), in which each column varies with one thing.",
        )
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


def _recast(
    moments: VisitMoments,
    labels: tuple[str, ...],
    shifts: NDArray[np.float64],
    outcome_shift: float,
    schedule: NDArray[np.float64] | None,
    slots: int,
) -> VisitMoments:
    """Rewrite moments with other labels, shifts and slots: u becomes M u, the products M (sum u u') M'."""
    same = labels == moments.patient_labels and outcome_shift == moments.outcome_shift and slots == moments.slots
    on_time = schedule is None or np.array_equal(moments.weeks, schedule[None, :])
    if (
        same
        and on_time
        and moments.scheduled == (schedule is not None)
        and np.array_equal(shifts, moments.patient_shifts)
    ):
        return moments
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


def _pool_covariates(first: VisitMoments, second: VisitMoments, weeks: NDArray[np.float64]) -> tuple[Covariate, ...]:
    others = {covariate.name: covariate for covariate in second.covariates}
    at = (first.distinct_weeks.tolist(), second.distinct_weeks.tolist())
    sizes = {
        "visit": (first.n_visits, second.n_visits),
        **dict.fromkeys(("week", "patient"), (first.n_patients, second.n_patients)),
    }
    return tuple(pooled(mine, others[mine.name], sizes[mine.scope], at, weeks.tolist()) for mine in first.covariates)

"""Sufficient statistics by visit pattern: all that a mixed model needs to know of the rows."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from analysis.errors import ModelError

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


@dataclass(frozen=True, eq=False)
class VisitMoments:
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

    def __repr__(self) -> str:
        """Say what the moments are of."""
        return (
            f"VisitMoments of {self.outcome}: {self.n_patients} patients, {self.n_visits} visits, "
            f"{self.counts.size} patterns over {self.slots} slots"
        )

    def __add__(self, other: VisitMoments) -> VisitMoments:
        """Pool two sets of moments of different patients."""
        from analysis.curves.moment_addition import add_moments

        return add_moments(self, other)

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
        words = {name: getattr(self, name) for name in _WORDS}
        words["covariates"] = [asdict(covariate) for covariate in self.covariates]
        beside = target.with_name(f".{target.name}.part")
        with beside.open("wb") as file:
            np.savez(file, words=np.array(json.dumps(words)), **{name: getattr(self, name) for name in _ARRAYS})
        return beside.replace(target)


_WORDS = (
    "outcome",
    "week",
    "patient",
    "patient_labels",
    "visit_labels",
    "outcome_shift",
    "scheduled",
    "duplicates",
    "dropped",
)
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
    covariates = tuple(
        Covariate(
            name=entry["name"],
            scope=entry["scope"],
            levels=None if entry["levels"] is None else tuple(entry["levels"]),
            mean=entry["mean"],
            by_week=None if entry["by_week"] is None else tuple(entry["by_week"]),
        )
        for entry in words.pop("covariates")
    )
    words["patient_labels"] = tuple(words["patient_labels"])
    words["visit_labels"] = tuple(words["visit_labels"])
    return VisitMoments(covariates=covariates, **words, **arrays)

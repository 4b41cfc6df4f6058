"""What a file of moments would tell of single patients: patterns of few, and levels that few of a pattern have."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.cohort.schedule import moment
from analysis.counted import counted, form
from analysis.errors import ModelError
from analysis.result import Result

#: Patients from which on a cell is not called small (a convention, no source; the rule belongs to the site's data-protection officer).
AT_LEAST = 10
#: Below this a cell of one patient, which is the patient's row, would pass as large.
_LEAST_K = 2
#: Patients of a pattern from whose sums the rows were solved (three values recorded to 0.01 each; a study made for this kit).
SOLVED = 3

_HEDGE = (
    "This is no anonymisation: a large cell is not safe because it is large, and two releases tell of whoever is in one of them only. "
    "The site's data-protection officer decides."
)


@dataclass(frozen=True, eq=False, repr=False)
class MomentDisclosure(Result):
    """Small cells of moments, and what each would tell.

    Attributes
    ----------
    k : int
        Patients below which a cell is small.
    table : pandas.DataFrame
        One row a small cell: weeks (of the pattern), level (empty: the pattern itself), patients, tells.
    n_patterns, n_cells : int
        Patterns of the moments; cells of pattern and level that have a patient.
    n_patients, n_in_small : int
        Patients, and those in a pattern that is small or has a small level.
    """

    k: int
    table: pd.DataFrame
    n_patterns: int
    n_cells: int
    n_patients: int
    n_in_small: int

    @property
    def small(self) -> bool:
        """Whether any cell is small."""
        return len(self.table) > 0

    @property
    def headline(self) -> str:
        """The result in one line."""
        return self._headline()

    def _headline(self) -> str:
        patterns = int((self.table["level"] == "").sum())
        levels = len(self.table) - patterns
        return (
            f"Moments of {counted(self.n_patients, 'patient')}: {patterns} of {counted(self.n_patterns, 'pattern')} and {levels} of "
            f"{counted(self.n_cells, 'cell')} of pattern and level have fewer than {self.k} patients"
        )

    def _shown_notes(self) -> Sequence[str]:
        n = self.n_in_small
        touched = f"{counted(n, 'patient')} of {self.n_patients} {form(n, 'is', 'are')} in a pattern with a small cell."
        return (touched, _HEDGE)


def moment_disclosure(
    weeks: NDArray[np.float64],
    seen: NDArray[np.bool_],
    counts: NDArray[np.float64],
    of_levels: NDArray[np.float64],
    levels: Sequence[str],
    k: int,
) -> MomentDisclosure:
    """List the small cells.

    ``weeks`` and ``seen`` have shape (patterns, slots), ``counts`` (patterns,); ``of_levels`` are the patients of each pattern who
    have each of the ``levels``, shape (patterns, levels).

    Raises
    ------
    ModelError
        ``k`` is no whole number, or so small that no cell would be.
    """
    if not isinstance(k, int) or k < _LEAST_K:
        raise ModelError(
            f"Cells of fewer than {k!r} patients are none.",
            what_to_do=f"Give a whole number from {_LEAST_K} on; {AT_LEAST} is a convention.",
        )
    rows: list[dict[str, object]] = []
    held = np.rint(of_levels).astype(int)
    few = (held > 0) & (held < np.minimum(k, counts)[:, None])
    for pattern, n in enumerate(counts.astype(int).tolist()):
        at = ", ".join(moment(week).removeprefix("week ") for week in weeks[pattern, seen[pattern]])
        if n < k:
            rows.append({"weeks": at, "level": "", "patients": n, "tells": _of_pattern(n)})
        for place in np.flatnonzero(few[pattern]):
            patients = int(held[pattern, place])
            rows.append({"weeks": at, "level": levels[int(place)], "patients": patients, "tells": _of_level(patients)})
    found = pd.DataFrame(rows, columns=["weeks", "level", "patients", "tells"]).astype({"level": "str"})
    found = found.sort_values(["patients", "level"], kind="stable", ignore_index=True)
    touched = (counts < k) | few.any(axis=1)
    return MomentDisclosure(k, found, len(counts), int((held > 0).sum()), int(counts.sum()), int(counts[touched].sum()))


def _of_pattern(patients: int) -> str:
    if patients == 1:
        return "the patient's whole row"
    if patients == 2:
        return "the rows of both patients"
    if patients <= SOLVED:
        return "the rows, where values are recorded to few digits"
    return "sums of a few rows, from which single ones may be solved"


def _of_level(patients: int) -> str:
    if patients == 1:
        return "the patient's whole row, since products with the level are the row"
    return "sums over the few who have the level"

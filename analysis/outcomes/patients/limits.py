"""Values of a measure that are limits (<20): how many, at which weeks; every analysis takes the limit as the value."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

from analysis.cohort import Cohort
from analysis.cohort.derived import MEASURED_FROM
from analysis.cohort.schedule import moment

#: More times than this are said by the first and the last.
_MOST_TIMES = 4


@dataclass(frozen=True)
class LimitValues:
    """How many of the values of a measure are limits: ``below`` and ``above`` of ``judged``, and the weeks of these."""

    judged: int
    below: int
    above: int
    weeks: tuple[float, ...]

    @property
    def n(self) -> int:
        """Number of limits."""
        return self.below + self.above

    def in_words(self, label: str, *, counted: str | None = None) -> str:
        """Say it in a sentence; ``counted`` stands in the place of the numbers, where these must not be shown.

        Examples
        --------
        >>> LimitValues(240, 2, 1, (0.0, 6.0)).in_words("pain intensity")
        '3 of 240 values of pain intensity are limits (2 below, 1 above; week 0 and week 6), each taken as its value: the true
        values lie beyond it.'
        """
        if not self.n:
            return f"None of the {self.judged:,} values of {label} is a limit."
        if len(self.weeks) > _MOST_TIMES:
            when = f"{moment(self.weeks[0])} to {moment(self.weeks[-1])}"
        else:
            *first, last = map(moment, self.weeks)
            when = f"{', '.join(first)} and {last}" if first else last
        if counted is not None:
            return f"{counted} of {label} are limits ({when}), each taken as its value: the true values lie beyond it."
        are = "is a limit" if self.n == 1 else "are limits"
        which = ", ".join(f"{n:,} {side}" for n, side in ((self.below, "below"), (self.above, "above")) if n)
        taken = (
            "taken as its value: the true value lies" if self.n == 1 else "each taken as its value: the true values lie"
        )
        return f"{self.n:,} of {self.judged:,} values of {label} {are} ({which}; {when}), {taken} beyond it."


def limit_values(
    cohort: Cohort,
    measure: str,
    limb: str | None = None,
    *,
    weeks: Collection[float] | None = None,
    patient: str | None = None,
) -> LimitValues | None:
    """Count the limits among the values of a measure, or of those that it is computed from; None where none was recorded.

    Of one limb, the weeks or the patient that are named, otherwise of all.
    """
    if "bound" not in cohort.visits:
        return None
    names = [measure] if (cohort.visits["measure"] == measure).any() else list(MEASURED_FROM.get(measure, ()))
    rows = cohort.visits[cohort.visits["measure"].isin(names) & cohort.visits["value"].notna()]
    if limb is not None and limb in set(rows["limb"]):
        rows = rows[rows["limb"] == limb]
    if weeks is not None:
        rows = rows[rows["week"].isin(list(weeks))]
    if patient is not None:
        rows = rows[rows["patient_id"] == patient]
    if rows.empty:
        return None
    limits = rows[rows["bound"].notna()]
    counts = limits["bound"].astype("str").value_counts()
    at = tuple(sorted({float(week) for week in limits["week"]}))
    return LimitValues(len(rows), int(counts.get("below", 0)), int(counts.get("above", 0)), at)

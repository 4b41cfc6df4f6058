"""What a model has to know of a column of the data: what it varies with, and its levels."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

from analysis.cohort.schedule import moment
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


def in_both_orders(first: tuple[str, ...], second: tuple[str, ...]) -> tuple[str, ...]:
    """Merge levels so that those of both keep their order (the first's where they disagree): the reference stays first."""
    merged = list(first)
    for place, level in enumerate(second):
        if level not in merged:
            after = [merged.index(later) for later in second[place + 1 :] if later in merged]
            merged.insert(min(after, default=len(merged)), level)
    return tuple(merged)


def pooled(
    mine: Covariate,
    theirs: Covariate,
    sizes: tuple[int, int],
    at: tuple[Sequence[float], Sequence[float]],
    weeks: Sequence[float],
) -> Covariate:
    """Pool what two parts say of a column; ``at`` are the weeks of each, ``weeks`` those of both.

    Raises
    ------
    ModelError
        It varies with the week only, and has two values at one week.
    """
    levels = None if mine.levels is None else in_both_orders(mine.levels, theirs.levels or ())
    mean = (mine.mean * sizes[0] + theirs.mean * sizes[1]) / sum(sizes)
    by_week = mine.by_week
    if by_week is not None and theirs.by_week is not None:
        own, other = dict(zip(at[0], by_week, strict=True)), dict(zip(at[1], theirs.by_week, strict=True))
        two = sorted(week for week in own.keys() & other.keys() if own[week] != other[week])
        if two:
            raise ModelError(
                f"{mine.name} has two values at {moment(two[0])}, one in each part, where it varies with the week only.",
                where=f"{own[two[0]]} and {other[two[0]]}",
                what_to_do="Gather both by one plan (plan_moments), in which it varies by visit.",
            )
        by_week = tuple({**other, **own}[week] for week in weeks)
    return replace(mine, levels=levels, mean=mean, by_week=by_week)

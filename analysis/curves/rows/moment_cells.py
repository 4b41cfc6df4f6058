"""The cells of moments: how many patients of each pattern have a level, a combination of levels, or a level at one visit."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from itertools import product

import numpy as np
from numpy.typing import NDArray

from analysis.cohort.schedule import moment
from analysis.curves.rows.covariate import Covariate

Sums = NDArray[np.float64]

_ROUNDING = 1e-12
"""Sums of squares about another point lose digits: a share of the squares that is rounding, far below the 2 of a third value."""
_ROUNDING_OF_COUNTS = 1e-3
"""Counts of patients, from sums of many large numbers, are whole but for this."""


def patient_cells(
    products: Sums, counts: Sums, labels: Sequence[str], shifts: Sums, covariates: Sequence[Covariate]
) -> dict[str, Sums]:
    """Count, for each pattern, the patients who have each level of a category, of a number of two values, and of interactions.

    A number whose values are two whole ones next to each other, such as 0 and 1, tells as much as a category. Of an interaction of two
    columns every combination is a cell: what has no column of its own is a difference of those that have.
    """
    categories = [one.name for one in covariates if one.levels is not None and one.scope == "patient"]
    found: dict[str, dict[str, Sums]] = {}
    size = products.shape[1]
    for number, label in enumerate(labels[1:], start=1):
        weights = np.zeros(size)
        weights[number], weights[0] = 1.0, shifts[number]
        name = next((one for one in categories if label.startswith(f"{one}[") and ":" not in label), None)
        if name is not None:
            found.setdefault(name, {})[label] = weights
        elif not _of_two_columns(label, categories, found):
            found[label] = _of_two_values(products, counts, label, weights)
    cells = {level: weights @ products @ _one(size) for levels in found.values() for level, weights in levels.items()}
    for label in labels[1:]:
        if parts := _of_two_columns(label, categories, found):
            for (first, mine), (second, theirs) in product(*(found[part].items() for part in parts)):
                cells[f"{first}:{second}"] = np.einsum("i,pij,j->p", mine, products, theirs)
    return cells


def visit_cells(
    products: Sums, counts: Sums, seen: NDArray[np.bool_], labels: Sequence[str], first: int, weeks: Sums | None
) -> dict[str, Sums]:
    """Count, for each pattern and slot, the patients who have each level of what changes by visit; ``first`` is the first of its columns."""
    slots = seen.shape[1]
    cells: dict[str, Sums] = {}
    for number, label in enumerate(labels):
        places = first + number * slots + np.arange(slots)
        squares = products[:, places, places].sum()
        sums = products[:, 0, places]
        if abs(squares - sums.sum()) > _ROUNDING * squares + _ROUNDING_OF_COUNTS or (sums < -_ROUNDING_OF_COUNTS).any():
            continue  # not 0 or 1
        for slot in range(slots):
            at = f"visit {slot + 1}" if weeks is None else moment(weeks[slot])
            cells[f"{label} at {at}"] = sums[:, slot]
            cells[f"not {label} at {at}"] = np.where(seen[:, slot], counts - sums[:, slot], 0.0)
    return cells


def _of_two_columns(label: str, categories: Sequence[str], found: Collection[str]) -> list[str]:
    """Give the two columns that an interaction is of, where the levels of both are found; else none."""
    parts = [part.split("[")[0] if part.split("[")[0] in categories else part for part in label.split(":")]
    return parts if len(parts) == 2 and all(part in found for part in parts) else []


def _one(size: int) -> Sums:
    weights = np.zeros(size)
    weights[0] = 1.0
    return weights


def _of_two_values(products: Sums, counts: Sums, label: str, weights: Sums) -> dict[str, Sums]:
    """Give the indicators of the two values of a column, where it has whole ones next to each other; else none."""
    sums = float((weights @ products[:, :, 0].T).sum())
    squares = float(np.einsum("i,pij,j->", weights, products, weights))
    patients = float(counts.sum())
    low = np.floor(sums / patients + _ROUNDING)
    off = squares - (2.0 * low + 1.0) * sums + low * (low + 1.0) * patients  # sum of (x - low) (x - low - 1)
    more = sums - low * patients
    whole = abs(more - round(more)) <= _ROUNDING_OF_COUNTS and round(more) > 0
    if abs(off) > _ROUNDING * squares + _ROUNDING_OF_COUNTS or not whole:
        return {}
    one = _one(weights.size)
    high = weights - low * one
    return {f"{label} = {low + 1:g}": high, f"{label} = {low:g}": one - high}

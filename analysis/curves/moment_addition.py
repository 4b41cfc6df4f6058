"""Pool the moments of two sets of patients."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from analysis.curves.moments import Covariate, VisitMoments
from analysis.errors import ModelError


def add_moments(first: VisitMoments, second: VisitMoments) -> VisitMoments:
    """Pool the moments of two sets of patients.

    Parameters
    ----------
    first, second : VisitMoments
        Of the same outcome, week and columns; categories may differ (those of the first come first). A patient may be
        in one of them only: the moments cannot tell.

    Returns
    -------
    VisitMoments

    Raises
    ------
    ModelError
        Where outcome, week or a column that is not a category differ.
    """
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

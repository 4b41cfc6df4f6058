"""Group patients by the visits they have, and sum their rows into moments."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from analysis.curves.rows.covariate import Covariate
from analysis.curves.rows.moment_plan import MomentPlan
from analysis.curves.rows.moments import VisitMoments
from analysis.curves.rows.visit_rows import VisitRows


def gather_moments(
    rows: VisitRows,
    *,
    outcome: str,
    week: str,
    patient: str,
    covariates: Sequence[Covariate],
    patient_columns: Mapping[str, NDArray[np.float64]],
    visit_columns: Mapping[str, NDArray[np.float64]],
    plan: MomentPlan | None = None,
) -> VisitMoments:
    """Sum the rows into moments.

    The patient columns of u have shape (patients,), the constant is added in front; the visit columns, which change by visit,
    have shape (rows,). The covariates say what the columns stand for. Shifts are those of the plan where there is one.
    """
    weeks, pattern, representative = visit_patterns(rows)
    k, r, m = len(patient_columns) + 1, len(visit_columns), rows.slots
    shift = float(rows.outcome.mean()) if plan is None else plan.outcome_shift
    shifts = np.zeros(len(patient_columns) + 1)
    for number, (name, values) in enumerate(patient_columns.items(), start=1):
        if plan is not None:
            shifts[number] = plan.shifts.get(name, 0.0)
        elif not bool(((values == 0.0) | (values == 1.0)).all()):
            shifts[number] = values.mean()
    counts = np.bincount(pattern, minlength=representative.size)
    products = np.zeros((representative.size, k + (r + 1) * m, k + (r + 1) * m))
    for block in rows.blocks():
        u = np.zeros((block.patients.stop - block.patients.start, products.shape[1]))
        u[:, 0] = 1.0
        for number, values in enumerate(patient_columns.values(), start=1):
            np.subtract(values[block.patients], shifts[number], out=u[:, number])
        for number, values in enumerate(visit_columns.values()):
            rows.lay_out(values, u, k + number * m, block)
        rows.lay_out(rows.outcome, u, k + r * m, block, shift=shift)
        _add_by_pattern(products, u, pattern[block.patients])
    return VisitMoments(
        outcome=outcome,
        week=week,
        patient=patient,
        covariates=tuple(covariates),
        patient_labels=("1", *patient_columns),
        visit_labels=tuple(visit_columns),
        patient_shifts=shifts,
        outcome_shift=shift,
        weeks=weeks,
        seen=rows.seen[representative],
        counts=counts.astype(np.float64),
        products=products,
        distinct_weeks=rows.weeks,
        scheduled=rows.scheduled,
        duplicates=rows.duplicates,
        dropped=rows.dropped,
        plan="" if plan is None else plan.digest,
    )


def visit_patterns(
    rows: VisitRows,
) -> tuple[NDArray[np.float64], NDArray[np.int64], NDArray[np.int64]]:
    """Group the patients by the visits they have.

    Given are the weeks, shape (1 or patterns, slots), the pattern of each patient, and a patient of each pattern.
    """
    if rows.scheduled:
        pattern, representative = _distinct_masks(rows.seen)
        return rows.weeks[None, :], pattern, representative
    table = rows.by_patient(rows.week)
    table = np.where(rows.seen, table, table[:, :1])
    keys = np.column_stack([table, rows.seen])
    _, representative, pattern = np.unique(keys, axis=0, return_index=True, return_inverse=True)
    return table[representative], pattern.reshape(-1), representative


def _distinct_masks(seen: NDArray[np.bool_]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Find the distinct rows of a table of booleans (at most 62 columns): each row's number, and a row of each."""
    packed = np.packbits(seen, axis=1, bitorder="little")
    bits = np.zeros(seen.shape[0], dtype=np.int64)
    for byte in range(packed.shape[1]):
        bits |= packed[:, byte].astype(np.int64) << (8 * byte)
    if seen.shape[1] <= 16:
        used = np.bincount(bits, minlength=1) > 0
        pattern = (np.cumsum(used) - 1)[bits]
        representative = np.empty(int(used.sum()), dtype=np.int64)
        representative[pattern] = np.arange(bits.size)
        return pattern, representative
    _, representative, pattern = np.unique(bits, return_index=True, return_inverse=True)
    return pattern, representative


def _add_by_pattern(products: NDArray[np.float64], u: NDArray[np.float64], pattern: NDArray[np.int64]) -> None:
    """Add u u' to each pattern's sum: patients sorted by pattern, one matrix product for each."""
    counts = np.bincount(pattern, minlength=len(products))
    order = np.argsort(pattern.astype(np.min_scalar_type(len(products))), kind="stable")
    u = u[order]
    ends = np.cumsum(counts)
    single = counts == 1
    alone = u[ends[single] - 1]
    products[single] += alone[:, :, None] * alone[:, None, :]
    for number in np.flatnonzero(counts > 1):
        together = u[ends[number] - counts[number] : ends[number]]
        products[number] += together.T @ together

"""Go through the patients' rows, laid out by slot, some patients at a time."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from analysis.curves.covariances.residual_base import Array
from analysis.curves.engine.working_basis import WorkingBasis
from analysis.curves.formula.design import Design
from analysis.curves.rows.moment_sums import visit_patterns
from analysis.curves.rows.visit_rows import VisitRows

_PATIENTS_AT_ONCE = 5_000


@dataclass(frozen=True, eq=False)
class PatientBlock:
    """Some patients' rows, laid out by slot.

    Parameters
    ----------
    patients : slice
        Which patients.
    rows : ndarray of int
        Their rows.
    pattern : ndarray of int, shape (patients,)
        Their visit patterns.
    X : ndarray, shape (patients, slots, columns)
        Design of the kept columns, zero where there was no visit.
    residual : ndarray, shape (patients, slots)
        Outcome minus mean, in the outcome's units.
    """

    patients: slice
    rows: np.ndarray
    pattern: np.ndarray
    X: Array
    residual: Array


def patient_blocks(design: Design, rows: VisitRows, basis: WorkingBasis, coefficients: Array) -> Iterator[PatientBlock]:
    """Go through the patients, some at a time; the coefficients are those of the kept columns of the formula."""
    pattern = visit_patterns(rows)[1]
    order = np.argsort(rows.patient, kind="stable")
    ends = np.cumsum(np.bincount(rows.patient, minlength=rows.n_patients))
    for start in range(0, rows.n_patients, _PATIENTS_AT_ONCE):
        stop = min(start + _PATIENTS_AT_ONCE, rows.n_patients)
        chosen = order[(ends[start - 1] if start else 0) : ends[stop - 1]]
        matrix = design.matrix(rows.frame.iloc[chosen])[:, basis.kept]
        X = np.zeros((stop - start, rows.slots, matrix.shape[1]))
        residual = np.zeros((stop - start, rows.slots))
        X[rows.patient[chosen] - start, rows.slot[chosen]] = matrix
        residual[rows.patient[chosen] - start, rows.slot[chosen]] = rows.outcome[chosen] - matrix @ coefficients
        yield PatientBlock(slice(start, stop), chosen, pattern[start:stop], X, residual)

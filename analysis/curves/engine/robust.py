"""The sandwich covariance of the coefficients, over patients."""

from __future__ import annotations

import numpy as np

from analysis.curves.covariances.residual_base import Array
from analysis.curves.engine.likelihood import Evaluation
from analysis.curves.engine.patient_blocks import patient_blocks
from analysis.curves.engine.working_basis import WorkingBasis
from analysis.curves.formula.design import Design
from analysis.curves.rows.moments import VisitMoments
from analysis.curves.rows.visit_rows import VisitRows
from analysis.errors import ModelError

_EXACT = 1e-7
"""A leverage this close to 1 is 1: the residual is rounding, and its correction divides by the difference."""


def patient_sandwich(
    design: Design, moments: VisitMoments, rows: VisitRows | None, basis: WorkingBasis, evaluation: Evaluation
) -> tuple[Array, float]:
    """Estimate the covariance of the working coefficients from the patients' own scatter; give its degrees of freedom too.

    The sandwich of Liang & Zeger (1986, Biometrika 73(1)) with each patient's residual corrected for its leverage,
    (I - H_i)^-1 r_i, by Mancl & DeRouen (2001, Biometrics 57(1)): right whatever the true covariance, with little or
    upward bias in small samples. Intervals use t with patients minus patient covariates (the constant included)
    degrees of freedom (design choice). It is missing where the model fits a patient exactly (one who alone tells a
    coefficient, such as the only one of a site).

    Raises
    ------
    ModelError
        For a fit from moments, which do not hold the patients.
    """
    if rows is None:
        raise ModelError(
            "Robust inference needs the rows of each patient, and moments do not hold them.",
            where="inference='robust'",
            what_to_do="Fit from the data frame, or use inference='kenward-roger'.",
        )
    back = np.linalg.inv(basis.T)
    coefficients = back @ (evaluation.b + basis.offset) * basis.scale
    meat = np.zeros_like(evaluation.A_inverse)
    between = {column.label for column in design.columns if not column.by_visit}
    df = float(max(moments.n_patients - max(len(between), 1), 1))
    for block in patient_blocks(design, rows, basis, coefficients):
        N = evaluation.N[block.pattern]
        X = block.X @ back
        leverage = X @ evaluation.A_inverse @ X.transpose(0, 2, 1) @ N
        if np.linalg.eigvals(leverage).real.max(initial=0.0) > 1.0 - _EXACT:
            return np.full_like(meat, np.nan), df
        left = np.eye(leverage.shape[1]) - leverage
        corrected = np.linalg.solve(left, (block.residual / basis.scale)[:, :, None])
        scores = (X.transpose(0, 2, 1) @ (N @ corrected))[:, :, 0]
        meat += scores.T @ scores
    return evaluation.A_inverse @ meat @ evaluation.A_inverse, df

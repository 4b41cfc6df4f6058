"""A mixed model as the outcome model of a comparison: what it expects under each protocol, and missed visits by pattern."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.curves.mixed_model import MixedModel
from analysis.curves.patients import rows_of
from analysis.curves.rows.moment_sums import visit_patterns
from analysis.statistics.weighting.outcome_rows import OutcomeRows

Floats = NDArray[np.float64]


def mixed_outcome_rows(
    model: MixedModel, patients: pd.DataFrame, protocols: Sequence[str], weeks: Sequence[float]
) -> OutcomeRows:
    """Hand over a fitted mixed model.

    A missed visit has its mean given the patient's visits, x b + V_tO V_OO^-1 (y_O - X_O b), which is the value itself where
    the visit was made; V is the model's. Computed once for each pattern of visits, not patient by patient.

    Parameters
    ----------
    model : MixedModel
        Fitted from rows at scheduled weeks, with the columns of ``patients`` and the protocol.
    patients : DataFrame
        One row a patient: patient_id, protocol and the covariates; also patients who have no visit in the fit.
    protocols : sequence of str
        The protocols in their order.
    weeks : sequence of float
        Scheduled weeks at which outcomes are wanted.

    Returns
    -------
    OutcomeRows
        Of these weeks, patients in the order of ``patients``.

    Examples
    --------
    >>> from analysis.curves import fit_mixed
    >>> rows = pd.DataFrame({"patient_id": list("aabbccdd"), "week": [6.0, 12.0] * 4, "protocol": ["x"] * 4 + ["y"] * 4,
    ...                      "value": [1.0, 2.0, 2.0, 4.0, 3.0, 4.0, 2.5, 3.0]})
    >>> fit = fit_mixed(rows.iloc[:-1], "value ~ C(week) + protocol", patient_effects="1")
    >>> patients = rows.drop_duplicates("patient_id")[["patient_id", "protocol"]]
    >>> found = mixed_outcome_rows(fit, patients, ["x", "y"], [12.0])
    >>> (found.filled + found.slope @ found.coefficients).round(3).tolist()
    [[2.0, 4.0, 4.0, 3.887]]
    """
    rows, design, kept = rows_of(model, "Missed visits"), model.design, model.basis.kept
    place = pd.Index(rows.patient_ids).get_indexer(pd.Index(patients["patient_id"]))
    there = place >= 0
    n, slots, count = len(patients), rows.slots, len(kept)
    matrix = design.matrix(rows.frame)[:, kept]
    X, y = np.zeros((rows.n_patients, slots, count)), np.zeros((rows.n_patients, slots))
    X[rows.patient, rows.slot], y[rows.patient, rows.slot] = matrix, rows.outcome

    pattern = visit_patterns(rows)[1]
    scale, seen_of = model.basis.scale, model.basis.seen
    both = seen_of[:, :, None] & seen_of[:, None, :]
    N_of = np.where(both, model.optimum.N, 0.0) / scale**2
    V = model.optimum.likelihood.covariance.matrix(model.optimum.theta) * scale**2
    gain_of = np.broadcast_to(V, N_of.shape) @ N_of  # V_tO V_OO^-1, one a pattern

    rows_of_all, weight, pulled = np.zeros((n, slots, count)), np.zeros((n, slots, slots)), np.zeros((n, slots))
    values, seen, gain = np.zeros((n, slots)), np.zeros((n, slots), dtype=bool), np.zeros((n, slots, slots))
    mine = place[there]
    rows_of_all[there], values[there], seen[there] = X[mine], y[mine], rows.seen[mine]
    weight[there], gain[there] = N_of[pattern[mine]], gain_of[pattern[mine]]
    residual = np.where(seen, values - rows_of_all @ model.coefficient_values, 0.0)
    pulled = np.asarray((weight @ residual[:, :, None])[:, :, 0])

    under = np.stack([_under(model, patients, protocols, week) for week in weeks])
    codes = pd.Categorical(patients["protocol"], list(protocols)).codes
    filled, slope = np.zeros((len(weeks), n)), np.zeros((len(weeks), n, count))
    for number, week in enumerate(weeks):
        slot = int(np.searchsorted(rows.weeks, week))
        own = under[number, codes, np.arange(n)]
        pull = gain[:, slot, :]
        made = seen[:, slot]
        filled[number] = np.where(made, values[:, slot], (pull * values).sum(axis=1))
        slope[number] = np.where(made[:, None], 0.0, own - (pull[:, None, :] @ rows_of_all)[:, 0, :])
    back = np.linalg.inv(model.basis.T)
    inverse = np.asarray(back @ model.optimum.A_inverse @ back.T * scale**2)
    return OutcomeRows(model.coefficient_values, inverse, rows_of_all, weight, pulled, under, filled, slope)


def _under(model: MixedModel, patients: pd.DataFrame, protocols: Sequence[str], week: float) -> Floats:
    """Give the rows of the design at a week had each patient had each protocol, shape (protocols, patients, columns)."""
    at = patients.assign(**{model.design.week: week})
    return np.stack(
        [
            model.design.matrix(at.assign(protocol=pd.Categorical([name] * len(at), list(protocols))))[
                :, model.basis.kept
            ]
            for name in protocols
        ]
    )

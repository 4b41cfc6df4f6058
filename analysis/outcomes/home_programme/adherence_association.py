"""Home sessions and recovery: the naive slope, the adjusted one, the lagged one and its reverse, each labelled."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.cohort.reference import used_protocols
from analysis.cohort.tables import Cohort
from analysis.counted import counted
from analysis.errors import ModelError
from analysis.outcomes.change.change import change_at_week, change_frame, with_covariates
from analysis.outcomes.endpoint import Endpoint
from analysis.outcomes.home_programme.home_exposure import (
    UNITS,
    Exposure,
    exposure_between,
    weekly_exposure,
    without_prescription,
)
from analysis.outcomes.missing.completed_data import covariate_columns
from analysis.result import ResultWithNotes, patients_have

NAIVE, ADJUSTED = "naive", "adjusted"
LAGGED, REVERSED = "lagged: last weeks' dose, next change", "reversed: last change, next weeks' dose"

CAN_SAY = {
    NAIVE: "Whether patients who did more changed more.",
    ADJUSTED: "Whether that holds among patients alike in the covariates.",
    LAGGED: "Whether more done in the last weeks goes before more change in the next.",
    REVERSED: "Whether more change goes before more done: if so, adherence follows recovery.",
}
CANNOT_SAY = {
    NAIVE: "What more sessions would have done: recovery, pain and motivation move both.",
    ADJUSTED: "The same: whatever was not measured still moves both.",
    LAGGED: "That the dose brought about the change: a patient on the way up does more before, too.",
    REVERSED: "That recovery brought about the sessions; it warns of taking the other slopes for more than associations.",
}
_LEAST_AN_INTERVAL = 5
_TINY = 1e-9


@dataclass(frozen=True, eq=False, repr=False)
class AdherenceAssociation(ResultWithNotes):
    """Association of home sessions with recovery.

    Attributes
    ----------
    endpoint : Endpoint
        The improvement.
    exposure, exposure_unit : str
        What was done, and what a slope is for one of.
    modality : str or None
        The modality; None for all sessions together.
    not_prescribed : tuple of str
        Protocols that prescribe none of it: no part of the association, and not at a dose of 0 within it.
    table : pandas.DataFrame
        One row a method: method ("naive", "adjusted", "lagged: ...", "reversed: ..."), n (patients), rows (visits or
        patients), slope (improvement for one exposure unit; for the reversed one exposure for one unit of improvement),
        std_error, df, lower, upper, level, error ("HC3" or "by patient"), can_say, cannot_say.
    patients : pandas.DataFrame
        patient_id, protocol, baseline, improvement, exposure: what the naive slope is made of.
    """

    endpoint: Endpoint
    exposure: str
    exposure_unit: str
    modality: str | None
    not_prescribed: tuple[str, ...]
    table: pd.DataFrame
    patients: pd.DataFrame

    def _headline(self) -> str:
        return f"{self.exposure} and improvement: associations, not effects. {self.endpoint.words}"


def adherence_association(
    cohort: Cohort,
    endpoint: Endpoint,
    *,
    exposure: Exposure = "share of sessions",
    modality: str | None = None,
    covariates: Sequence[str] = ("baseline",),
    lag: float = 4,
) -> AdherenceAssociation:
    """Set improvement against what was done at home, in four ways side by side.

    Parameters
    ----------
    cohort : Cohort
    endpoint : Endpoint
        The improvement; sessions up to its week count. It needs no threshold.
    exposure : {"share of sessions", "minutes", "stimulation above the knee", "stimulation at the thigh"}
        What was done: share of the sessions prescribed, or hours a week recorded.
    modality : str, optional
        One modality; by default all together.
    covariates : sequence of str
        "baseline" and columns of the patients, for the adjusted slope.
    lag : float
        Weeks before (or after) a visit that count for the lagged slopes.

    Returns
    -------
    AdherenceAssociation
        A row a method, each with what it can and cannot say.

    Raises
    ------
    ModelError
        Sessions were not recorded, a name is not known, or the lag is not above 0.

    Notes
    -----
    Linear models with an intercept for every protocol (statsmodels), so that no slope is a comparison of protocols. A
    protocol with one patient is left out: its intercept fits that patient exactly. So is any other patient whom the model
    fits exactly, such as the only one of a site. Lagged and reversed: every pair of neighbouring visits of a patient, with
    the value at the first visit and an intercept for every interval, errors by patient. A missing slope means too few
    patients or no spread in what was done. For an effect use the allocation of a trial:
    :func:`analysis.outcomes.home_programme.complier_effect.complier_effect`.

    Examples
    --------
    >>> from analysis.outcomes import choose_endpoint
    >>> from synthetic_cohort import generate_cohort
    >>> cohort = generate_cohort(patients=120, seed=1).observed
    >>> found = adherence_association(cohort, choose_endpoint(cohort, "quadriceps_torque", week=26, criterion=None))
    >>> found.table["method"].tolist()[:2]
    ['naive', 'adjusted']
    """
    if not lag > 0:
        raise ModelError(f"A lag of {lag:g} weeks holds no week.", what_to_do="Give weeks above 0, for example 4.")
    weeks = weekly_exposure(cohort, exposure, modality)
    level = endpoint.level
    changes = change_at_week(cohort, endpoint)
    patients = changes[["patient_id", "protocol", "baseline", "improvement"]].copy()
    patients["exposure"] = exposure_between(weeks, patients["patient_id"], 0, endpoint.week)
    none, _ = without_prescription(cohort, exposure, modality)
    full = with_covariates(cohort, endpoint, patients, covariates)
    pairs = _neighbours(cohort, endpoint, weeks, lag)
    value = ["value"]
    rows = [
        _slope(NAIVE, full, "improvement", "exposure", [], level),
        _slope(ADJUSTED, full, "improvement", "exposure", list(covariates), level),
        _slope(LAGGED, pairs, "step", "before", [*value, "interval"], level, by_patient=True),
        _slope(REVERSED, pairs, "after", "step", [*value, "interval"], level, by_patient=True),
    ]
    left_out = _left_out(rows)
    asked = patients[~patients["protocol"].astype("str").isin(none)]
    lost = int(asked[["improvement", "exposure"]].isna().any(axis=1).sum())
    apart = f"Not prescribed to {', '.join(none)}: their patients ({len(patients) - len(asked):,}) are no part of this."
    return AdherenceAssociation(
        endpoint=endpoint,
        exposure=exposure if modality is None else f"{exposure}, {modality}",
        exposure_unit=UNITS[exposure],
        modality=modality,
        not_prescribed=none,
        table=pd.DataFrame(rows),
        patients=patients,
        notes=(
            f"Slopes: improvement ({endpoint.measure.unit}) for {UNITS[exposure]}; the reversed one the other way about.",
            f"Adjusted for {', '.join(covariates) or 'nothing'}; every model has an intercept for each protocol.",
            *([apart] if none else []),
            *(
                [patients_have(lost, len(asked), "no improvement or sessions on record and are no part of this")]
                if lost
                else []
            ),
            *left_out,
            "Associations only: adherence follows recovery as well as going before it.",
        ),
    )


def _neighbours(cohort: Cohort, endpoint: Endpoint, weeks: pd.DataFrame, lag: float) -> pd.DataFrame:
    """Give neighbouring visits of a patient with the change between them and what was done before and after."""
    frame = change_frame(cohort, endpoint)
    frame = frame.dropna(subset=["value"]).sort_values(["patient_id", "week"], kind="stable")
    following = frame.groupby("patient_id", observed=True)[["week", "value"]].shift(-1)
    pairs = frame[["patient_id", "protocol", "week", "value"]].assign(
        value=endpoint.as_adjusted_for(frame["value"]),
        next_week=following["week"],
        step=endpoint.improvement(frame["value"], following["value"]),
    )
    pairs = pairs.dropna(subset=["next_week"]).reset_index(drop=True)
    first, second = (pairs[name].map("{:g}".format).astype("str") for name in ("week", "next_week"))
    pairs["interval"] = first + " to " + second
    pairs["before"] = exposure_between(weeks, pairs["patient_id"], pairs["week"] - lag, pairs["week"])
    pairs["after"] = exposure_between(weeks, pairs["patient_id"], pairs["next_week"], pairs["next_week"] + lag)
    return pairs


def _slope(
    method: str,
    frame: pd.DataFrame,
    outcome: str,
    exposure: str,
    others: list[str],
    level: float,
    *,
    by_patient: bool = False,
) -> dict[str, Any]:
    from scipy import stats
    from statsmodels.regression.linear_model import OLS

    known = frame.dropna(subset=[outcome, exposure, *others])
    if "interval" in others:
        often = known["interval"].map(known["interval"].value_counts()) >= _LEAST_AN_INTERVAL
        known = known[often]
    patients = known.groupby("protocol", observed=True)["patient_id"].nunique()
    single = [str(name) for name in patients.index[patients == 1]]
    known = known[~known["protocol"].astype("str").isin(single)]
    known = known.assign(protocol=used_protocols(known["protocol"]))
    names = [exposure, "protocol", *others]
    known, alone = (known, 0) if by_patient else _without_exact(known, names)
    n = known["patient_id"].nunique()
    row: dict[str, Any] = {"method": method, "n": n, "rows": len(known), "slope": np.nan, "std_error": np.nan}
    row |= {"df": np.nan, "lower": np.nan, "upper": np.nan, "level": level}
    row |= {
        "error": "by patient" if by_patient else "HC3",
        "can_say": CAN_SAY[method],
        "cannot_say": CANNOT_SAY[method],
        "single": single,
        "alone": alone,
    }
    design = _independent(design_matrix(known, names))
    if len(known) < design.shape[1] + 2 or n < 3 or not _apart(design) or known[outcome].nunique() < 2:
        return row
    options: dict[str, Any] = {"cov_type": "HC3", "use_t": True}
    df = float(len(known) - design.shape[1])
    if by_patient:
        groups = known["patient_id"].astype("category").cat.codes.to_numpy()
        options = {"cov_type": "cluster", "cov_kwds": {"groups": groups}, "use_t": True}
        df = float(n - 1)
    fit = OLS(known[outcome].to_numpy(dtype=float), design).fit(**options)
    slope, error = float(fit.params[0]), float(fit.bse[0])
    half = float(stats.t.ppf((1 + level) / 2, df)) * error
    return row | {"slope": slope, "std_error": error, "df": df, "lower": slope - half, "upper": slope + half}


def _left_out(rows: list[dict[str, Any]]) -> list[str]:
    """Take out of the rows who was left out of each slope, and say it."""
    single: dict[str, list[str]] = {}
    notes = []
    for row in rows:
        short = str(row["method"]).split(":")[0]
        for name in row.pop("single"):
            single.setdefault(name, []).append(short)
        alone = row.pop("alone")
        if alone:
            words = counted(alone, "patient")
            notes.append(f"Left out of the {short} slope, as the model fits them exactly: {words}.")
    return [f"Left out, one patient only: protocol {name} ({', '.join(of)})." for name, of in single.items()] + notes


def _without_exact(known: pd.DataFrame, names: list[str]) -> tuple[pd.DataFrame, int]:
    """Leave out rows that the model fits exactly, such as the only patient of a site.

    They say nothing of the slope, and an HC3 error divides by one less their leverage, which is 1. Where there are too few
    rows for the model all stay.
    """
    left = known
    while True:
        design = _independent(design_matrix(left, names))
        if len(left) < design.shape[1] + 2:
            break
        basis = np.linalg.svd(_scaled(design), full_matrices=False)
        exact = np.sum(basis.U[:, basis.S > _TINY] ** 2, axis=1) > 1 - _TINY
        if not exact.any():
            break
        left = left[~exact]
    return left, len(known) - len(left)


def design_matrix(frame: pd.DataFrame, names: Sequence[str]) -> NDArray[np.float64]:
    """Give the columns named and an intercept: numbers as they are, labels as indicators without the first.

    Examples
    --------
    >>> frame = pd.DataFrame({"dose": [0.5, 1.0], "protocol": ["a", "b"]})
    >>> design_matrix(frame, ["dose", "protocol"]).tolist()
    [[0.5, 0.0, 1.0], [1.0, 1.0, 1.0]]
    """
    return np.column_stack([covariate_columns(frame[list(names)], standardised=False), np.ones(len(frame))])


def _independent(design: NDArray[np.float64]) -> NDArray[np.float64]:
    """Give the first column, and for the others as many orthogonal ones as they say different things.

    A site that is one protocol takes no degree of freedom. The coefficient of the first column and its error are the same.
    """
    basis = np.linalg.svd(_scaled(design[:, 1:]), full_matrices=False)
    return np.column_stack([design[:, :1], basis.U[:, basis.S > _TINY]])


def _apart(design: NDArray[np.float64]) -> bool:
    """Whether the first column says something that the others do not."""
    scaled = _scaled(design)
    return bool(np.linalg.matrix_rank(scaled, tol=_TINY) > np.linalg.matrix_rank(scaled[:, 1:], tol=_TINY))


def _scaled(design: NDArray[np.float64]) -> NDArray[np.float64]:
    scale = np.linalg.norm(design, axis=0)
    return np.asarray(design / np.where(scale > 0, scale, 1.0))

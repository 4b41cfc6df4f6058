"""Time to the first visit at which a threshold was reached, by protocol (Kaplan and Meier)."""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from analysis.outcomes.change import BaselineRule, used_protocols
from analysis.outcomes.change_distribution import reference_protocol
from analysis.outcomes.proportions import check_level
from analysis.outcomes.responder_history import responder_history
from analysis.outcomes.result import Result

if TYPE_CHECKING:
    from analysis.cohort.measures import Threshold
    from analysis.cohort.tables import Cohort
    from analysis.outcomes.chosen_threshold import ChosenThreshold, Criterion

KAPLAN_MEIER = "Kaplan-Meier, log-log limits"


@dataclass(frozen=True, eq=False, repr=False)
class TimeToResponse(Result):
    """Time to the first visit at which a threshold was reached.

    Attributes
    ----------
    threshold : ChosenThreshold
        The threshold.
    table : pandas.DataFrame
        One row a protocol and week at which somebody reached it first: protocol, week, at_risk, reached (patients at
        this week), share (reached by then), lower, upper, level, method.
    medians : pandas.DataFrame
        protocol, n, reached (patients), median_week, lower, upper (missing where not reached), level.
    comparison : pandas.DataFrame
        One row: statistic, df, p_value of the log-rank test over all protocols; empty for one protocol.
    differences : pandas.DataFrame
        protocol, reference, week, difference (share reached by then), std_error, lower, upper, level, method.
    patients : pandas.DataFrame
        patient_id, protocol, after_week (last visit before), by_week (first visit at which it was reached, or missing),
        week (of the analysis), reached.
    notes : tuple of str
        What was counted.
    """

    threshold: ChosenThreshold
    table: pd.DataFrame
    medians: pd.DataFrame
    comparison: pd.DataFrame
    differences: pd.DataFrame
    patients: pd.DataFrame
    notes: tuple[str, ...]

    def _headline(self) -> str:
        return "Time to the first visit at which the threshold was reached"


def time_to_response(
    cohort: Cohort,
    measure: str,
    *,
    threshold: float | Threshold | None = None,
    criterion: Criterion = "improvement",
    limb: str | None = None,
    level: float = 0.95,
    reference: str | None = None,
    baseline: BaselineRule = "last before start",
) -> TimeToResponse:
    """Follow patients to the first visit at which they reached a threshold.

    Parameters
    ----------
    cohort, measure, threshold, criterion, limb, level, reference, baseline
        As in :func:`analysis.outcomes.responders.responders`.

    Returns
    -------
    TimeToResponse
        Kaplan-Meier shares reached by week, medians, log-rank test, differences.

    Raises
    ------
    ModelError, CohortError
        As of :func:`analysis.outcomes.responders.responders`.

    Notes
    -----
    Kaplan and Meier 1958 and the log-rank test, by statsmodels. The threshold was reached at some time between two
    visits; the visit at which it was seen is taken (interval censoring), so times are late by up to the gap between
    visits, in every protocol alike where visits have one schedule. Patients leave at their last visit; that must have
    nothing to do with the time they would have reached it.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> found = time_to_response(generate_cohort(patients=60, seed=1).observed, "pain")
    >>> found.medians.columns.tolist()[:4]
    ['protocol', 'n', 'reached', 'median_week']
    """
    check_level(level)
    history, chosen = responder_history(
        cohort, measure, threshold=threshold, criterion=criterion, limb=limb, baseline=baseline
    )
    patients = _first_reached(cohort, history)
    base = reference_protocol(patients["protocol"], reference)
    followed = patients.dropna(subset=["week"])
    curves = {
        str(name): _curve(rows["week"].to_numpy(), rows["reached"].to_numpy(dtype=float))
        for name, rows in followed.groupby("protocol", observed=True)
    }
    notes = [
        chosen.words,
        "Reached between two visits, counted at the visit where it was seen (interval censoring).",
        "Patients are followed to their last visit.",
    ]
    lost = len(patients) - len(followed)
    if lost:
        notes.append(f"{lost} of {len(patients)} patients have no visit at which it could be judged.")
    tables = [_shares(name, curve, level) for name, curve in curves.items()]
    return TimeToResponse(
        threshold=chosen,
        table=pd.concat(tables, ignore_index=True) if tables else pd.DataFrame(columns=_COLUMNS),
        medians=_medians(followed, curves, level),
        comparison=_log_rank(followed),
        differences=_differences(curves, base, level),
        patients=patients,
        notes=tuple(notes),
    )


_COLUMNS = ["protocol", "week", "at_risk", "reached", "share", "lower", "upper", "level", "method"]


def _first_reached(cohort: Cohort, history: pd.DataFrame) -> pd.DataFrame:
    judged = history.dropna(subset=["responder"])
    yes = judged[judged["responder"].astype(bool)]
    first, last = yes.groupby("patient_id")["week"].min(), judged.groupby("patient_id")["week"].max()
    ids = cohort.patients["patient_id"]
    patients = pd.DataFrame({"patient_id": ids, "protocol": used_protocols(cohort.patients["protocol"])})
    patients["by_week"] = ids.map(first).astype("float64")
    limit = judged["patient_id"].map(first).astype("float64").fillna(np.inf)
    before = judged[judged["week"] < limit].groupby("patient_id")["week"].max()
    seen = ids.map(last).astype("float64")
    patients.insert(2, "after_week", ids.map(before).astype("float64").fillna(0.0).where(seen.notna()))
    patients["week"] = patients["by_week"].fillna(seen)
    return patients.assign(reached=patients["by_week"].notna())


def _curve(weeks: np.ndarray, reached: np.ndarray) -> Any:
    from statsmodels.duration.survfunc import SurvfuncRight

    with warnings.catch_warnings(), np.errstate(divide="ignore", invalid="ignore"):
        warnings.simplefilter("ignore")  # the standard error at a survival of 0 is not defined
        return SurvfuncRight(weeks, reached)


def _shares(name: str, curve: Any, level: float) -> pd.DataFrame:
    from scipy import stats

    kept, error = np.asarray(curve.surv_prob, dtype=float), np.asarray(curve.surv_prob_se, dtype=float)
    with np.errstate(divide="ignore", invalid="ignore"):
        half = float(stats.norm.ppf((1 + level) / 2)) * error / np.abs(kept * np.log(kept))
        low, high = kept ** np.exp(half), kept ** np.exp(-half)
    open_end = (kept <= 0) | (kept >= 1)
    return pd.DataFrame(
        {
            "protocol": name,
            "week": curve.surv_times,
            "at_risk": np.asarray(curve.n_risk).astype("int64"),
            "reached": np.asarray(curve.n_events).astype("int64"),
            "share": 1 - kept,
            "lower": np.where(open_end, np.nan, 1 - high),
            "upper": np.where(open_end, np.nan, 1 - low),
            "level": level,
            "method": KAPLAN_MEIER,
        }
    )


def _medians(followed: pd.DataFrame, curves: dict[str, Any], level: float) -> pd.DataFrame:
    rows = []
    for name, curve in curves.items():
        group = followed[followed["protocol"] == name]
        row = {"protocol": name, "n": len(group), "reached": int(group["reached"].sum())}
        row |= {"median_week": np.nan, "lower": np.nan, "upper": np.nan}
        if row["reached"]:
            with np.errstate(divide="ignore", invalid="ignore"):
                row["median_week"] = _finite(curve.quantile(0.5))
                row["lower"], row["upper"] = map(_finite, curve.quantile_ci(0.5, alpha=1 - level, method="cloglog"))
        rows.append({**row, "level": level})
    return pd.DataFrame(rows, columns=["protocol", "n", "reached", "median_week", "lower", "upper", "level"])


def _finite(value: float) -> float:
    return float(value) if np.isfinite(value) else float("nan")


def _log_rank(followed: pd.DataFrame) -> pd.DataFrame:
    columns = ["statistic", "df", "p_value"]
    groups = followed["protocol"].nunique()
    if groups < 2 or not followed["reached"].any():
        return pd.DataFrame(columns=columns)
    from statsmodels.duration.survfunc import survdiff

    statistic, p_value = survdiff(
        followed["week"].to_numpy(),
        followed["reached"].to_numpy(dtype=float),
        followed["protocol"].astype("str").to_numpy(),
    )
    return pd.DataFrame([(float(statistic), groups - 1, float(p_value))], columns=columns)


def _differences(curves: dict[str, Any], reference: str, level: float) -> pd.DataFrame:
    from scipy import stats

    z = float(stats.norm.ppf((1 + level) / 2))
    weeks = sorted({float(week) for curve in curves.values() for week in curve.surv_times})
    rows: list[dict[str, Any]] = []
    for name in curves:
        if name == reference or reference not in curves:
            continue
        for week in weeks:
            share, error = _reached_by(curves[name], week)
            base, base_error = _reached_by(curves[reference], week)
            both = float(np.hypot(error, base_error))
            gap = share - base
            row = {"protocol": name, "reference": reference, "week": week, "difference": gap, "std_error": both}
            row |= {"lower": gap - z * both, "upper": gap + z * both, "level": level}
            rows.append({**row, "method": "Kaplan-Meier, Greenwood"})
    columns = ["protocol", "reference", "week", "difference", "std_error", "lower", "upper", "level", "method"]
    return pd.DataFrame(rows, columns=columns)


def _reached_by(curve: Any, week: float) -> tuple[float, float]:
    """Share reached by a week and its error; missing past the last visit of the group."""
    if not len(curve.surv_times) or week > np.max(curve.time):
        return (0.0, 0.0) if week <= np.max(curve.time) else (float("nan"), float("nan"))
    place = int(np.searchsorted(curve.surv_times, week, side="right")) - 1
    if place < 0:
        return 0.0, 0.0
    return 1 - float(curve.surv_prob[place]), float(curve.surv_prob_se[place])

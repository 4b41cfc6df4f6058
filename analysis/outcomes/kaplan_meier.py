"""Shares by week of patients to whom something has happened, some followed for a shorter time: Kaplan and Meier."""

from __future__ import annotations

import warnings
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from numpy.typing import NDArray

KAPLAN_MEIER = "Kaplan-Meier, log-log limits"
_DIFFERENCE = "Kaplan-Meier, Greenwood"


def curves_by_protocol(patients: pd.DataFrame, week: str, happened: str) -> dict[str, Any]:
    """Estimate the curve of each protocol.

    Parameters
    ----------
    patients : pandas.DataFrame
        One row a patient: protocol, and the two columns named.
    week, happened : str
        Columns: the week at which it happened or the patient was last seen, and whether it happened.

    Returns
    -------
    dict of str to statsmodels SurvfuncRight
        By protocol, in the order of the data's categories.

    Notes
    -----
    Kaplan and Meier, J Am Stat Assoc 1958;53:457, by statsmodels.

    Examples
    --------
    >>> table = pd.DataFrame({"protocol": "usual", "week": [1.0, 2.0], "stopped": [True, False]})
    >>> curves_by_protocol(table, "week", "stopped")["usual"].surv_prob.tolist()
    [0.5]
    """
    return {
        str(name): _curve(rows[week].to_numpy(dtype=float), rows[happened].to_numpy(dtype=float))
        for name, rows in patients.groupby("protocol", observed=True)
    }


def shares_by_week(curves: dict[str, Any], counted: str, level: float) -> pd.DataFrame:
    """Give the share of patients to whom it has happened, at every week at which it happened to anybody.

    Returns
    -------
    pandas.DataFrame
        protocol, week, at_risk, the column named by ``counted`` (patients at this week), share (by then), lower, upper,
        level, method; log-log limits, missing at shares of 0 and 1.

    Examples
    --------
    >>> table = pd.DataFrame({"protocol": "usual", "week": [1.0, 2.0], "stopped": [True, False]})
    >>> shares_by_week(curves_by_protocol(table, "week", "stopped"), "stopped", 0.95)["share"].tolist()
    [0.5]
    """
    columns = ["protocol", "week", "at_risk", counted, "share", "lower", "upper", "level", "method"]
    tables = [_shares(name, curve, counted, level) for name, curve in curves.items()]
    return pd.concat(tables, ignore_index=True) if tables else pd.DataFrame(columns=columns)


def median_times(patients: pd.DataFrame, curves: dict[str, Any], happened: str, level: float) -> pd.DataFrame:
    """Give the week by which it had happened to half of the patients.

    Returns
    -------
    pandas.DataFrame
        protocol, n, the column named by ``happened`` (patients), median_week, lower, upper (missing where not reached),
        level.

    Examples
    --------
    >>> table = pd.DataFrame({"protocol": "usual", "week": [1.0, 2.0, 3.0], "stopped": True})
    >>> median_times(table, curves_by_protocol(table, "week", "stopped"), "stopped", 0.95)["median_week"].tolist()
    [2.0]
    """
    rows = []
    for name, curve in curves.items():
        group = patients[patients["protocol"] == name]
        row = {"protocol": name, "n": len(group), happened: int(group[happened].sum())}
        row |= {"median_week": np.nan, "lower": np.nan, "upper": np.nan}
        if row[happened]:
            with np.errstate(divide="ignore", invalid="ignore"):
                row["median_week"] = _finite(curve.quantile(0.5))
                row["lower"], row["upper"] = map(_finite, curve.quantile_ci(0.5, alpha=1 - level, method="cloglog"))
        rows.append({**row, "level": level})
    return pd.DataFrame(rows, columns=["protocol", "n", happened, "median_week", "lower", "upper", "level"])


def log_rank(patients: pd.DataFrame, week: str, happened: str) -> pd.DataFrame:
    """Test whether the protocols have one curve.

    Returns
    -------
    pandas.DataFrame
        One row: statistic, df, p_value; empty for one protocol, or where it happened to nobody.

    Examples
    --------
    >>> table = pd.DataFrame({"protocol": ["a", "b"] * 2, "week": [1.0, 2.0, 1.0, 2.0], "stopped": True})
    >>> log_rank(table, "week", "stopped")["df"].tolist()
    [1]
    """
    columns = ["statistic", "df", "p_value"]
    groups = patients["protocol"].nunique()
    if groups < 2 or not patients[happened].any():
        return pd.DataFrame(columns=columns)
    from statsmodels.duration.survfunc import survdiff

    statistic, p_value = survdiff(
        patients[week].to_numpy(dtype=float),
        patients[happened].to_numpy(dtype=float),
        patients["protocol"].astype("str").to_numpy(),
    )
    return pd.DataFrame([(float(statistic), groups - 1, float(p_value))], columns=columns)


def share_differences(curves: dict[str, Any], reference: str, level: float) -> pd.DataFrame:
    """Compare the shares of every protocol with the reference's, at every week at which it happened to anybody.

    Returns
    -------
    pandas.DataFrame
        protocol, reference, week, difference, std_error (Greenwood), lower, upper, level, method; missing past the last
        visit of a protocol.

    Examples
    --------
    >>> table = pd.DataFrame({"protocol": ["a", "a", "b", "b"], "week": [1.0, 2.0, 1.0, 2.0], "stopped": [1, 0, 0, 0]})
    >>> share_differences(curves_by_protocol(table, "week", "stopped"), "a", 0.95)["difference"].tolist()
    [-0.5]
    """
    from scipy import stats

    z = float(stats.norm.ppf((1 + level) / 2))
    weeks = sorted({float(week) for curve in curves.values() for week in curve.surv_times})
    rows: list[dict[str, Any]] = []
    for name in curves:
        if name == reference or reference not in curves:
            continue
        for week in weeks:
            share, error = _happened_by(curves[name], week)
            base, base_error = _happened_by(curves[reference], week)
            both = float(np.hypot(error, base_error))
            gap = share - base
            row = {"protocol": name, "reference": reference, "week": week, "difference": gap, "std_error": both}
            rows.append(row | {"lower": gap - z * both, "upper": gap + z * both, "level": level, "method": _DIFFERENCE})
    columns = ["protocol", "reference", "week", "difference", "std_error", "lower", "upper", "level", "method"]
    return pd.DataFrame(rows, columns=columns)


def _curve(weeks: NDArray[np.float64], happened: NDArray[np.float64]) -> Any:
    from statsmodels.duration.survfunc import SurvfuncRight

    with warnings.catch_warnings(), np.errstate(divide="ignore", invalid="ignore"):
        warnings.simplefilter("ignore")  # the standard error at a survival of 0 is not defined
        return SurvfuncRight(weeks, happened)


def _shares(name: str, curve: Any, counted: str, level: float) -> pd.DataFrame:
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
            counted: np.asarray(curve.n_events).astype("int64"),
            "share": 1 - kept,
            "lower": np.where(open_end, np.nan, 1 - high),
            "upper": np.where(open_end, np.nan, 1 - low),
            "level": level,
            "method": KAPLAN_MEIER,
        }
    )


def _finite(value: float) -> float:
    return float(value) if np.isfinite(value) else float("nan")


def _happened_by(curve: Any, week: float) -> tuple[float, float]:
    """Share by a week and its error; missing past the last visit of the group."""
    if not len(curve.surv_times) or week > np.max(curve.time):
        return (0.0, 0.0) if week <= np.max(curve.time) else (float("nan"), float("nan"))
    place = int(np.searchsorted(curve.surv_times, week, side="right")) - 1
    if place < 0:
        return 0.0, 0.0
    return 1 - float(curve.surv_prob[place]), float(curve.surv_prob_se[place])

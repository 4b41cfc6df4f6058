"""Shares by week of patients to whom something has happened, some followed for a shorter time: Kaplan and Meier."""

from __future__ import annotations

import warnings
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.statistics.combined_limits import COMBINED, difference_limits, share_limits

KAPLAN_MEIER = "Kaplan-Meier, log-log limits"
#: A share this near to one half is one half: a product of fractions is seldom exact (as in R's survival).
_TOLERANCE = float(np.sqrt(np.finfo(float).eps))


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

    Notes
    -----
    The week at which the curve falls to one half; where it stays at one half for a while, the middle of that stretch,
    which lasts to the end of follow-up where the curve falls no further. The limits are the weeks at which the limits
    of the curve (log-log) do so. As ``quantile.survfit`` of the R package survival, with its tolerance.

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
        low, high = _limits(curve, level)
        for column, line in (("median_week", curve.surv_prob), ("lower", low), ("upper", high)):
            row[column] = _falls_to_half(curve, np.asarray(line, dtype=float))
        rows.append({**row, "level": level})
    return pd.DataFrame(rows, columns=["protocol", "n", happened, "median_week", "lower", "upper", "level"])


def log_rank(patients: pd.DataFrame, week: str, happened: str) -> pd.DataFrame:
    """Test whether the protocols have one curve.

    Returns
    -------
    pandas.DataFrame
        One row: statistic, df, p_value; empty for one protocol, where it happened to nobody, and where it happened at once
        to everybody still followed.

    Notes
    -----
    Patients followed for a shorter time than it took to happen to anybody say nothing; a protocol that has only such
    patients is no part of the test and of its df, as in ``survdiff`` of the R package survival.

    Examples
    --------
    >>> table = pd.DataFrame({"protocol": ["a", "b"] * 2, "week": [1.0, 2.0, 1.0, 2.0], "stopped": True})
    >>> log_rank(table, "week", "stopped")["df"].tolist()
    [1]
    """
    columns = ["statistic", "df", "p_value"]
    came = patients[happened].astype(bool)
    first = patients.loc[came, week].min()
    followed = patients[patients[week] >= first]
    df = followed["protocol"].nunique() - 1
    if df < 1 or (came & (patients[week] == first)).sum() == len(followed):
        return pd.DataFrame(columns=columns)
    from scipy.special import chdtrc
    from statsmodels.duration.survfunc import survdiff

    statistic, _ = survdiff(
        followed[week].to_numpy(dtype=float),
        followed[happened].to_numpy(dtype=float),
        followed["protocol"].astype("str").to_numpy(),
    )
    return pd.DataFrame([(float(statistic), df, float(chdtrc(df, statistic)))], columns=columns)


def share_differences(curves: dict[str, Any], reference: str, level: float) -> pd.DataFrame:
    """Compare the shares of every protocol with the reference's, at every week at which it happened to anybody.

    Returns
    -------
    pandas.DataFrame
        protocol, reference, week, difference, std_error (Greenwood), lower, upper, level, method; missing past the last
        visit of a protocol.

    Notes
    -----
    Limits: score limits of both shares with the effective size that Greenwood's error stands for, combined
    (:mod:`analysis.statistics.combined_limits`). A share of 0 has the size of the patients still followed, a share of 1
    that of the week before; its error is not defined.

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
            found = [_happened_by(curves[one], week) for one in (name, reference)]
            (share, error, _), (base, base_error, _) = found
            own, others = (share_limits(one, size, quantile=z) for one, _, size in found)
            lower, upper = difference_limits(share, own, base, others)
            row = {"protocol": name, "reference": reference, "week": week, "difference": share - base}
            row |= {"std_error": float(np.hypot(error, base_error)), "lower": float(lower), "upper": float(upper)}
            rows.append(row | {"level": level, "method": COMBINED})
    columns = ["protocol", "reference", "week", "difference", "std_error", "lower", "upper", "level", "method"]
    return pd.DataFrame(rows, columns=columns)


def _curve(weeks: NDArray[np.float64], happened: NDArray[np.float64]) -> Any:
    from statsmodels.duration.survfunc import SurvfuncRight

    with warnings.catch_warnings(), np.errstate(divide="ignore", invalid="ignore"):
        warnings.simplefilter("ignore")  # the standard error at a survival of 0 is not defined
        return SurvfuncRight(weeks, happened)


def _shares(name: str, curve: Any, counted: str, level: float) -> pd.DataFrame:
    kept, (low, high) = np.asarray(curve.surv_prob, dtype=float), _limits(curve, level)
    return pd.DataFrame(
        {
            "protocol": name,
            "week": curve.surv_times,
            "at_risk": np.asarray(curve.n_risk).astype("int64"),
            counted: np.asarray(curve.n_events).astype("int64"),
            "share": 1 - kept,
            "lower": 1 - high,
            "upper": 1 - low,
            "level": level,
            "method": KAPLAN_MEIER,
        }
    )


def _limits(curve: Any, level: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Log-log limits of the share to whom it has not happened; missing at 0 and 1."""
    from scipy import stats

    kept, error = np.asarray(curve.surv_prob, dtype=float), np.asarray(curve.surv_prob_se, dtype=float)
    inside = np.where((kept > 0) & (kept < 1), kept, np.nan)
    half = float(stats.norm.ppf((1 + level) / 2)) * error / np.abs(inside * np.log(inside))
    return inside ** np.exp(half), inside ** np.exp(-half)


def _falls_to_half(curve: Any, kept: NDArray[np.float64]) -> float:
    """Week at which a falling line reaches one half, or the middle of its stretch there; missing where it does not."""
    weeks = np.asarray(curve.surv_times, dtype=float)
    reached, passed = weeks[kept <= 0.5 + _TOLERANCE], weeks[kept < 0.5 - _TOLERANCE]
    if not len(reached):
        return float("nan")
    if len(passed):
        return float(reached[0] + passed[0]) / 2
    return float(reached[0] + np.max(curve.time)) / 2 if np.isfinite(kept[-1]) else float("nan")


def _happened_by(curve: Any, week: float) -> tuple[float, float, float]:
    """Share by a week, its error and effective size; missing past the last visit of the group."""
    at_risk = float((np.asarray(curve.time) >= week).sum())
    if not at_risk:
        return (float("nan"),) * 3
    place = int(np.searchsorted(curve.surv_times, week, side="right")) - 1
    if place < 0:
        return 0.0, 0.0, at_risk
    kept, error = float(curve.surv_prob[place]), float(curve.surv_prob_se[place])
    if kept > 0:
        return 1 - kept, error, kept * (1 - kept) / error**2
    size = _happened_by(curve, float(curve.surv_times[place - 1]))[2] if place else float(curve.n_risk[place])
    return 1.0, float("nan"), size

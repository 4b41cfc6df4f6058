"""Control charts with a fixed baseline: individuals with moving ranges (XmR), shares (p), and rates (u)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
import pandas as pd

from analysis.errors import ModelError
from analysis.quarter.over_time.special_causes import RULE_SET, special_causes
from analysis.result import ResultWithNotes

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

ChartKind = Literal["XmR", "p", "u", "p'", "u'"]

#: Expected range of two normal values in standard deviations, and the factor of the limit of moving ranges
#: (NIST/SEMATECH e-Handbook 6.3.2.2 and its table of constants).
D2, D4 = 1.128, 3.267
#: With fewer points than this limits mean little and a run chart is drawn instead.
FEWEST_POINTS = 12
LIMITS = 3.0
#: Spread of the standardised baseline points above which limits of a p or u chart are called too narrow: about the
#: largest that chance gives with 12 points (design choice).
TOO_WIDE = 1.4


@dataclass(frozen=True, eq=False, repr=False)
class ControlChart(ResultWithNotes):
    """Points with centre line and control limits.

    Attributes
    ----------
    kind : {"XmR", "p", "u", "p'", "u'"}
        The chart; the last two are Laney's (:mod:`analysis.quarter.over_time.prime_charts`).
    table : pandas.DataFrame
        One row a period: period, numerator, denominator (missing for an XmR chart of plain values), value, centre,
        sigma, lower, upper (three standard deviations), moving_range, in_baseline, rules (names with commas between,
        empty for none). Missing points have no value.
    baseline : tuple of str
        Periods that centre line and limits come from; they stay fixed when periods are added.
    range_limit : float
        Upper limit of the moving ranges; NaN for charts of counts.
    spread : float
        Standard deviation of the baseline points in binomial or Poisson standard deviations; near 1 where the counts
        vary by chance alone. NaN for an XmR chart.
    sigma_z : float
        What the standard deviations of a p' or u' chart are multiplied by; 1 for the others.
    """

    kind: ChartKind
    table: pd.DataFrame
    baseline: tuple[str, ...]
    range_limit: float
    spread: float
    sigma_z: float = 1.0

    def _headline(self) -> str:
        return f"{self.kind} chart, baseline {self.baseline[0]} to {self.baseline[-1]}"


def xmr_chart(
    points: pd.DataFrame, *, baseline: Sequence[str] | None = None, line: tuple[float, float] | None = None
) -> ControlChart:
    """Draw up a chart of individual values; limits from the moving ranges of the baseline.

    Parameters
    ----------
    points : pandas.DataFrame
        period, value; numerator and denominator are kept where they are there. Missing values are left out.
    baseline : sequence of str, optional
        Periods of the baseline; by default all.
    line : tuple of float, optional
        Mean and mean moving range of the baseline as they were stored, in place of what it says now.

    Returns
    -------
    ControlChart
        Centre: mean of the baseline. Limits: 3 / 1.128 = 2.66 mean moving ranges on each side.

    Raises
    ------
    ModelError
        The baseline holds fewer than two values.

    Notes
    -----
    NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2.

    Examples
    --------
    >>> flow = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
    >>> points = pd.DataFrame({"period": [f"2026-{month:02d}" for month in range(1, 11)], "value": flow})
    >>> xmr_chart(points).table.loc[0, ["lower", "centre", "upper"]].astype(float).round(2).tolist()
    [45.82, 50.81, 55.8]
    """
    table = started(points)
    inside = _baseline(table, baseline)
    known = table.loc[inside & table["value"].notna(), "value"]
    if line is None and len(known) < 2:
        raise _too_few(len(known), 2)
    shown = table["value"].dropna()
    table["moving_range"] = shown.diff().abs().reindex(table.index)
    centre, mean_range = line or (float(known.mean()), float(known.diff().abs().mean()))
    return _finished(
        "XmR",
        table,
        inside,
        centre=np.full(len(table), centre),
        sigma=np.full(len(table), mean_range / D2),
        bounds=(-np.inf, np.inf),
        range_limit=D4 * mean_range,
        method="limits at 2.66 mean moving ranges (NIST/SEMATECH e-Handbook 6.3.2.2)",
    )


def p_chart(
    points: pd.DataFrame,
    *,
    baseline: Sequence[str] | None = None,
    baseline_total: tuple[float, float] | None = None,
) -> ControlChart:
    """Draw up a chart of shares; limits follow the denominator of each period.

    Parameters
    ----------
    points : pandas.DataFrame
        period, numerator, denominator. Periods with a missing count or an empty denominator have no point.
    baseline : sequence of str, optional
        Periods of the baseline; by default all.
    baseline_total : tuple of float, optional
        Numerator and denominator of the whole baseline, where some of its periods are hidden; by default their sums.

    Returns
    -------
    ControlChart
        Centre: the share over the baseline. Limits: three binomial standard deviations, within 0 and 1.

    Raises
    ------
    ModelError
        The baseline has no denominator, or a numerator is above its denominator.

    Notes
    -----
    NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.3.2.

    Examples
    --------
    >>> points = pd.DataFrame({"period": ["2026-Q1", "2026-Q2"], "numerator": [12, 15], "denominator": [50, 50]})
    >>> p_chart(points).table["value"].tolist()
    [0.24, 0.3]
    """
    table = _with_ratio(started(points))
    if (table["numerator"] > table["denominator"]).any():
        worst = table.loc[table["numerator"] > table["denominator"], "period"].tolist()
        raise ModelError(
            "A numerator is larger than its denominator.",
            where=f"periods {', '.join(worst[:5])}",
            what_to_do="A share counts some of the patients in the denominator; correct the counts.",
        )
    return _of_ratios(
        "p", table, baseline, baseline_total, "binomial standard deviations (NIST/SEMATECH e-Handbook 6.3.3.2)"
    )


def u_chart(
    points: pd.DataFrame,
    *,
    baseline: Sequence[str] | None = None,
    baseline_total: tuple[float, float] | None = None,
) -> ControlChart:
    """Draw up a chart of events per unit; limits follow the denominator of each period.

    Parameters
    ----------
    points : pandas.DataFrame
        period, numerator (events), denominator (units, for example patients).
    baseline, baseline_total
        As of :func:`p_chart`.

    Returns
    -------
    ControlChart
        Centre: events per unit over the baseline. Limits: three Poisson standard deviations, not below 0.

    Raises
    ------
    ModelError
        The baseline has no denominator.

    Notes
    -----
    NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.3.1 (counts of defects per unit).

    Examples
    --------
    >>> points = pd.DataFrame({"period": ["2026-Q1", "2026-Q2"], "numerator": [12, 18], "denominator": [100, 200]})
    >>> u_chart(points).table["centre"].tolist()
    [0.1, 0.1]
    """
    table, method = _with_ratio(started(points)), "Poisson standard deviations (NIST/SEMATECH e-Handbook 6.3.3.1)"
    return _of_ratios("u", table, baseline, baseline_total, method)


def standardised(table: pd.DataFrame) -> NDArray[np.float64]:
    """Give the points of the baseline in standard deviations from the centre line, in their order, without missing ones.

    Parameters
    ----------
    table : pandas.DataFrame
        As of :class:`ControlChart`.

    Returns
    -------
    ndarray

    Examples
    --------
    >>> points = pd.DataFrame({"period": ["2026-Q1", "2026-Q2"], "numerator": [40, 60], "denominator": [100, 100]})
    >>> standardised(p_chart(points).table).round(6).tolist()
    [-2.0, 2.0]
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        z = ((table["value"] - table["centre"]) / table["sigma"]).to_numpy(dtype=float)
    return np.asarray(z[table["in_baseline"].to_numpy(dtype=bool) & np.isfinite(z)], dtype=float)


def started(points: pd.DataFrame) -> pd.DataFrame:
    """Give period, numerator, denominator and value of the points, missing where they are not there."""
    table = pd.DataFrame({"period": points["period"].astype("str").to_numpy()})
    for name in ("numerator", "denominator", "value"):
        table[name] = points[name].to_numpy(dtype=float) if name in points else np.nan
    return table


def _with_ratio(table: pd.DataFrame) -> pd.DataFrame:
    denominator = table["denominator"].where(table["denominator"] > 0)
    return table.assign(value=table["numerator"] / denominator)


def _baseline(table: pd.DataFrame, baseline: Sequence[str] | None) -> NDArray[np.bool_]:
    if baseline is None:
        return np.ones(len(table), dtype=bool)
    unknown = [one for one in baseline if one not in set(table["period"])]
    if unknown or not len(baseline):
        raise ModelError(
            f"The baseline names a period that is not in the data: {unknown[0]}." if unknown else "No baseline.",
            where=f"periods there: {table['period'].min()} to {table['period'].max()}" if len(table) else "no periods",
            what_to_do="Name periods of the data.",
        )
    return table["period"].isin(list(baseline)).to_numpy(dtype=bool)


def _ratio(inside: pd.DataFrame, total: tuple[float, float] | None) -> float:
    known = inside.dropna(subset=["numerator", "denominator"])
    numerator, denominator = total or (float(known["numerator"].sum()), float(known["denominator"].sum()))
    if not denominator > 0:
        raise _too_few(0, 1)
    return numerator / denominator


def _of_ratios(
    kind: Literal["p", "u"],
    table: pd.DataFrame,
    baseline: Sequence[str] | None,
    total: tuple[float, float] | None,
    deviations: str,
) -> ControlChart:
    """Put limits around the ratio of the baseline: a share varies as p (1 - p) / n, a rate as u / n."""
    inside = _baseline(table, baseline)
    ratio = _ratio(table[inside], total)
    variance, highest = (ratio * (1 - ratio), 1.0) if kind == "p" else (ratio, np.inf)
    with np.errstate(divide="ignore", invalid="ignore"):
        sigma = np.sqrt(variance / table["denominator"].to_numpy(dtype=float))
    method = f"limits at three {deviations}"
    centre = np.full(len(table), ratio)
    return _finished(kind, table, inside, centre=centre, sigma=sigma, bounds=(0.0, highest), method=method)


def _too_few(there: int, needed: int) -> ModelError:
    return ModelError(
        f"The baseline holds {there} points; a control chart needs {needed} at least, and 12 to mean much.",
        where="baseline of the control chart",
        what_to_do="Choose a longer baseline, or draw a run chart.",
    )


def with_limits(table: pd.DataFrame, sigma: pd.Series, bounds: tuple[float, float]) -> pd.DataFrame:
    """Put limits at three standard deviations from the centre line, within the bounds, and name the rules met."""
    sigma = sigma.where(np.isfinite(sigma))
    lower, upper = ((table["centre"] + side * LIMITS * sigma).clip(*bounds) for side in (-1, 1))
    rules = [", ".join(one) for one in special_causes(table["value"], table["centre"], sigma)]
    return table.assign(sigma=sigma, lower=lower, upper=upper, rules=rules)


def _finished(
    kind: ChartKind,
    table: pd.DataFrame,
    inside: NDArray[np.bool_],
    *,
    centre: NDArray[np.float64],
    sigma: NDArray[np.float64],
    bounds: tuple[float, float],
    method: str,
    range_limit: float = float("nan"),
) -> ControlChart:
    table = table.assign(centre=centre, in_baseline=inside, moving_range=table.get("moving_range", np.nan))
    table = with_limits(table, pd.Series(sigma, index=table.index), bounds)
    z = standardised(table)
    spread = float(np.std(z, ddof=1)) if kind != "XmR" and len(z) > 1 else float("nan")
    notes = [f"{kind} chart, {method}. Rules: {RULE_SET}."]
    if spread > TOO_WIDE:
        notes.append(
            f"The points of the baseline vary {spread:.1f} times as much as chance alone would make them, so the limits "
            "are too narrow and signals come too often: look for what differs between periods before acting on one."
        )
    first, last = ["period", "numerator", "denominator", "value", "centre"], ["moving_range", "in_baseline", "rules"]
    periods = tuple(table.loc[inside, "period"])
    return ControlChart(
        kind, table[[*first, "sigma", "lower", "upper", *last]], periods, range_limit, spread, notes=tuple(notes)
    )

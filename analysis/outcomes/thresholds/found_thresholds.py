"""Thresholds of change found in data: from an anchor, and apart from that from the spread and error of the score."""

from collections.abc import Callable, Collection
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import ndtri

from analysis.cohort.tables import Cohort
from analysis.errors import ModelError
from analysis.outcomes.thresholds import anchor_methods as anchors
from analysis.outcomes.thresholds.anchor_methods import AnchorCounts, Floats
from analysis.outcomes.thresholds.anchor_quality import (
    baseline_slope,
    check_anchor,
    count_at_improvements,
    describe_anchor,
)
from analysis.outcomes.thresholds.anchored_changes import anchored_changes
from analysis.progress import in_portions
from analysis.result import ResultWithNotes
from analysis.statistics.proportions import check_level

MEAN_CHANGE = "mean change of the slightly better"
YOUDEN = "receiver operating characteristic, Youden"
CORNER = "receiver operating characteristic, closest corner"
PREDICTIVE = "predictive modelling"
ADJUSTED = "predictive modelling, adjusted for the share improved"
IMPROVED = "predictive modelling, adjusted for share and anchor reliability"
_CELLS_A_PORTION = 400_000


@dataclass(frozen=True, eq=False, repr=False)
class FoundThresholds(ResultWithNotes):
    """Thresholds found in one data set.

    Attributes
    ----------
    unit : str
        Unit of the improvements.
    anchor_based : pandas.DataFrame
        method, estimate, lower, upper, level, interval ("bootstrap percentile"), n, against_error ("below what one
        test can detect", "at or above ..." or missing where no detectable change was given).
    distribution_based : pandas.DataFrame
        method, estimate, n: sizes of spread and error, which say nothing about importance.
    anchor : pandas.DataFrame
        One row: n, improved, share_improved, correlation (Spearman, of the whole anchor), point_biserial, area
        (under the curve), area_lower, area_upper, with_baseline, with_follow_up (Spearman correlations of the anchor;
        missing without a baseline).
    baseline_dependence : pandas.DataFrame
        One row: slope (change of the predictive threshold a unit of baseline), lower, upper, level, n; empty without
        a baseline.
    """

    unit: str
    anchor_based: pd.DataFrame
    distribution_based: pd.DataFrame
    anchor: pd.DataFrame
    baseline_dependence: pd.DataFrame

    def _headline(self) -> str:
        return f"Thresholds of improvement, {self.unit}".rstrip(", ")


def find_thresholds(
    data: pd.DataFrame | Cohort,
    *,
    improved: Collection[Any],
    slightly_better: Collection[Any] = (),
    improvement: str = "improvement",
    anchor: str = "anchor",
    baseline: str = "baseline",
    measure: str | None = None,
    week: float | None = None,
    limb: str | None = None,
    unit: str = "",
    anchor_reliability: float | None = None,
    measurement_error: float | None = None,
    draws: int = 1000,
    seed: int = 1,
    level: float = 0.95,
    tell: Callable[[int, int], None] | None = None,
) -> FoundThresholds:
    """Find the improvement that patients hold important, by several methods side by side.

    Parameters
    ----------
    data : pandas.DataFrame or Cohort
        One row a patient; or a cohort, and the measure and week whose changes are taken, beside the anchor as
        :func:`analysis.outcomes.thresholds.anchored_changes.anchored_changes` finds it.
    improved : collection
        Values of the anchor that count as improved, for example ``[2, 3]``.
    slightly_better : collection
        Values of the anchor that mean slightly better, for the mean-change method; left out where empty.
    improvement, anchor, baseline : str
        Columns: improvement (positive is better, whichever direction the score has), the patients' own judgement of
        their change, and the baseline score in the same direction (may be missing from the data).
    measure, week, limb : optional
        Of a cohort: what was measured, and when it was judged.
    unit : str
        Unit of the improvement; of a cohort that of the measure.
    anchor_reliability : float, optional
        Reliability of the anchor, 0 to 1, for the last method.
    measurement_error : float, optional
        Standard error of measurement of the score, for the detectable change.
    draws, seed : int
        Bootstrap samples of patients, and the seed.
    level : float
        Confidence level.
    tell : callable, optional
        Told how many draws are done; without it progress is shown on a terminal after two seconds.

    Returns
    -------
    FoundThresholds
        Anchor-based and, apart from these, distribution-based thresholds.

    Raises
    ------
    ModelError
        The anchor has one class, runs the wrong way round, or a column is missing; or of a cohort the measure, week or anchor.

    Warns
    -----
    CohortWarning
        Anchor and improvement correlate below 0.3.

    Notes
    -----
    Mean change: Jaeschke, Controlled Clin Trials 1989;10:407. Receiver operating characteristic by Youden's index and
    by the point closest to the corner. Predictive modelling and its adjustments: Terluin 2015, 2017, 2022, as in
    :mod:`analysis.outcomes.thresholds.anchor_methods`. Error in the baseline makes any threshold by baseline look steeper than
    it is (Terluin 2021), so ``baseline_dependence`` is an upper bound.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> gain = rng.normal(10, 10, 200)
    >>> feels = np.clip(np.round((gain + rng.normal(0, 8, 200)) / 10), -2, 3)
    >>> data = pd.DataFrame({"improvement": gain, "anchor": feels})
    >>> found = find_thresholds(data, improved=[1, 2, 3], slightly_better=[1], draws=200)
    >>> found.anchor_based.set_index("method")["estimate"].round(1)["predictive modelling"].item()
    7.7
    """
    check_level(level)
    if isinstance(data, Cohort):
        if measure is None or week is None:
            raise ModelError(
                "Of a cohort the measure and the week must be named.",
                where=f"measure {measure!r}, week {week!r}",
                what_to_do='For example find_thresholds(cohort, measure="koos_pain", week=26, anchor=..., improved=[...]).',
            )
        unit = unit or data.measures[measure].unit
        data, improvement, baseline = (
            anchored_changes(data, measure, anchor, week=week, limb=limb),
            "improvement",
            "baseline",
        )
    table, dropped = _usable(data, improvement, anchor)
    marks = table[anchor].isin(list(improved)).to_numpy()
    described = describe_anchor(table, marks, improvement, anchor, baseline, level)
    notes = check_anchor(table, marks, described, improvement)
    if dropped:
        notes.append(f"{dropped} patients without an improvement or an anchor are left out.")
    gains = table[improvement].to_numpy(dtype=float)
    slight = table[anchor].isin(list(slightly_better)).to_numpy()
    points = _all_methods(count_at_improvements(gains, marks), anchor_reliability)
    points[MEAN_CHANGE] = np.array([gains[slight].mean() if slight.any() else np.nan])
    limits = _bootstrap(gains, marks, slight, anchor_reliability, draws, seed, level, tell)
    spread = _distribution_based(table, baseline, measurement_error)
    detectable = spread.set_index("method")["estimate"].get("minimal detectable change (95 %)", np.nan)
    found = _side_by_side(points, limits, len(table), level, float(detectable))
    if not slight.any():
        found = found[found["method"] != MEAN_CHANGE].reset_index(drop=True)
    if anchor_reliability is None:
        found = found[found["method"] != IMPROVED].reset_index(drop=True)
        notes.append("No reliability of the anchor was given, so the method that needs it is left out.")
    return FoundThresholds(
        unit=unit,
        anchor_based=found,
        distribution_based=spread,
        anchor=described,
        baseline_dependence=baseline_slope(table, marks, improvement, baseline, level),
        notes=tuple(notes),
    )


def _usable(data: pd.DataFrame, improvement: str, anchor: str) -> tuple[pd.DataFrame, int]:
    for name in (improvement, anchor):
        if name not in data:
            raise ModelError(
                f"The data lack the column {name!r}.",
                where=f"columns there: {', '.join(str(column) for column in data)}",
                what_to_do="Name the columns with improvement=, anchor= and baseline=.",
            )
    table = data.dropna(subset=[improvement, anchor]).reset_index(drop=True)
    return table, len(data) - len(table)


def _all_methods(
    counts: AnchorCounts, anchor_reliability: float | None, start: tuple[Floats, Floats] | None = None
) -> dict[str, Floats]:
    youden, corner = anchors.curve_cuts(counts)
    share = counts.share
    spread, correlation = anchors.spread_and_correlation(counts)
    predictive = anchors.predictive_threshold(*anchors.predictive_fit(counts, start), share)
    found = {
        MEAN_CHANGE: np.full(len(share), np.nan),
        YOUDEN: youden,
        CORNER: corner,
        PREDICTIVE: predictive,
        ADJUSTED: anchors.adjusted_threshold(predictive, share, spread, correlation),
        IMPROVED: np.full(len(share), np.nan),
    }
    if anchor_reliability is not None:
        _check_reliability(anchor_reliability)
        found[IMPROVED] = anchors.improved_adjusted_threshold(
            predictive, share, spread, correlation, anchor_reliability
        )
    return found


def _check_reliability(value: float) -> None:
    if not 0 < value <= 1:
        raise ModelError(
            f"The reliability {value:g} is not between 0 and 1.",
            what_to_do="Give the reliability of the anchor as a share, for example 0.7.",
        )


def _bootstrap(
    gains: Floats,
    marks: Any,
    slight: Any,
    anchor_reliability: float | None,
    draws: int,
    seed: int,
    level: float,
    tell: Callable[[int, int], None] | None,
) -> dict[str, tuple[float, float]]:
    """Percentile limits from samples of patients drawn with replacement; draws without an answer are left out."""
    rng = np.random.default_rng(seed)
    order = np.argsort(gains, kind="stable")
    gains, marks, slight = gains[order], marks[order], slight[order]
    distinct, first = np.unique(gains, return_index=True)
    start = anchors.predictive_fit(count_at_improvements(gains, marks))
    n = len(gains)
    parts: list[dict[str, Floats]] = []
    for begin, end in in_portions(draws, max(1, _CELLS_A_PORTION // n), "Bootstrap of thresholds", tell):
        times = np.empty((end - begin, n))
        for row in times:
            row[:] = np.bincount(rng.integers(0, n, n), minlength=n)
        improved = np.add.reduceat(times * marks, first, axis=1)
        counts = anchors.AnchorCounts(distinct, improved, np.add.reduceat(times, first, axis=1) - improved)
        found = _all_methods(counts, anchor_reliability, start)
        with np.errstate(invalid="ignore", divide="ignore"):
            found[MEAN_CHANGE] = times @ (gains * slight) / (times @ slight.astype(float))
        parts.append(found)
    tails = [(1 - level) / 2, (1 + level) / 2]
    limits = {}
    for name in parts[0] if parts else ():
        values = np.concatenate([part[name] for part in parts])
        values = values[np.isfinite(values)]
        low, high = np.quantile(values, tails) if len(values) >= draws / 2 else (np.nan, np.nan)
        limits[name] = (float(low), float(high))
    return limits


def _side_by_side(
    points: dict[str, Floats], limits: dict[str, tuple[float, float]], n: int, level: float, detectable: float
) -> pd.DataFrame:
    rows = []
    for name, value in points.items():
        estimate = float(value[0])
        if not np.isfinite(detectable) or not np.isfinite(estimate):
            verdict = None
        elif estimate < detectable:
            verdict = "below what one test can detect"
        else:
            verdict = "at or above what one test can detect"
        low, high = limits.get(name, (np.nan, np.nan))
        rows.append((name, estimate, low, high, level, "bootstrap percentile", n, verdict))
    columns = ["method", "estimate", "lower", "upper", "level", "interval", "n", "against_error"]
    return pd.DataFrame(rows, columns=columns)


def _distribution_based(table: pd.DataFrame, baseline: str, measurement_error: float | None) -> pd.DataFrame:
    rows: list[tuple[str, float, int]] = []
    if baseline in table and table[baseline].notna().sum() > 1:
        start = table[baseline].dropna()
        rows.append(("half a standard deviation of the baseline", float(start.std()) / 2, len(start)))
    if measurement_error is not None:
        rows.append(("standard error of measurement", measurement_error, len(table)))
        for share in (0.90, 0.95):
            change = float(ndtri((1 + share) / 2)) * 2**0.5 * measurement_error
            rows.append((f"minimal detectable change ({100 * share:.0f} %)", change, len(table)))
    return pd.DataFrame(rows, columns=["method", "estimate", "n"])

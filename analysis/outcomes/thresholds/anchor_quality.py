"""How good an anchor is: its classes, its direction, its correlation with change, baseline and follow-up."""

import warnings
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import ndtri

from analysis.errors import CohortWarning, ModelError
from analysis.outcomes.thresholds import anchor_methods as anchors
from analysis.outcomes.thresholds.anchor_methods import AnchorCounts, Floats

#: Correlation of anchor and change below which the anchor says too little (0.3 to 0.5 are in use; common practice).
WEAK_ANCHOR, GOOD_ANCHOR = 0.3, 0.5


def count_at_improvements(gains: Floats, marks: Any) -> AnchorCounts:
    """Count improved and other patients at each distinct improvement; ``marks`` says who improved by the anchor.

    Examples
    --------
    >>> count_at_improvements(np.array([1.0, 1.0, 4.0]), np.array([True, False, True])).improved.tolist()
    [[1.0, 1.0]]
    """
    distinct, place = np.unique(gains, return_inverse=True)
    improved = np.bincount(place, weights=marks.astype(float), minlength=len(distinct)).astype(float)[None, :]
    everyone = np.bincount(place, minlength=len(distinct)).astype(float)[None, :]
    return anchors.AnchorCounts(distinct, improved, everyone - improved)


def describe_anchor(
    table: pd.DataFrame, marks: Any, improvement: str, anchor: str, baseline: str, level: float
) -> pd.DataFrame:
    """Give the one-row table ``anchor`` of :class:`analysis.outcomes.thresholds.found_thresholds.FoundThresholds`.

    A sound anchor correlates with the baseline about as strongly, and the other way, as with the follow-up; one that
    goes with the follow-up alone reflects the present state, not the change.
    """
    gains = table[improvement].to_numpy(dtype=float)
    counts = count_at_improvements(gains, marks)
    area = float(anchors.area_under_curve(counts)[0])
    yes, no = int(marks.sum()), int((~marks).sum())
    half = float(ndtri((1 + level) / 2)) * _area_error(area, yes, no)
    row: dict[str, Any] = {
        "n": len(table),
        "improved": yes,
        "share_improved": yes / len(table) if len(table) else np.nan,
        "correlation": _spearman(table[anchor], gains),
        "point_biserial": float(anchors.spread_and_correlation(counts)[1][0]),
        "area": area,
        "area_lower": max(0.0, area - half),
        "area_upper": min(1.0, area + half),
        "with_baseline": np.nan,
        "with_follow_up": np.nan,
    }
    if baseline in table:
        start = table[baseline].to_numpy(dtype=float)
        row["with_baseline"] = _spearman(table[anchor], start)
        row["with_follow_up"] = _spearman(table[anchor], start + gains)
    return pd.DataFrame([row])


def _area_error(area: float, yes: int, no: int) -> float:
    """Give the standard error of the area under the curve, Hanley and McNeil, Radiology 1982;143:29."""
    if not yes or not no:
        return float("nan")
    q1, q2 = area / (2 - area), 2 * area**2 / (1 + area)
    variance = area * (1 - area) + (yes - 1) * (q1 - area**2) + (no - 1) * (q2 - area**2)
    return float(np.sqrt(max(variance, 0.0) / (yes * no)))


def _spearman(anchor: pd.Series, values: Floats) -> float:
    """Rank correlation; missing where the anchor cannot be ordered."""
    from scipy import stats

    if isinstance(anchor.dtype, pd.CategoricalDtype):
        if not anchor.cat.ordered:
            return float("nan")
        order = anchor.cat.codes.to_numpy(dtype=float)
    elif pd.api.types.is_numeric_dtype(anchor):
        order = anchor.to_numpy(dtype=float)
    else:
        return float("nan")
    known = np.isfinite(order) & np.isfinite(values)
    if known.sum() < 3 or np.ptp(order[known]) == 0 or np.ptp(values[known]) == 0:
        return float("nan")
    return float(stats.spearmanr(order[known], values[known]).statistic)


def check_anchor(table: pd.DataFrame, marks: Any, described: pd.DataFrame, improvement: str) -> list[str]:
    """Refuse an anchor that cannot serve, warn of a weak one; return the notes."""
    yes = int(marks.sum())
    if yes in (0, len(marks)):
        raise ModelError(
            f"The anchor has one class: {yes} of {len(marks)} patients count as improved.",
            what_to_do="Check which values of the anchor mean improved; without both classes there is no threshold.",
        )
    strength = float(described["point_biserial"].iloc[0])
    means = table[improvement].groupby(marks).mean()
    if strength <= -WEAK_ANCHOR:
        raise ModelError(
            "The anchor seems to be scored the wrong way round: patients who count as improved changed "
            f"{means[True]:.3g} on average, the others {means[False]:.3g} (correlation {strength:.2f}).",
            what_to_do="Check that improvement is positive when better, and which values of the anchor mean improved.",
        )
    whole = float(described["correlation"].iloc[0])
    best = max(strength, whole) if np.isfinite(whole) else strength
    if best < WEAK_ANCHOR:
        text = (
            f"Anchor and improvement correlate {best:.2f}, below the usual floor of {WEAK_ANCHOR} to {GOOD_ANCHOR}: "
            "thresholds from this anchor mean little."
        )
        warnings.warn(text, CohortWarning, stacklevel=4)
        return [text]
    if best < GOOD_ANCHOR:
        return [
            f"Anchor and improvement correlate {best:.2f}, between the floors in use, {WEAK_ANCHOR} and {GOOD_ANCHOR}."
        ]
    return []


def baseline_slope(table: pd.DataFrame, marks: Any, improvement: str, baseline: str, level: float) -> pd.DataFrame:
    """Slope of the predictive threshold on the baseline: logistic model with both, limits by the delta method."""
    columns = ["slope", "lower", "upper", "level", "n"]
    if baseline not in table:
        return pd.DataFrame(columns=columns)
    import statsmodels.api as sm

    known = table[baseline].notna().to_numpy()
    both = sm.add_constant(table.loc[known, [improvement, baseline]].to_numpy(dtype=float), has_constant="add")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            fit = sm.GLM(marks[known].astype(float), both, family=sm.families.Binomial()).fit()
        b, d = fit.params[1:]
        gradient = np.array([d / b**2, -1 / b])
        error = float(np.sqrt(gradient @ fit.cov_params()[1:, 1:] @ gradient))
        slope = float(-d / b)
    except (Warning, ArithmeticError, ValueError, np.linalg.LinAlgError):
        slope = error = float("nan")
    half = float(ndtri((1 + level) / 2)) * error
    return pd.DataFrame([(slope, slope - half, slope + half, level, int(known.sum()))], columns=columns)

"""Means and differences of protocols in a target, with errors, limits and E-values."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.cohort.schedule import moment
from analysis.counted import counted, form
from analysis.errors import ModelError
from analysis.outcomes.unrandomised.refusals import ERRORS_APART
from analysis.statistics.e_values import e_values_of_differences
from analysis.statistics.mean_interval import half_width
from analysis.statistics.multiplicity import adjusted_p_values
from analysis.statistics.weighting.leave_one_out import NotToldWithoutError
from analysis.statistics.weighting.tilted_means import TiltedMeans, Way

Floats = NDArray[np.float64]
ErrorsBy = Literal["jackknife", "sandwich"]

WAYS: dict[Way, str] = {
    "aipw": "weights and outcome model (AIPW)",
    "weights": "weights alone",
    "model": "outcome model alone, standardised over the target",
}
ERRORS: dict[ErrorsBy, str] = {"jackknife": "jackknife over patients, t", "sandwich": "sandwich over patients, t"}


def estimated_tables(
    tilted: TiltedMeans,
    names: Sequence[str],
    *,
    base: int,
    errors: ErrorsBy,
    level: float,
    spread: Floats,
    weeks: Sequence[float] | None = None,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Give the means of the protocols and their differences from one of them.

    Parameters
    ----------
    tilted : TiltedMeans
        The estimates.
    names : sequence of str
        Of the protocols.
    base : int
        The protocol compared with.
    errors : "jackknife" or "sandwich"
        Which errors limits are made of.
    level : float
        Confidence level.
    spread : ndarray, shape (weeks,)
        The standard deviation of the outcome within protocols, for E-values.
    weeks : sequence of float, or None
        Of the estimates; None where there is no week.

    Returns
    -------
    tuple of DataFrame
        Means: protocol, week (where there is one), estimate, std_error, df, lower, upper, level, method. Differences:
        protocol, reference, week, estimate, std_error, df, statistic, p_value, p_holm (adjusted over all rows), lower,
        upper, sandwich_error, e_value, e_value_limit, level, method.

    Raises
    ------
    ModelError
        Without some patient the estimate cannot be made.
    """
    sandwich = tilted.sandwich()
    chosen = _jackknife(tilted, names) if errors == "jackknife" else sandwich
    n, columns = tilted.scores.design.shape
    df = float(max(n - columns * len(names), 1))
    head: list[dict[str, object]] = [{} if weeks is None else {"week": week} for week in weeks or [np.nan]]
    method = f"{WAYS[tilted.way]}; {ERRORS[errors]}"
    count = len(names)
    rows, apart = [], []
    for group, name in enumerate(names):
        for at, said in enumerate(head):
            place = at * count + group
            error = np.sqrt(chosen[place, place])
            rows.append({"protocol": name, **said, "estimate": tilted.estimate[at, group], "std_error": error})
            if group == base:
                continue
            pair = [place, at * count + base]
            gap = tilted.estimate[at, group] - tilted.estimate[at, base]
            own, other = (_of_difference(matrix, pair) for matrix in (chosen, sandwich))
            apart.append(
                {"protocol": name, "reference": names[base], **said, "estimate": gap, "std_error": own,
                 "sandwich_error": other, "spread": spread[at]}
            )  # fmt: skip
    means, differences = _with_limits(pd.DataFrame(rows), df, level), _with_limits(pd.DataFrame(apart), df, level)
    differences = _with_tests(differences, df, level)
    order = [
        "protocol", "reference", *(["week"] if weeks is not None else []), "estimate", "std_error", "df", "statistic", "p_value",
        "p_holm", "lower", "upper", "sandwich_error", "e_value", "e_value_limit",
    ]  # fmt: skip
    return means.assign(level=level, method=method), differences[order].assign(level=level, method=method)


def spread_within(values: Floats, protocol: NDArray[np.intp]) -> float:
    """Give the standard deviation of values within protocols, the variances pooled.

    Examples
    --------
    >>> spread_within(np.array([1.0, 3.0, 11.0, 13.0]), np.array([0, 0, 1, 1])) ** 2
    2.0000000000000004
    """
    table = pd.Series(values).groupby(protocol)
    squares, left = (table.var(ddof=1) * (table.size() - 1)).sum(), len(values) - table.ngroups
    return float(np.sqrt(squares / left)) if left > 0 else float("nan")


def _of_difference(matrix: Floats, pair: list[int]) -> float:
    one, two = pair
    return float(np.sqrt(max(matrix[one, one] + matrix[two, two] - 2 * matrix[one, two], 0.0)))


def _with_limits(table: pd.DataFrame, df: float, level: float) -> pd.DataFrame:
    half = half_width(table["std_error"].to_numpy(), df, level=level)
    return table.assign(df=df, lower=table["estimate"] - half, upper=table["estimate"] + half)


def _with_tests(table: pd.DataFrame, df: float, level: float) -> pd.DataFrame:
    from scipy.special import stdtr

    statistic = table["estimate"] / table["std_error"]
    p_value = 2 * stdtr(df, -statistic.abs().to_numpy())
    strength = e_values_of_differences(
        table["estimate"] / table["spread"], table["std_error"] / table["spread"], level=level
    )
    holm = adjusted_p_values(np.asarray(p_value, dtype=np.float64), "holm")
    return table.assign(statistic=statistic, p_value=p_value, p_holm=holm).join(strength)


def _jackknife(tilted: TiltedMeans, names: Sequence[str]) -> Floats:
    try:
        found = tilted.jackknife()
    except NotToldWithoutError as error:
        alone = [names[tilted.scores.codes[place]] for place in error.places]
        said = ", ".join(f"{name} {alone.count(name)}" for name in names if name in alone)
        raise ModelError(
            f"The models hang on single patients: without {counted(len(alone), 'patient')} in turn a coefficient cannot be told, "
            "so no error can be given.",
            where=f"patients by protocol: {said}; {tilted.scores.design.shape[1] - 1} columns of covariates",
            what_to_do="Name fewer covariates, merge labels, leave out weeks with few visits, or ask for no interactions.",
        ) from error
    if not np.isfinite(found).all():
        raise ModelError(
            "Without some patient the weights of a protocol are none, so no error can be given.",
            where=f"{len(tilted.scores.codes)} patients",
            what_to_do='Use target="overlap", or name fewer covariates.',
        )
    return found


def errors_in_words(differences: pd.DataFrame) -> list[str]:
    """Say where the jackknife error is far above the sandwich error; nothing where it is not.

    Examples
    --------
    >>> errors_in_words(pd.DataFrame({"std_error": [2.0], "sandwich_error": [1.0], "protocol": ["b"]}))
    ['A few patients carry this result: the jackknife error is more than 1.3 times the sandwich error in 1 of 1 difference (b).']
    """
    far = differences[differences["std_error"] > ERRORS_APART * differences["sandwich_error"]]
    if not len(far):
        return []
    at = far["week"].map(lambda week: f" at {moment(float(week))}") if "week" in far else pd.Series("", index=far.index)
    named = ", ".join(dict.fromkeys(far["protocol"].astype("str") + at))
    return [
        (
            f"A few patients carry this result: the jackknife error is more than {ERRORS_APART:g} times the sandwich error in {len(far)} "
            f"of {len(differences)} {form(len(differences), 'difference')} ({named})."
        )
    ]

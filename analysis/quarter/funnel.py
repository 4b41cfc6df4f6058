"""Funnel plots: sites against exact limits about the whole, with over-dispersion checked; never a ranking."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
import pandas as pd
from scipy import stats

from analysis.counted import counted
from analysis.errors import ModelError
from analysis.result import ResultWithNotes

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

FunnelKind = Literal["share", "rate"]

#: Tails of the 95 % and the 99.8 % limits.
TAILS = {"95": 0.025, "998": 0.001}
#: Share of the standardised values at each end that is pulled in before their spread is taken.
WINSORISED = 0.1
_SUSPECT = 0.05
WITHIN, BEYOND_95, BEYOND_998 = "within the 95 % limits", "beyond the 95 % limits", "beyond the 99.8 % limits"


@dataclass(frozen=True, eq=False, repr=False)
class Funnel(ResultWithNotes):
    """Sites against limits.

    Attributes
    ----------
    kind : {"share", "rate"}
        Binomial or Poisson limits.
    target : float
        The whole: all sites together.
    table : pandas.DataFrame
        One row a site in the order given: site, numerator, denominator, value, lower_95, upper_95, lower_998,
        upper_998, region (exact limits), wide_lower_95, wide_upper_95, wide_lower_998, wide_upper_998, wide_region
        (limits widened for over-dispersion; the exact ones where there is none).
    limits : pandas.DataFrame
        The same limits over the range of denominators, for drawing: denominator and the columns of limits.
    dispersion : float
        Mean square of the standardised values, the ends pulled in; about 1 where sites differ by chance alone.
    p_value : float
        Of a test that the sites differ by chance alone.
    over_dispersed : bool
        Whether that test has a p-value under 0.05, so that the limits were widened.
    between_sites : float
        Standard deviation between sites that the widened limits allow for.
    """

    kind: FunnelKind
    target: float
    table: pd.DataFrame
    limits: pd.DataFrame
    dispersion: float
    p_value: float
    over_dispersed: bool
    between_sites: float

    def _headline(self) -> str:
        return f"Funnel of {len(self.table)} sites about {self.target:.3g}"


def funnel(sites: pd.DataFrame, kind: FunnelKind = "share", *, target: float | None = None) -> Funnel:
    """Set sites against exact limits about the whole.

    Parameters
    ----------
    sites : pandas.DataFrame
        site, numerator, denominator. Sites with a missing count or an empty denominator are left out.
    kind : {"share", "rate"}
        Shares have binomial limits, rates Poisson limits.
    target : float, optional
        Share or rate of the whole; by default that of the sites given.

    Returns
    -------
    Funnel
        Sites in the order given; limits; over-dispersion.

    Raises
    ------
    ModelError
        No site has a denominator, or the target is not a share.

    Notes
    -----
    Exact limits, interpolated between whole counts: Spiegelhalter, Stat Med 2005;24:1185, appendix A.1.1. The upper
    ones lie one count above the formula there, which calls a count beyond by the chance of a larger one: 9 of 9 at a
    target of 60 %, chance 1 in 100, would be beyond the 99.8 % limit. So both sides hold their probability. Widened
    limits: the additive random-effects variance of the same paper (A.3), from standardised values with 10 % at each
    end pulled in. With two sites or fewer over-dispersion is not judged.

    Examples
    --------
    >>> sites = pd.DataFrame({"site": ["a", "b"], "numerator": [14, 35], "denominator": [20, 50]})
    >>> funnel(sites, target=0.7).table[["lower_95", "upper_95"]].round(3).values.tolist()
    [[0.463, 0.919], [0.56, 0.834]]
    """
    table = sites.loc[sites["denominator"].gt(0) & sites["numerator"].notna(), ["site", "numerator", "denominator"]]
    table = table.reset_index(drop=True).astype({"numerator": float, "denominator": float})
    if table.empty:
        raise ModelError(
            "No site has a denominator that may be shown, so there is no funnel.",
            where="sites of the quarter",
            what_to_do="Compare sites over more quarters.",
        )
    whole = target if target is not None else float(table["numerator"].sum() / table["denominator"].sum())
    if not 0 <= whole <= (1 if kind == "share" else np.inf):
        raise ModelError(f"The target {whole:g} is not a {kind}.", what_to_do="Give a share from 0 to 1.")
    table["value"] = table["numerator"] / table["denominator"]
    denominator = table["denominator"].to_numpy()
    variance = _variance(whole, kind) / denominator
    z = np.divide(table["value"] - whole, np.sqrt(variance), out=np.zeros(len(table)), where=variance > 0)
    dispersion, p_value, between = _dispersion(z, variance)
    over = p_value < _SUSPECT and between > 0
    grid = pd.DataFrame({"denominator": _grid(denominator)})
    for frame in (table, grid):
        n = frame["denominator"].to_numpy()
        for name, tail in TAILS.items():
            frame[f"lower_{name}"] = exact_limit(tail, n, whole, kind)
            frame[f"upper_{name}"] = _upper_limit(tail, n, whole, kind)
        for name, tail in TAILS.items():
            away = stats.norm.isf(tail) * np.sqrt(_variance(whole, kind) / n + between**2)
            low, high = (whole - away, whole + away) if over else (frame[f"lower_{name}"], frame[f"upper_{name}"])
            frame[f"wide_lower_{name}"] = np.clip(low, 0.0, None)
            frame[f"wide_upper_{name}"] = np.clip(high, None, 1.0 if kind == "share" else None)
    table.insert(8, "region", _region(table, ""))
    table["wide_region"] = _region(table, "wide_")
    return Funnel(
        kind, whole, table, grid, dispersion, p_value, over, between if over else 0.0,
        notes=_notes(len(table), over, dispersion, p_value),
    )  # fmt: skip


def exact_limit(
    probability: float, denominator: ArrayLike, target: float, kind: FunnelKind = "share"
) -> NDArray[np.float64]:
    """Give the value below which a site of that size falls with a probability, interpolated between whole counts.

    Parameters
    ----------
    probability : float
        0.025 for the lower 95 % limit.
    denominator : array_like of float
        Sizes of sites; whole numbers for shares.
    target : float
        The whole.
    kind : {"share", "rate"}
        Binomial or Poisson.

    Returns
    -------
    numpy.ndarray
        Limits on the scale of the value, not below 0.

    Examples
    --------
    >>> exact_limit(0.025, [20, 400], 0.7).round(4).tolist()
    [0.4627, 0.6533]
    """
    n = np.asarray(denominator, dtype=float)
    law = stats.binom(n, target) if kind == "share" else stats.poisson(n * target)
    count = law.ppf(probability)
    reached, before = law.cdf(count), law.cdf(count - 1)
    step = reached - before
    part = np.divide(reached - probability, step, out=np.zeros_like(step), where=step > 0)
    return np.asarray(np.clip((count - part) / n, 0.0, None), dtype=float)


def _upper_limit(tail: float, denominator: NDArray[np.float64], target: float, kind: FunnelKind) -> NDArray[np.float64]:
    """Give the value that a site of that size reaches with a probability of the tail: the lower limit of the rest."""
    limit = exact_limit(1 - tail, denominator, target, kind) + 1 / denominator
    return np.clip(limit, None, 1.0 if kind == "share" else None)


def _variance(target: float, kind: FunnelKind) -> float:
    return target * (1 - target) if kind == "share" else target


def _dispersion(z: NDArray[np.float64], variance: NDArray[np.float64]) -> tuple[float, float, float]:
    n = len(z)
    if n < 3 or not (variance > 0).all():
        return float("nan"), 1.0, 0.0
    low, high = np.quantile(z, [WINSORISED, 1 - WINSORISED])
    pulled = float(np.mean(np.clip(z, low, high) ** 2))
    weight = 1 / variance
    room = weight.sum() - (weight**2).sum() / weight.sum()
    between = np.sqrt(max(0.0, (n * pulled - (n - 1)) / room))
    return pulled, float(stats.chi2.sf(np.sum(z**2), n - 1)), float(between)


def _grid(denominator: NDArray[np.float64]) -> NDArray[np.float64]:
    least, most = max(1.0, np.floor(denominator.min() * 0.8)), np.ceil(denominator.max() * 1.08) + 1
    return np.unique(np.round(np.geomspace(least, most, 60)))


def _region(table: pd.DataFrame, limits: str) -> pd.Series:
    def beyond(name: str) -> pd.Series:
        value = table["value"]
        return (value < table[f"{limits}lower_{name}"] - 1e-12) | (value > table[f"{limits}upper_{name}"] + 1e-12)

    found = np.select([beyond("998"), beyond("95")], [BEYOND_998, BEYOND_95], WITHIN)
    return pd.Series(found, index=table.index, dtype="str")


def _notes(n: int, over: bool, dispersion: float, p_value: float) -> tuple[str, ...]:
    notes = [
        (
            "Exact 95 % and 99.8 % limits about the whole (Spiegelhalter, Stat Med 2005;24:1185). By chance alone one site "
            "in 20 lies beyond the 95 % limits, one in 500 beyond the 99.8 % limits."
        )
    ]
    if n < 3:
        return (*notes, f"With {counted(n, 'site')} to show, over-dispersion cannot be judged.")
    if np.isnan(dispersion):
        return (*notes, "Where nobody or everybody is counted, over-dispersion cannot be judged.")
    found = (
        f"dispersion {dispersion:.2f}, test of chance alone p {'< 0.001' if p_value < 0.001 else f'= {p_value:.3f}'}"
    )
    if over:
        return (
            *notes,
            (
                f"Sites differ by more than chance ({found}): the limits were widened by the variance between sites, and "
                "sites are judged by the widened limits."
            ),
        )
    if p_value < _SUSPECT:
        spread, _, test = found.partition(", ")
        return (
            *notes,
            f"A few sites alone differ by more than chance ({test}). With the outermost pulled in ({spread}) the limits stay.",
        )
    return (*notes, f"No over-dispersion found ({found}).")

"""Funnel plots: sites against exact limits about the whole, with over-dispersion checked; never a ranking."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import stats

from analysis.counted import counted
from analysis.errors import ModelError
from analysis.result import ResultWithNotes
from analysis.statistics.dispersion import FEWEST_GROUPS, CountKind, Dispersion, dispersion
from analysis.statistics.two_counts import two_counts

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

#: Tails of the 95 % and the 99.8 % limits.
TAILS = {"95": 0.025, "998": 0.001}
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
        (limits widened for over-dispersion; the exact ones where there is none), p_value (of the site against all
        others, :func:`p_values`).
    limits : pandas.DataFrame
        The same limits over the range of denominators, for drawing: denominator and the columns of limits.
    dispersion : float
        Mean square of the standardised values, the ends pulled in, over what chance alone makes it; NaN where it cannot be
        judged.
    p_value : float
        Of chance alone making that dispersion or a larger one; 1 where it cannot be judged.
    over_dispersed : bool
        Whether that test has a p-value under 0.05, so that the limits were widened.
    between_sites : float
        Standard deviation between sites that the widened limits allow for.
    """

    kind: CountKind
    target: float
    table: pd.DataFrame
    limits: pd.DataFrame
    dispersion: float
    p_value: float
    over_dispersed: bool
    between_sites: float

    def _headline(self) -> str:
        return f"Funnel of {len(self.table)} sites about {self.target:.3g}"


def funnel(
    sites: pd.DataFrame, kind: CountKind = "share", *, target: float | None = None, among: float | None = None
) -> Funnel:
    """Set sites against exact limits about the whole.

    Parameters
    ----------
    sites : pandas.DataFrame
        site, numerator, denominator. Sites with a missing count or an empty denominator are left out.
    kind : {"share", "rate"}
        Shares have binomial limits, rates Poisson limits.
    target : float, optional
        Share or rate of the whole; by default that of the sites given.
    among : float, optional
        Denominator of the target, where it is that of these sites and of others; without it a target given is taken for one
        from outside. Spread is then judged about these sites' own whole: which of them are there may depend on their values.

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
    end pulled in, over what chance leaves of them (:mod:`analysis.statistics.dispersion`, where the paper takes 1); they take
    the place of the exact ones only where they are wider. With two sites or fewer over-dispersion is not judged.

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
    with_others = target is not None and among is not None and among > denominator.sum()
    centre = float(table["numerator"].sum() / denominator.sum()) if with_others else whole
    part = 1.0 if target is None or among is not None else 0.0
    found, between = _spread(table["value"].to_numpy(), denominator, centre, kind, part)
    over = found.p_value < _SUSPECT
    grid = pd.DataFrame({"denominator": _grid(denominator)})
    for frame in (table, grid):
        n = frame["denominator"].to_numpy()
        for name, tail in TAILS.items():
            frame[f"lower_{name}"] = exact_limit(tail, n, whole, kind)
            frame[f"upper_{name}"] = _upper_limit(tail, n, whole, kind)
        for name, tail in TAILS.items():
            away = stats.norm.isf(tail) * np.sqrt(_variance(whole, kind) / n + between**2)
            low, high = frame[f"lower_{name}"], frame[f"upper_{name}"]
            frame[f"wide_lower_{name}"] = np.clip(np.minimum(low, whole - away), 0.0, None) if over else low
            frame[f"wide_upper_{name}"] = (
                np.clip(np.maximum(high, whole + away), None, 1.0 if kind == "share" else None) if over else high
            )
    table.insert(8, "region", _region(table, ""))
    table["wide_region"] = _region(table, "wide_")
    of_all = among if target is not None else float(denominator.sum())
    table["p_value"] = p_values(table, whole, kind, of_all=of_all, over_dispersed=over)
    return Funnel(
        kind, whole, table, grid, found.ratio, found.p_value, over, between if over else 0.0,
        notes=_notes(len(table), over, found),
    )  # fmt: skip


def exact_limit(
    probability: float, denominator: ArrayLike, target: float, kind: CountKind = "share"
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


def _upper_limit(tail: float, denominator: NDArray[np.float64], target: float, kind: CountKind) -> NDArray[np.float64]:
    """Give the value that a site of that size reaches with a probability of the tail: the lower limit of the rest."""
    limit = exact_limit(1 - tail, denominator, target, kind) + 1 / denominator
    return np.clip(limit, None, 1.0 if kind == "share" else None)


def _variance(target: float, kind: CountKind) -> float:
    return target * (1 - target) if kind == "share" else target


def _spread(
    value: NDArray[np.float64], denominator: NDArray[np.float64], centre: float, kind: CountKind, part: float
) -> tuple[Dispersion, float]:
    """Give the dispersion about a centre, and the standard deviation between sites that it makes."""
    n = len(value)
    if n < FEWEST_GROUPS or not _variance(centre, kind) > 0:
        return Dispersion(float("nan"), 1.0), 0.0
    weight = denominator / _variance(centre, kind)
    found = dispersion((value - centre) * np.sqrt(weight), denominator, centre, kind, part=part)
    room = weight.sum() - (weight**2).sum() / weight.sum()
    return found, float(np.sqrt(max(0.0, (n - 1) * (found.ratio - 1) / room)))


def p_values(
    table: pd.DataFrame, whole: float, kind: CountKind, *, of_all: float | None, over_dispersed: bool
) -> NDArray[np.float64]:
    """Give the two-sided p value of each site against all others, of the whole without it; about a target from outside.

    Parameters
    ----------
    table : pandas.DataFrame
        numerator and denominator of the sites that are shown.
    whole : float
        Share or rate of the whole.
    kind : {"share", "rate"}
        Of the counts.
    of_all : float or None
        Denominator of the whole; None for a target from outside.
    over_dispersed : bool
        Whether the sites differ by more than chance. The spread is then taken from the other sites, so that one site that lies
        apart does not hide itself among few.

    Returns
    -------
    ndarray
        Exact (:func:`analysis.statistics.two_counts.two_counts`); where the others differ among themselves by more than chance
        the larger of it and of a normal law widened by their spread.

    Examples
    --------
    >>> sites = pd.DataFrame({"numerator": [60, 62, 30], "denominator": 100})
    >>> p_values(sites, 152 / 300, "share", of_all=300, over_dispersed=True).round(3).tolist()
    [0.03, 0.008, 0.0]
    """
    count, n = (table[name].to_numpy(dtype=float) for name in ("numerator", "denominator"))
    if of_all is None:
        law = stats.binom(n, whole) if kind == "share" else stats.poisson(n * whole)
        return np.asarray(np.minimum(1.0, 2 * np.minimum(law.cdf(count), law.sf(count - 1))), dtype=float)
    found = np.ones(len(n))
    for i in range(len(n)):
        rest = max(0.0, whole * of_all - count[i]), of_all - n[i]
        if not rest[1] > 0:
            continue
        found[i] = two_counts(kind, (count[i], n[i]), rest)
        others = np.arange(len(n)) != i
        if over_dispersed and others.sum() >= FEWEST_GROUPS:
            centre = float(count[others].sum() / n[others].sum())
            spread, between = _spread(count[others] / n[others], n[others], centre, kind, 1.0)
            if spread.p_value < _SUSPECT:
                variance = _variance(whole, kind) * (1 / n[i] + 1 / rest[1]) + between**2
                z = (count[i] / n[i] - rest[0] / rest[1]) / np.sqrt(variance)
                found[i] = max(found[i], 2 * float(stats.norm.sf(abs(z))))
    return found


def _grid(denominator: NDArray[np.float64]) -> NDArray[np.float64]:
    least, most = max(1.0, np.floor(denominator.min() * 0.8)), np.ceil(denominator.max() * 1.08) + 1
    return np.unique(np.round(np.geomspace(least, most, 60)))


def _region(table: pd.DataFrame, limits: str) -> pd.Series:
    def beyond(name: str) -> pd.Series:
        value = table["value"]
        return (value < table[f"{limits}lower_{name}"] - 1e-12) | (value > table[f"{limits}upper_{name}"] + 1e-12)

    found = np.select([beyond("998"), beyond("95")], [BEYOND_998, BEYOND_95], WITHIN)
    return pd.Series(found, index=table.index, dtype="str")


def _notes(n: int, over: bool, found: Dispersion) -> tuple[str, ...]:
    limits = (
        "Exact 95 % and 99.8 % limits about the whole (Spiegelhalter, Stat Med 2005;24:1185). By chance alone one site "
        "in 20 lies beyond the 95 % limits, one in 500 beyond the 99.8 % limits."
    )
    if n < FEWEST_GROUPS:
        return limits, f"With {counted(n, 'site')} to show, over-dispersion cannot be judged."
    if np.isnan(found.ratio):
        return limits, "Where nobody or everybody is counted, over-dispersion cannot be judged."
    p_value = "< 0.001" if found.p_value < 0.001 else f"= {found.p_value:.3f}"
    told = f"dispersion {found.ratio:.2f} where chance alone makes 1 on average, p {p_value}"
    if over:
        more = (
            f"Sites differ by more than chance ({told}): the limits were widened by the variance between sites, and "
            "sites are judged by the widened limits."
        )
        return limits, more
    return limits, f"No over-dispersion found ({told}), so the limits were not widened."

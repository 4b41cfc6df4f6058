"""Networks drawn at random, as counts by quarter and site, with a truth planted in each; and what a release of one says."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from analysis.quarter import Indicator, QuarterCounts, chart_of, release
from analysis.quarter.periods import every_period
from analysis.report.quarter.findings.doubts import doubts_words
from analysis.report.quarter.findings.other_sites_words import other_sites_words
from analysis.report.quarter.findings.rules import find
from analysis.report.quarter.findings.site_words import (
    case_mix_title,
    case_mix_words,
    funnel_title,
    funnel_words,
    site_words,
)
from analysis.report.quarter.findings.words import changed_words, item_words
from analysis.report.quarter.prepared.site_study import other_funnels, release_by_sites, site_case_mix, site_funnel

NAN = float("nan")
#: What a cohort gives: two outcomes and a mean, completeness of five measures, adherence, harms. Lowest and highest level.
FOLLOWED = {
    "improved": ("share", "outcome", "higher", 0.4, 0.75),
    "gain": ("mean", "outcome", "higher", 15.0, 25.0),
    "symmetry": ("share", "outcome", "higher", 0.25, 0.6),
    **{f"complete {k}": ("share", "process", "higher", 0.7, 0.95) for k in range(5)},
    "adherence": ("share", "balancing", "higher", 0.35, 0.8),
    "harms": ("rate", "balancing", "lower", 0.08, 0.25),
}
#: Standard deviation of the improvement of a patient.
SPREAD = 17.0
#: Values that are at hand of the patients of a quarter; where data are late fewer are of the last one.
SEEN, SEEN_LATE = 0.85, 0.5


@dataclass(frozen=True)
class Network:
    """Counts, the quarter from which something is planted on, and what is: an indicator, and a site (empty for all)."""

    counts: QuarterCounts
    begins: str
    indicator: str = ""
    site: str = ""


def draw(seed, truth="nothing", *, size=0.0, sites=None, indicators=None, quarters=None, volume=None):
    """Draw a network: 2 to 60 sites, 3 to 10 indicators, 15 to 24 quarters; the truth is planted in the last two.

    "shift" of the main outcome and "wave" of harms by ``size`` at all sites, "site" of the main outcome at the first site, "case
    mix": patients of the first site are expected to fare worse by it, and do; "late": fewer are seen of the last quarter.
    """
    rng = np.random.default_rng(seed)
    n_sites = sites or int(rng.choice([2, 3, 5, 8, 12, 20, 35, 60]))
    n_quarters = quarters or int(rng.integers(15, 25))
    periods = every_period(["2020-Q1", "2029-Q4"])[:n_quarters]
    others = rng.permutation(list(FOLLOWED)[1:-1])[: (indicators or int(rng.integers(3, 11))) - 2]
    names = [name for name in FOLLOWED if name in ("improved", "harms", *others)]
    each = (volume or rng.uniform(60, 400)) / n_sites * np.exp(rng.normal(0, 0.4, n_sites))
    started = rng.poisson(np.maximum(each, 4.0), (n_quarters, n_sites))
    share_seen = np.full((n_quarters, 1), SEEN)
    if truth == "late":
        share_seen[-1] = SEEN_LATE
    seen = rng.binomial(started, share_seen)
    counted, kinds, expected = {"started": started, "seen": seen, "not seen": started - seen}, [], None
    sums = [("started", ("seen", "not seen"))]
    late = np.arange(n_quarters)[:, None] >= n_quarters - 2
    first = np.arange(n_sites)[None, :] == 0
    for name in names:
        kind, role, better, low, high = FOLLOWED[name]
        level = np.full((n_quarters, n_sites), rng.uniform(low, high))
        usual = level.copy()
        if truth == "case mix" and name == "improved":
            level, usual = level - size * first, usual - size * first
        if (truth, name) in (("shift", "improved"), ("wave", "harms")):
            level = level + size * late
        if truth == "site" and name == "improved":
            level = np.maximum(level - size * (first & late), 0.02)
        among = "started" if name in ("adherence", "harms") or role == "process" else "seen"
        n = counted[among]
        if kind == "mean":
            counted[name] = rng.normal(n * level, SPREAD * np.sqrt(n))
        else:
            counted[name] = rng.poisson(n * level) if kind == "rate" else rng.binomial(n, level)
        if kind == "share":
            counted[f"not {name}"] = n - counted[name]
            sums.append((among, (name, f"not {name}")))
        if name == "improved":
            expected = n * usual
        kinds.append(Indicator(name, name.capitalize(), kind, role, better, name, among, name, f"patients {among}",
                               per=100.0 if kind == "rate" else 1.0, floor=0.8 if role == "process" else NAN))  # fmt: skip
    labels = [f"site {k:02d}" for k in range(n_sites)]
    keys = {"period": np.repeat(periods, n_sites), "site": np.tile(labels, n_quarters)}
    table = pd.concat(
        [pd.DataFrame({"quantity": name, **keys, "value": one.ravel().astype(float)}) for name, one in counted.items()]
    )
    given = pd.DataFrame({"indicator": "Improved", **keys, "numerator": counted["improved"].ravel() * 1.0,
                          "denominator": seen.ravel() * 1.0, "expected": expected.ravel()})  # fmt: skip
    counts = QuarterCounts(
        tuple(kinds), table.reset_index(drop=True), tuple(sums), frozenset({"gain"}),
        expected=given if rng.random() < 0.5 or truth == "case mix" else None,
    )  # fmt: skip
    where = {"shift": "improved", "wave": "harms", "site": "improved", "case mix": "improved"}.get(truth, "")
    return Network(counts, periods[-2], where, labels[0] if truth in ("site", "case mix") else "")


@dataclass(frozen=True)
class Told:
    """What was found of a release, what is said of it, its counts, and the indicators of which the rules of charts say a signal."""

    found: object
    sentences: list[str]
    released: object
    by_rules: list[str]


def told_of(network, quarter=None, *, small_counts="shown"):
    """Give what a report of a quarter says, without its pages."""
    counts = network.counts
    at = quarter or counts.periods[-1]
    periods = counts.periods[: counts.periods.index(at) + 1]
    compared = counts.indicators[0]
    options = {"baseline": periods[:12], "window": periods[-4:], "small_counts": small_counts}
    if small_counts == "shown":
        released = release(counts, at, **options)
    else:
        released = release_by_sites(counts, at, compared=compared, **options)
    charts = {one.name: chart_of(released, one, counts=counts) for one in released.indicators}
    funnel, _ = site_funnel(released, compared)
    adjusted, _ = site_case_mix(released, compared, None, counts, 0.95)
    others = other_funnels(released, compared)
    found = find(
        released, charts, compared=compared, funnel=funnel, case_mix=adjusted, span="the last year", of_patients=False,
        level=0.95, others=others,
    )  # fmt: skip
    sentences = [
        *changed_words(found), *site_words(found), *(other_sites_words(found) if others else []), *doubts_words(found),
        funnel_title(found), funnel_words(found), case_mix_title(found), case_mix_words(found),
        *(item_words(found, one) for one in found.followed),
    ]  # fmt: skip
    rules = [one.indicator.name for one in found.followed if one.change.look]
    return Told(found, [one for one in sentences if one], released, rules)


def has_signal(told):
    """Say whether a release says a signal of anything, the year before included."""
    found = told.found
    return bool(found.signals or found.site_signals or any(one.change.recent for one in found.followed))

"""Random sequences of releases, attacked: other windows, quarters and blocks, late data; and that the attack can succeed."""

from string import ascii_lowercase

import numpy as np
import pandas as pd
import pytest

from analysis.quarter import Indicator, QuarterCounts, release
from analysis.quarter.blocks import whole_blocks
from analysis.quarter.periods import every_period
from analysis.quarter.released_counts import as_release

from .attacker import Attacker

#: What is counted: each share of a total, and the rest of it; with several, one total is told apart in three ways.
ONE = (("seen", "better"),)
SEVERAL = (("seen", "better"), ("seen", "painless"), ("seen", "walking"), ("better", "much better"))


def sums_of(shares):
    return tuple((total, (part, f"not {part}")) for total, part in shares)


def names_of(shares):
    return ("seen", *(name for _, parts in sums_of(shares) for name in parts))


def told_apart(rng, seen, chances):
    """Draw the parts of patients seen: an array of quantities, in the order of the names, by periods and sites."""
    found = {"seen": seen}
    for (total, part), chance in chances.items():
        found[part] = rng.binomial(found[total], chance)
        found[f"not {part}"] = found[total] - found[part]
    return np.array([found[name] for name in names_of(chances)], dtype=float)


def network(rng, n_sites=None, shares=ONE):
    """Draw a few sites and quarters with counts about the size at which some are small."""
    periods = every_period(["2024-Q1", "2029-Q4"])[: rng.integers(4, 8)]
    sites = [f"site {one}" for one in ascii_lowercase[: n_sites or rng.integers(2, 6)]]
    size = rng.integers(3, 30, len(sites))
    seen = rng.poisson(np.broadcast_to(size, (len(periods), len(sites))))
    return periods, sites, told_apart(rng, seen, {share: rng.uniform(0.1, 0.9) for share in shares})


def late(rng, state, shares=ONE):
    """Add patients who were seen late, most of them in the last two quarters."""
    n = state.shape[1]
    more = rng.poisson(np.where(np.arange(n) >= n - 2, 2.0, 0.1)[:, None], state.shape[1:])
    return state + told_apart(rng, more, dict.fromkeys(shares, 0.5))


def counts_of(periods, sites, state, as_of, shares=ONE):
    rows = [
        (name, p, s, state[i, j, k])
        for i, name in enumerate(names_of(shares))
        for j, p in enumerate(periods)
        for k, s in enumerate(sites)
    ]
    table = pd.DataFrame(rows, columns=["quantity", "period", "site", "value"])
    indicators = tuple(
        Indicator(part, part, "share", "outcome", "higher", part, total, part, total) for total, part in shares
    )
    return QuarterCounts(indicators, table, sums_of(shares), as_of=as_of)


def sequence(seed, *, checked=True, n_releases=3, n_sites=None, shares=ONE):
    """Make three releases of a network; give the attacker who has read them, and the places to attack."""
    rng, of_blocks = np.random.default_rng(seed), np.random.default_rng([seed, 1])
    periods, sites, state = network(rng, n_sites, shares)
    states, of_state, releases = [state], [], []
    for step in range(n_releases):
        if step and rng.random() < 0.6:
            states.append(late(rng, states[-1], shares))
        counts = counts_of(periods, sites, states[-1], f"2030-0{len(states)}-01", shares)
        last = int(rng.integers(1, len(periods))) if rng.random() < 0.3 else len(periods) - 1
        window = periods[max(0, last + 1 - int(rng.integers(1, 5))) : last + 1]
        baseline = periods[: max(1, int(rng.integers(1, len(periods))))]
        made = release(
            counts, periods[last], baseline=[one for one in baseline if one <= periods[last]], window=window,
            earlier=releases if checked else (), blocks=whole_blocks(periods[: last + 1], int(of_blocks.integers(1, 4))),
        )  # fmt: skip
        releases.append(as_release(made))
        of_state.append(len(states) - 1)
    names = names_of(shares)
    attacker = Attacker(names, periods, sites, states, sums_of(shares))
    for number, entry in zip(of_state, releases, strict=True):
        attacker.read(number, entry)
    places = {(name, places, site) for one in releases for places, site in [*one.shown, *one.hidden] for name in names}
    places |= {(name, (p,), site) for name in names for p in periods for site in sites}
    return attacker, sorted(places), releases


def attacked(seeds, **how):
    told, n, beside = [], 0, 0
    for seed in seeds:
        attacker, places, releases = sequence(seed, **how)
        found, small = attacker.told(places)
        told += [(seed, *one) for one in found]
        n += small
        beside += sum(site != "" and where != one.window for one in releases for where, site in one.shown)
    assert beside > 0  # blocks beside the window are among what the attacker reads
    return told, n


def test_without_the_ledger_the_attack_succeeds():
    """Other windows, or late data, give small counts by subtraction."""
    told = []
    for seed in range(4):
        attacker, places, _ = sequence(seed, checked=False)
        told.append(len(attacker.told(places)[0]))
    assert sum(one > 0 for one in told) >= 2


def test_nothing_is_told_by_three_releases():
    told, n = attacked(range(5))
    assert n > 100
    assert told == []


@pytest.mark.slow
@pytest.mark.parametrize("first", range(100, 600, 100))
def test_nothing_is_told_by_three_releases_of_five_hundred_sequences(first):
    told, n = attacked(range(first, first + 100))
    assert n > 10_000
    assert told == []


@pytest.mark.slow
def test_nothing_is_told_of_many_sites():
    told, n = attacked(range(700, 702), n_sites=22)
    assert n > 400
    assert told == []


@pytest.mark.slow
def test_nothing_is_told_by_four_releases():
    told, n = attacked(range(2060, 2090), n_releases=4)
    assert n > 4_000
    assert told == []


@pytest.mark.slow
@pytest.mark.parametrize("first", [4000, 4060])
def test_nothing_is_told_where_one_total_is_told_apart_in_several_ways(first):
    told, n = attacked(range(first, first + 60), shares=SEVERAL)
    assert n > 20_000
    assert told == []


@pytest.mark.slow
def test_nothing_is_told_of_several_sums_by_four_releases():
    told, n = attacked(range(4200, 4220), shares=SEVERAL, n_releases=4)
    assert n > 10_000
    assert told == []

"""What is released of whole reports, attacked by a solver that knows everything shown."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linprog

from analysis.quarter.counts import Indicator, QuarterCounts
from analysis.quarter.release import release
from analysis.quarter.released_counts import BASELINE, WINDOW, site_slice
from analysis.statistics.small_counts import CellSystem

from ..statistics.attack import attack, protected

QUARTERS = [f"{year}-Q{q}" for year in (2024, 2025) for q in (1, 2, 3, 4)]
SHARE = Indicator("better", "Better", "share", "outcome", "higher", "better", "seen", "better", "seen")
FOLLOWED = Indicator("followed", "Followed", "share", "process", "higher", "seen", "due", "seen", "due", floor=0.8)
MEAN = Indicator("gain", "Gain", "mean", "outcome", "higher", "gain", "seen", "gain", "seen", unit="points")
SUMS = (("seen", ("better", "not better")), ("due", ("seen", "not seen")))


def made_counts(seed, n_sites, size):
    rng = np.random.default_rng(seed)
    rows = []
    for period in QUARTERS:
        for site in range(n_sites):
            due = int(rng.poisson(size))
            seen = int(rng.binomial(due, 0.9))
            better = int(rng.binomial(seen, 0.6))
            counted = {"due": due, "seen": seen, "not seen": due - seen, "better": better, "not better": seen - better}
            counted["gain"] = float(rng.normal(10, 3) * seen)
            rows += [(name, period, f"site {site:02d}", value) for name, value in counted.items()]
    table = pd.DataFrame(rows, columns=["quantity", "period", "site", "value"])
    return QuarterCounts((SHARE, FOLLOWED, MEAN), table, SUMS, frozenset({"gain"}))


def released(counts, **more):
    return release(counts, "2025-Q4", baseline=QUARTERS[:4], window=QUARTERS[-2:], **more)


def attacker(counts, shown):
    """Set up what a reader of the release knows, written out anew: every sum between the numbers of the report."""
    names = ["due", "seen", "not seen", "better", "not better"]
    slices = [*QUARTERS, BASELINE, WINDOW, *map(site_slice, counts.sites)]
    place = {(name, where): i for i, (name, where) in enumerate((n, s) for n in names for s in slices)}
    matrix = {name: counts.matrix(name) for name in names}

    def true(name, where):
        found = matrix[name]
        if where == BASELINE:
            return found.loc[QUARTERS[:4]].to_numpy().sum()
        if where == WINDOW:
            return found.loc[QUARTERS[-2:]].to_numpy().sum()
        return (
            found.loc[where].sum()
            if where in found.index
            else found.loc[QUARTERS[-2:], where.removeprefix("site: ")].sum()
        )

    sums = []
    for name in names:
        sums.append((place[name, BASELINE], [place[name, q] for q in QUARTERS[:4]]))
        sums.append((place[name, WINDOW], [place[name, q] for q in QUARTERS[-2:]]))
        sums.append((place[name, WINDOW], [place[name, site_slice(one)] for one in counts.sites]))
    for total, parts in SUMS:
        sums += [(place[total, where], [place[part, where] for part in parts]) for where in slices]
    cells = CellSystem.of([true(*key) for key in place], sums)
    hidden = np.array(
        [name in ("not seen", "not better") or np.isnan(shown.value(name, where)) for name, where in place]
    )
    for (name, where), i in place.items():
        if not hidden[i]:
            assert shown.value(name, where) == cells.values[i]
    return cells, hidden


@pytest.mark.parametrize(("seed", "n_sites", "size"), [(1, 4, 40), (2, 6, 15), (3, 1, 25), (5, 2, 3)])
def test_solver_recovers_nothing_from_a_release(seed, n_sites, size):
    counts = made_counts(seed, n_sites, size)
    cells, hidden = attacker(counts, released(counts))
    assert cells.small.any()
    for position in np.flatnonzero(cells.small):
        low, high = attack(cells, hidden, position)
        assert low <= 1 + 1e-6
        assert high >= 11 - 1e-6


@pytest.mark.slow
@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10_000), st.integers(1, 5), st.integers(2, 60))
def test_solver_recovers_nothing_from_random_releases(seed, n_sites, size):
    counts = made_counts(seed, n_sites, size)
    cells, hidden = attacker(counts, released(counts))
    assert protected(cells, hidden, whole_numbers=True)


def test_what_is_said_of_a_floor_gives_nothing_away():
    """A sentence "at least 80 %" is an inequality: the solver is given it too."""
    counts = made_counts(1, 4, 40)
    shown = released(counts)
    assert shown.is_hidden("seen", "2025-Q4") or shown.is_hidden("due", "2025-Q4") or shown.floors
    cells, hidden = attacker(counts, shown)
    names = ["due", "seen", "not seen", "better", "not better"]
    slices = [*QUARTERS, BASELINE, WINDOW, *map(site_slice, counts.sites)]
    due, seen = (names.index(name) * len(slices) + slices.index("2025-Q4") for name in ("due", "seen"))
    sign = 1.0 if shown.floors["followed"] else -1.0
    row = np.zeros((1, len(hidden)))
    row[0, [due, seen]] = sign * 0.8, -sign
    unknown = np.flatnonzero(hidden)
    matrix = cells.equations.toarray()
    for position in np.flatnonzero(cells.small):
        bounds = []
        for way in (1, -1):
            found = linprog(
                way * (unknown == position).astype(float), A_eq=matrix[:, unknown],
                b_eq=-matrix[:, ~hidden] @ cells.values[~hidden], A_ub=row[:, unknown],
                b_ub=-row[:, ~hidden] @ cells.values[~hidden], bounds=(0, None),
            )  # fmt: skip
            bounds.append(way * found.fun if found.status == 0 else np.inf)
        assert bounds[0] <= 1 + 1e-6
        assert bounds[1] >= 11 - 1e-6


def test_a_mean_is_hidden_with_its_patients():
    counts = made_counts(4, 12, 5)
    shown = released(counts)
    table = shown.by_site(MEAN)
    assert table["hidden"].any()
    assert table.loc[table["hidden"], ["numerator", "value"]].isna().all(axis=None)


def test_shown_to_the_team_nothing_is_hidden():
    counts = made_counts(4, 12, 5)
    shown = released(counts, small_counts="shown")
    assert not shown.table["hidden"].any()
    assert shown.by_site(SHARE)["value"].notna().any()


def test_large_counts_are_all_shown():
    shown = released(made_counts(1, 3, 400))
    assert not shown.table.loc[shown.table["quantity"].isin(["due", "seen", "better"]), "hidden"].any()


@pytest.mark.slow
def test_sixty_sites_by_month_are_dealt_with_and_attacked():
    rng = np.random.default_rng(8)
    rows = []
    for month in range(24):
        for site in range(60):
            due = int(rng.poisson(2))
            seen = int(rng.binomial(due, 0.85))
            better = int(rng.binomial(seen, 0.6))
            counted = {"due": due, "seen": seen, "not seen": due - seen, "better": better, "not better": seen - better}
            period = f"{2024 + month // 12}-{month % 12 + 1:02d}"
            rows += [(name, period, f"site {site:02d}", value) for name, value in counted.items()]
    table = pd.DataFrame(rows, columns=["quantity", "period", "site", "value"])
    counts = QuarterCounts((SHARE, FOLLOWED), table, SUMS)
    shown = release(counts, "2025-Q4", baseline=counts.periods[:12], window=counts.periods[-12:])
    by_site = shown.by_site(SHARE)
    assert by_site["hidden"].sum() > 40
    assert not shown.is_hidden("seen", WINDOW)
    # The solver on a row of the report: sites over the window, with their total.
    cells = CellSystem.of([*counts.matrix("better").loc[counts.periods[-12:]].sum(), 0.0][:60], [])
    hidden = by_site["numerator"].isna().to_numpy()
    assert not (cells.small & ~hidden).any()

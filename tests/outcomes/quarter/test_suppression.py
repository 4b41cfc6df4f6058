"""Hidden counts attacked by a solver that knows everything shown, and what is released of whole reports."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linprog

from analysis.errors import ModelError
from analysis.quarter.counts import Indicator, QuarterCounts
from analysis.quarter.release import BASELINE, WINDOW, release, site_slice
from analysis.statistics.small_counts import CellSystem, hide_small_cells, reader_bounds


def attack(cells, hidden, position):
    """Bound a hidden cell by linear programs of its own: an independent way, with dense matrices."""
    unknown = np.flatnonzero(hidden)
    matrix = cells.equations.toarray()
    right = -matrix[:, ~hidden] @ cells.values[~hidden]
    aim = (unknown == position).astype(float)
    found = [linprog(sign * aim, A_eq=matrix[:, unknown], b_eq=right, bounds=(0, None)) for sign in (1, -1)]
    assert found[0].status == 0
    return found[0].fun, -found[1].fun if found[1].status == 0 else np.inf


def protected(cells, hidden, *, whole_numbers=False):
    """Return whether no count from 1 to 10 is shown and each hidden one could be anything from 1 to 11."""
    if (cells.small & ~hidden).any():
        return False
    bounds = [reader_bounds(cells, hidden, i, whole_numbers=whole_numbers) for i in np.flatnonzero(cells.small)]
    return all(low <= 1 + 1e-6 and high >= 11 - 1e-6 for low, high in bounds)


def table_system(table):
    """Make the system of a two-way table with both margins and the total."""
    rows, columns = table.shape
    values = np.vstack([np.hstack([table, table.sum(1, keepdims=True)]), np.hstack([table.sum(0), table.sum()])])
    place = np.arange(values.size).reshape(values.shape)
    sums = [(place[i, columns], place[i, :columns]) for i in range(rows + 1)]
    sums += [(place[rows, j], place[:rows, j]) for j in range(columns + 1)]
    return CellSystem.of(values.ravel(), sums)


def test_row_of_the_cms_policy():
    # CMS cell policy, worked row: 4, 25, 31 and their total 60; hiding 4 alone gives it away.
    cells = CellSystem.of([4, 25, 31, 60], [(3, (0, 1, 2))])
    alone = np.array([True, False, False, False])
    assert attack(cells, alone, 0) == pytest.approx((4, 4))
    hidden = hide_small_cells(cells)
    assert hidden.tolist() == [True, True, False, False]
    low, high = attack(cells, hidden, 0)
    assert low == pytest.approx(0)
    assert high == pytest.approx(29)


def test_zero_and_eleven_may_be_shown():
    cells = CellSystem.of([0, 11, 40, 51], [(3, (0, 1, 2))])
    assert not hide_small_cells(cells).any()


def test_two_small_cells_that_add_up_to_little_do_not_protect_each_other():
    # 2 + 3: with both hidden and the total shown a reader knows that they are 5 together, which is small itself.
    cells = CellSystem.of([2, 3, 40, 45], [(3, (0, 1, 2))])
    naive = np.array([True, True, False, False])
    assert attack(cells, naive, 0) == pytest.approx((0, 5))
    hidden = hide_small_cells(cells)
    assert protected(cells, hidden)
    assert hidden.sum() == 3


def test_a_known_system_that_one_secondary_cell_does_not_protect():
    # One small cell in a two-way table needs three others: the corners of a rectangle.
    cells = table_system(np.array([[5, 30, 40], [35, 50, 60], [45, 55, 65]]))
    hidden = hide_small_cells(cells)
    assert protected(cells, hidden, whole_numbers=True)
    assert hidden.sum() == 4


@settings(max_examples=12, deadline=None)
@given(st.integers(2, 5), st.integers(2, 5), st.integers(0, 10_000), st.sampled_from([8, 15, 40]))
def test_solver_recovers_nothing_from_random_tables(rows, columns, seed, size):
    table = np.random.default_rng(seed).poisson(size, (rows, columns)) * np.random.default_rng(seed + 1).integers(
        0, 3, (rows, columns)
    )
    cells = table_system(table)
    hidden = hide_small_cells(cells)
    assert not (cells.small & ~hidden).any()
    for position in np.flatnonzero(cells.small):
        low, high = attack(cells, hidden, position)
        assert low <= 1 + 1e-6
        assert high >= 11 - 1e-6
    assert protected(cells, hidden, whole_numbers=True)


def test_a_wrong_sum_or_a_negative_count_is_refused():
    with pytest.raises(ModelError, match="A total is not the sum of its parts"):
        CellSystem.of([1, 2, 4], [(2, (0, 1))])
    with pytest.raises(ModelError, match="A count is negative"):
        CellSystem.of([-1, 2, 1], [(2, (0, 1))])


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

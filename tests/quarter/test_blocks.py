"""Blocks of quarters: where they are cut, what is hidden of them, and that they stay as they were released."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.quarter import Indicator, QuarterCounts, release
from analysis.quarter.blocks import block_slice, whole_blocks
from analysis.quarter.periods import every_period, quarter_of
from analysis.quarter.released_counts import WINDOW, as_release, site_slice

ONE = Indicator("better", "Better", "share", "outcome", "higher", "better", "seen", "better", "seen")
SUMS = (("seen", ("better", "others")),)
PERIODS = every_period(["2023-Q1", "2026-Q4"])
YEAR = {year: tuple(one for one in PERIODS if one.startswith(str(year))) for year in range(2023, 2027)}


def counts_of(*, until="2025-Q4", more=0, at="2023-Q2", sites=("north", "south"), each=20, few=None):
    """Half of ``each`` patients of a site and quarter are better; ``more`` patients of the first site came late in a quarter."""
    rows = []
    for period in PERIODS[: PERIODS.index(until) + 1]:
        for site in sites:
            n = (few or {}).get(site, each) + (more if (period, site) == (at, sites[0]) else 0)
            rows += [("seen", period, site, n), ("better", period, site, n // 2), ("others", period, site, n - n // 2)]
    table = pd.DataFrame(rows, columns=["quantity", "period", "site", "value"])
    return QuarterCounts((ONE,), table, SUMS)


def made(counts, earlier=(), window=None):
    periods = counts.periods
    return release(
        counts, periods[-1], baseline=periods[:8], window=window or periods[-4:], blocks=whole_blocks(periods, 4),
        earlier=earlier,
    )  # fmt: skip


@given(st.integers(8000, 8200), st.integers(1, 40), st.integers(1, 9), st.integers(0, 30), st.integers(0, 30))
def test_no_block_moves_when_quarters_are_added(first, n, size, before, after):
    """Whatever is added before or after: the blocks of the shorter data are among those of the longer."""
    name = [f"{one // 4}-Q{one % 4 + 1}" for one in range(first - before, first + n + after)]
    short = whole_blocks(name[before : before + n], size)
    assert set(short) <= set(whole_blocks(name, size))
    assert all(len(one) == size for one in short)
    assert len(short) >= (n - 2 * (size - 1)) // size


def test_four_quarters_are_a_calendar_year_and_of_months_twelve():
    assert whole_blocks(PERIODS[1:15], 4) == (YEAR[2024], YEAR[2025])
    months = every_period(["2024-11", "2026-02"])
    assert whole_blocks(months, 4) == (tuple(one for one in months if one.startswith("2025")),)
    assert {quarter_of(one) for one in whole_blocks(months, 1)[0]} == {"2025-Q1"}


def test_a_block_with_patients_not_yet_due_is_left_out():
    assert whole_blocks(PERIODS[:12], 4, immature=("2025-Q4",)) == (YEAR[2023], YEAR[2024])


def test_blocks_are_the_sums_of_their_quarters_and_the_last_one_is_the_window():
    found = made(counts_of()).by_block(ONE)
    assert found[["numerator", "denominator"]].drop_duplicates().to_numpy().tolist() == [[80.0, 160.0], [40.0, 80.0]]
    assert found["block"].drop_duplicates().tolist() == [YEAR[2023], YEAR[2024], YEAR[2025]]
    assert found[found["block"] == YEAR[2025]]["slice"].tolist() == [WINDOW, site_slice("north"), site_slice("south")]


def test_a_small_block_is_hidden_with_another_beside_it():
    counts = counts_of(sites=("east", "north", "south"), few={"east": 2})
    found = made(counts).by_block(ONE).set_index(["block", "site"])
    for year in (2023, 2024):
        hidden = [site for site in counts.sites if found.loc[[(YEAR[year], site)], "hidden"].item()]
        assert "east" in hidden
        assert len(hidden) > 1 or found.loc[[(YEAR[year], "")], "hidden"].item()


@pytest.mark.parametrize(("quarters", "n_shown"), [("2025-Q2", 1), ("2025-Q3", 1), ("2025-Q4", 3)])
def test_a_block_that_shares_quarters_with_the_window_waits(quarters, n_shown):
    assert len(made(counts_of(until=quarters)).blocks) == n_shown


def test_a_block_that_was_a_window_is_shown_at_once_and_stands_as_it_was():
    first = as_release(made(counts_of()))
    again = made(counts_of(until="2026-Q1", more=30, at="2025-Q2"), (first,))
    assert again.blocks == (YEAR[2023], YEAR[2024], YEAR[2025])
    found = again.by_block(ONE).set_index(["block", "site"])
    assert found.loc[[(YEAR[2025], "north")], "denominator"].item() == 80
    entry = as_release(again)
    assert not [where for where in entry.shown if where[0] in YEAR.values()]


def test_it_counts_once_more_when_it_shares_no_quarter_with_the_window():
    first = as_release(made(counts_of()))
    second = made(counts_of(until="2026-Q4", more=30, at="2025-Q2"), (first,))
    found = second.by_block(ONE).set_index(["block", "site"])
    assert found.loc[[(YEAR[2025], "north")], "denominator"].item() == 110
    assert (YEAR[2025], "north") in as_release(second).shown


@pytest.mark.parametrize("more", [3, 30])
def test_what_a_block_showed_stays_whatever_late_data_bring(more):
    first = made(counts_of())
    second = made(counts_of(until="2026-Q1", more=more), (as_release(first),))
    assert second.value("seen", "2023-Q2") != first.value("seen", "2023-Q2")
    before, after = (one.by_block(ONE) for one in (first, second))
    same = before["block"].isin([YEAR[2023], YEAR[2024]])
    np.testing.assert_array_equal(
        before.loc[same, "value"], after.loc[after["block"].isin([YEAR[2023], YEAR[2024]]), "value"]
    )
    assert block_slice(YEAR[2023], "north") in set(second.table["slice"])
    assert not [where for where in as_release(second).shown if where[0] == YEAR[2023]]

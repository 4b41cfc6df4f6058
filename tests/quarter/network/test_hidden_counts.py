"""Small counts that a site does not give: limits that hold the truth, give nothing away, and stay missing in charts."""

from functools import cache

import pandas as pd
import pytest

from analysis.quarter.network import aggregate, combine, combined_table, read_counts, write_combined, write_counts
from analysis.quarter.network.counts_file import SMALL
from analysis.report.quarter.study import prepare_quarter

from .networks import ASKED, network


@cache
def small_network(hidden=("site C",)):
    _, sites = network(240, 4, 7)
    return [
        aggregate(cohort, small_counts="hidden" if name in hidden else "shown", **ASKED)[0]
        for name, cohort in sites.items()
    ]


@pytest.mark.slow
def test_hidden_counts_are_intervals_that_hold_the_truth_and_stay_missing(tmp_path):
    files = [read_counts(write_counts(one, tmp_path / f"{i}.json")) for i, one in enumerate(small_network())]
    both, truth = combine(files), combine(small_network(hidden=()))
    keys = ["quantity", "period", "site"]
    merged = both.cells.merge(truth.cells, on=keys, suffixes=("", "_true")).dropna()
    assert (merged["lower"] <= merged["lower_true"]).all()
    assert (merged["upper"] >= merged["upper_true"]).all()
    open_cells = both.unknown
    assert set(open_cells["site"]) == {"site C"}
    small = truth.cells[truth.cells["lower"].between(1, 10) & (truth.cells["site"] == "site C")]
    assert set(map(tuple, small[keys].to_numpy())) <= set(map(tuple, open_cells[keys].to_numpy()))
    table = combined_table(both)
    assert table["numerator"].str.fullmatch(r"from \d+ to \d+").any()
    write_combined(both, tmp_path / "network")
    study = prepare_quarter(tmp_path / "network", small_counts="shown")
    whole = prepare_quarter(write_combined(truth, tmp_path / "truth"), small_counts="shown")
    shown = study.released.table.merge(whole.released.table, on=["quantity", "slice"], suffixes=("", "_true"))
    known = ~shown["hidden"]
    pd.testing.assert_series_equal(shown.loc[known, "value"], shown.loc[known, "value_true"], check_names=False)
    gone = {(quantity, period) for quantity, period in open_cells[["quantity", "period"]].itertuples(index=False)}
    assert all(study.released.is_hidden(quantity, period) for quantity, period in gone)
    assert any("never guessed" in note for note in study.notes)
    assert study.case_mix is None


@pytest.mark.slow
def test_a_hidden_file_gives_no_small_count_away(tmp_path):
    """A reader who adds and subtracts leaves every small count open from 1 to 10: the limits that the sums leave say so."""
    one = small_network()[2]
    written = write_counts(one, tmp_path / "c.json")
    assert f'"{SMALL}"' in written.read_text()
    truth = small_network(hidden=())[2].cells
    small = truth[truth["lower"].between(1, 10) & ~truth["quantity"].isin(one.definitions.not_counts)]
    narrowed = read_counts(written).cells.merge(
        small[["quantity", "period", "site"]], on=["quantity", "period", "site"]
    )
    assert len(narrowed) > 20
    assert (narrowed["lower"] <= 1).all()
    assert (narrowed["upper"] >= 10).all()
    assert ((narrowed["lower"] == 1) & (narrowed["upper"] == 10)).sum() > 10

"""Comparisons of patients who were not randomised, where the truth is known: the table kept, and some cohorts again."""

import numpy as np
import pandas as pd
import pytest
import unrandomised_cohorts as trials
from unrandomised_cohorts import Cell

#: First seed of the cohorts here, so that they are others than those of the table.
FIRST = 3_000_000
#: Coverage of 95 % intervals that is taken for right, and standard errors by which chance may take it outside.
RIGHT, ROOM = (0.94, 0.97), 2.0
#: Share of the crude bias that may be left where one model is right.
LEFT = 0.2


@pytest.fixture(scope="module")
def table():
    return pd.read_csv(trials.TABLE)


def of(table, models):
    return table[table["models"] == models]


def test_the_table_holds_every_cell(table):
    keys = table[["protocols", "patients", "models"]].drop_duplicates().itertuples(index=False)
    assert [Cell(*key) for key in keys] == trials.every_cell()
    assert (of(table, "both right")["cohorts"] >= 250).all()


def test_every_cohort_was_compared_or_refused_for_a_known_reason(table):
    ends = table[["compared", *trials.REFUSED, "failed"]].sum(axis=1)
    assert (ends == table["cohorts"]).all()
    assert (table["failed"] == 0).all()
    assert (table["compared"] >= 0.85 * table["cohorts"]).all()
    large = table[table["patients"] == 400]
    assert (large["compared"] >= 0.98 * large["cohorts"]).all()


def test_intervals_hold_their_level_where_both_models_are_right(table):
    right = of(table, "both right")
    room = ROOM * np.sqrt(0.95 * 0.05 / right["compared"])
    outside = right[(right["coverage"] < RIGHT[0] - room) | (right["coverage"] > RIGHT[1] + room)]
    assert outside.empty, outside[["protocols", "patients", "protocol", "coverage"]]
    assert RIGHT[0] <= np.average(right["coverage"], weights=right["compared"]) <= RIGHT[1]


def test_the_jackknife_is_nearer_to_its_level_than_the_sandwich_in_small_cohorts(table):
    small = of(table, "both right").query("patients == 120")
    assert (small["sandwich_coverage"] < small["coverage"]).all()
    assert (small["std_error"] >= 0.95 * small["spread"]).all()


def test_crude_bias_is_taken_out_where_one_model_is_right(table):
    for models in ("both right", "scores right", "outcome right"):
        rows = of(table, models)
        assert (rows["crude_bias"].abs() > 0.3).all()
        assert (rows["bias"].abs() <= LEFT * rows["crude_bias"].abs()).all(), models
        assert (rows["crude_coverage"] < rows["coverage"]).all()


def test_the_check_can_fail_with_both_models_wrong_bias_stays(table):
    wrong = of(table, "both wrong")
    assert (wrong["bias"].abs() > LEFT * wrong["crude_bias"].abs()).all()
    assert (wrong["coverage"] < RIGHT[0] - 0.1).all()
    alone = of(table, "scores right")
    assert (alone["model_bias"].abs() > 3 * alone["bias"].abs()).all()


@pytest.mark.slow
def test_some_cohorts_again():
    cell = Cell(2, 120, "both right")
    found = trials.judged(cell, trials.drawn(cell, FIRST, 100)).iloc[0]
    assert found["coverage"] >= RIGHT[0] - ROOM * np.sqrt(0.95 * 0.05 / 100)
    assert abs(found["bias"]) <= LEFT * abs(found["crude_bias"]) + ROOM * found["bias_error"]

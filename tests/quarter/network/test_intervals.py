"""Limits of hidden counts: the truth is within, nothing small is given away, and some whole table fits."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.errors import CohortError
from analysis.quarter.network.intervals import completed, in_words, limits_that_may_be_said, tightened
from analysis.statistics.small_counts import CellSystem, hide_small_cells

#: started = due + not yet; due = seen + not seen; seen = better + not better.
SUMS = [(0, (1, 2)), (1, (3, 4)), (3, (5, 6))]


@st.composite
def tables(draw):
    better, worse, unseen, later = (draw(st.integers(0, 25)) for _ in range(4))
    seen = better + worse
    due = seen + unseen
    return np.array([due + later, due, later, seen, unseen, better, worse], dtype=float)


@settings(max_examples=60, deadline=None)
@given(tables())
def test_the_truth_lies_within_and_every_small_count_stays_open(values):
    system = CellSystem.of(values, SUMS)
    lower, upper = limits_that_may_be_said(values, hide_small_cells(system), system.small, SUMS)
    least, most = tightened(lower, upper, SUMS)
    assert (least <= values).all()
    assert (most >= values).all()
    assert (least[system.small] <= 1).all()
    assert (most[system.small] >= 10).all()
    made = completed(least, most, SUMS, where="")
    assert all(made[total] == made[list(parts)].sum() for total, parts in SUMS)
    assert ((made >= least) & (made <= most)).all()


def test_counts_that_cannot_be_are_refused():
    with pytest.raises(CohortError, match="contradict each other") as caught:
        completed(np.array([30.0, 1, 1]), np.array([30.0, 10, 10]), [(0, (1, 2))], where="clinic 1, 2026-Q1")
    assert caught.value.where == "clinic 1, 2026-Q1"


def test_words():
    assert in_words(0, 0) == "0"
    assert in_words(31, 40) == "from 31 to 40"
    assert in_words(1_234_567, 1_234_567) == "1234567"

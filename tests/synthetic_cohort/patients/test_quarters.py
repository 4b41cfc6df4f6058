"""Quarters of the start: opt-in, without a change to anything else, and made again from provenance."""

import pandas as pd
import pytest

from analysis.errors import CohortError
from synthetic_cohort import generate_cohort
from synthetic_cohort.again import generate_again


def test_quarters_change_nothing_else():
    plain, dated = (
        generate_cohort(patients=60, seed=4).observed,
        generate_cohort(patients=60, seed=4, quarters=6).observed,
    )
    pd.testing.assert_frame_equal(dated.patients[list(plain.patients)], plain.patients)
    pd.testing.assert_frame_equal(dated.visits, plain.visits)
    pd.testing.assert_frame_equal(dated.events, plain.events)
    access = ["quarter", "language", "distance_band", "days_to_surgery", "days_to_first_session"]
    assert set(dated.patients) - set(plain.patients) == set(access)
    assert "quarters" not in plain.provenance.parameters


def test_quarters_are_drawn_evenly_and_made_again():
    made = generate_cohort(patients=1200, seed=2, quarters=6).observed
    counts = made.patients["quarter"].value_counts()
    assert sorted(counts.index) == ["2022-Q1", "2022-Q2", "2022-Q3", "2022-Q4", "2023-Q1", "2023-Q2"]
    # 200 expected in each, standard deviation 12.9.
    assert counts.between(150, 250).all()
    again = generate_again(made.provenance).observed
    assert again.patients["quarter"].tolist() == made.patients["quarter"].tolist()


def test_a_wrong_number_of_quarters_is_refused():
    with pytest.raises(CohortError, match="quarters should be a whole number from 1"):
        generate_cohort(patients=20, quarters=0)

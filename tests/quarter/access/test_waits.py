"""Waits: mean days of those on record, by quarter, and nothing where none is."""

from dataclasses import replace

import numpy as np
import pytest

from analysis.quarter import quarter_indicators
from synthetic_cohort import generate_cohort


def test_mean_waits_are_those_of_the_patients():
    cohort = generate_cohort(patients=200, seed=5, quarters=4).observed
    cohort.patients.loc[:9, "days_to_surgery"] = np.nan
    counts = quarter_indicators(cohort).counts
    one = next(one for one in counts.indicators if one.name == "days_to_surgery")
    assert (one.kind, one.role, one.better, one.unit) == ("mean", "process", "lower", "days")
    days, known = (counts.matrix(name).sum(axis=1) for name in (one.numerator, one.denominator))
    by_quarter = cohort.patients.groupby("quarter", observed=True)["days_to_surgery"]
    np.testing.assert_allclose((days / known).to_numpy(), by_quarter.mean().sort_index().to_numpy())
    assert known.sum() == 190


def test_the_invented_waits_are_about_their_median():
    patients = generate_cohort(patients=4000, seed=5, quarters=4).observed.patients
    assert patients["days_to_surgery"].median() == pytest.approx(60, abs=2)
    assert patients["days_to_first_session"].median() == pytest.approx(9, abs=0.6)


def test_without_waits_there_is_no_indicator():
    cohort = generate_cohort(patients=80, seed=5, quarters=4).observed
    without = replace(cohort, patients=cohort.patients.drop(columns=["days_to_surgery", "days_to_first_session"]))
    assert not [one for one in quarter_indicators(without).counts.indicators if "days" in one.name]

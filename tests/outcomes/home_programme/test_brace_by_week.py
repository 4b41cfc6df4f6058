"""Brace limits by week by hand: which limit is in force, who bent as far, and what was never recorded."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from analysis.cohort import Cohort
from analysis.outcomes.home_programme.brace_by_week import brace_by_week


@pytest.fixture
def cohort():
    people = pd.DataFrame({"patient_id": list("abcd"), "protocol": ["usual", "usual", "early", "early"]})
    flexion = {"a": {2: 60, 4: 95, 12: 130}, "b": {2: 50, 4: 80}, "c": {2: 90, 4: 100, 12: 120}, "d": {2: 40}}
    rows = [(one, week, "knee_flexion", "involved", value) for one, by in flexion.items() for week, value in by.items()]
    brace = pd.DataFrame(
        [("a", 0, 60, 0), ("a", 3, 90, 0), ("b", 0, 60, 0), ("c", 1, 90, -5), ("c", 3, np.nan, np.nan)],
        columns=["patient_id", "week", "flexion_limit_deg", "extension_limit_deg"],
    )
    visits = pd.DataFrame(rows, columns=["patient_id", "week", "measure", "limb", "value"])
    return Cohort(people, visits, brace_limits=brace)


def test_limits_in_force_and_who_bent_as_far(cohort):
    table = brace_by_week(cohort).table.set_index(["protocol", "week"])
    assert table.loc[("usual", 2), ["allocated", "worn", "n", "reached"]].tolist() == [2, 2, 2, 1]
    assert table.loc[("usual", 2), "flexion_limit"] == 60
    assert table.loc[("usual", 4), "flexion_limit"] == 75
    assert table.loc[("usual", 4), "reached"] == 2
    assert table.loc[("early", 2), ["worn", "n", "reached", "flexion_limit", "extension_limit"]].tolist() == [
        1,
        1,
        1,
        90,
        -5,
    ]
    assert table.loc[("early", 4), "worn"] == 0
    assert np.isnan(table.loc[("early", 4), "share"])
    assert 12 not in table.index.get_level_values("week")


def test_what_was_not_recorded_is_not_none(cohort):
    without = brace_by_week(replace(cohort, brace_limits=None))
    assert (without.recorded, len(without.table), without.notes) == (False, 0, ("Brace limits were not recorded.",))
    nothing = brace_by_week(replace(cohort, brace_limits=cohort.brace_limits.iloc[:0]))
    assert nothing.notes == ("No brace limit is on record.",)


def test_the_order_of_the_rows_does_not_matter(cohort):
    turned = replace(cohort, brace_limits=cohort.brace_limits.iloc[::-1], visits=cohort.visits.iloc[::-1])
    pd.testing.assert_frame_equal(
        brace_by_week(turned).table.sort_values(["protocol", "week"], ignore_index=True),
        brace_by_week(cohort).table.sort_values(["protocol", "week"], ignore_index=True),
    )

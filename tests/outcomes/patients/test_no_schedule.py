"""Visits that follow no schedule: weeks at which a few happen to meet are none."""

import numpy as np
import pandas as pd
import pytest

from analysis.cohort.follow_up.expected_visits import expected_weeks


def seen(days_off, weeks=(6, 12, 26, 52), patients=60, seed=5):
    """Visits of every patient, each up to so many days before or after its week, on whole days."""
    rng = np.random.default_rng(seed)
    rows = [
        (k, max(0.0, week + int(rng.integers(-days_off, days_off + 1)) / 7)) for k in range(patients) for week in weeks
    ]
    rows += [(k, 0.0) for k in range(patients)]
    return pd.DataFrame(rows, columns=["patient_id", "week"]).drop_duplicates()


def test_visits_at_their_weeks_are_a_schedule_with_some_unscheduled_ones_too():
    assert expected_weeks(seen(0)) == [0, 6, 12, 26, 52]
    odd = pd.DataFrame({"patient_id": [1, 2, 3], "week": [7.3, 8.1, 40.0]})
    assert expected_weeks(pd.concat([seen(0), odd])) == [0, 6, 12, 26, 52]


@pytest.mark.parametrize("seed", range(4))
def test_visits_up_to_two_weeks_off_are_none(seed):
    """Each of the 116 days is met by about two of 60 patients, some by three or more: they are no weeks of a schedule."""
    visits = seen(14, seed=seed)
    assert visits["week"].value_counts().iloc[1] >= 3
    assert expected_weeks(visits) == []


def test_a_baseline_alone_is_a_schedule_of_one_week():
    assert expected_weeks(seen(0, weeks=())) == [0]


def test_continuous_times_are_none():
    visits = seen(0)
    later = visits["week"] > 0
    visits.loc[later, "week"] += np.random.default_rng(1).uniform(-2, 2, int(later.sum()))
    assert expected_weeks(visits) == []

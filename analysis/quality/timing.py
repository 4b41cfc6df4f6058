"""Visit timing: which weeks were attended, how far from the scheduled week, and which visits were unscheduled."""

from __future__ import annotations

import numpy as np
import pandas as pd

from analysis.cohort.follow_up.expected_visits import expected_weeks, seen_weeks
from analysis.cohort.schedule import days_apart
from analysis.cohort.tables import Cohort
from analysis.progress import steps


@steps("visit timing")
def visit_timing(cohort: Cohort) -> pd.DataFrame:
    """Count the visits at and around every scheduled week.

    The schedule is the weeks that are attended by at least 5 % as many patients as the best-attended one. A visit at any
    other week counts as off schedule with the scheduled week nearest in days, the earlier of two equally near.

    Parameters
    ----------
    cohort : Cohort
        The cohort.

    Returns
    -------
    pandas.DataFrame
        One row a scheduled week: week, patients (of the cohort), at_week (patients seen at that week), off_schedule
        (visits at other weeks nearest to it), earliest, latest (weeks of the visits counted with it), median_off (weeks,
        absolute distance of the visits off schedule; missing where there are none). Empty without a schedule.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> table = visit_timing(generate_cohort(patients=30, seed=1).observed)
    >>> int(table["off_schedule"].sum())
    0
    """
    seen = seen_weeks(cohort)
    weeks = np.asarray(expected_weeks(seen), dtype=float)
    columns = ["week", "patients", "at_week", "off_schedule", "earliest", "latest", "median_off"]
    if not len(weeks):
        return pd.DataFrame(columns=pd.Index(columns))
    distance = days_apart(seen["week"].to_numpy(dtype=float)[:, None], weeks[None, :])
    seen = seen.assign(nearest=weeks[distance.argmin(axis=1)], off=distance.min(axis=1) / 7.0)
    rows = []
    for week in weeks:
        near = seen[seen["nearest"] == week]
        off = near.loc[near["off"] > 0, "off"]
        rows.append(
            (week, len(cohort.patients), int((near["off"] == 0).sum()), len(off), near["week"].min(), near["week"].max(),
             off.median() if len(off) else np.nan)
        )  # fmt: skip
    return pd.DataFrame(rows, columns=pd.Index(columns))

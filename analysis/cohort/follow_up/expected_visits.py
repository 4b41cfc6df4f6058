"""Which visits were expected: the weeks of the schedule, read off the visits or named by the user."""

from collections.abc import Sequence

import numpy as np
import pandas as pd

from analysis.cohort.follow_up.as_of import due_weeks
from analysis.cohort.reference import patients_by_protocol
from analysis.cohort.tables import Cohort
from analysis.cohort.text_columns import is_among
from analysis.cohort.visit_frame import visit_frame
from analysis.errors import ModelError

#: What is said where there is no schedule; without a full stop.
NO_SCHEDULE = "Visits follow no schedule, so none can be counted as missing"
#: States of an expected visit: those of visits that were due, and that of the others.
STATES, NOT_YET_DUE = ("seen", "missed, seen later", "not seen again"), "not yet due"
#: A measure seen at more weeks than this after the baseline has no schedule (design choice).
MOST_SCHEDULED_WEEKS = 12
#: A week seen by a smaller share of the best-attended week's patients is an unscheduled visit (design choice).
LEAST_SHARE_OF_A_SCHEDULED_WEEK = 0.05
#: Where fewer of the visits after the baseline than this share lie at such weeks, there is no schedule (design choice).
LEAST_SHARE_AT_SCHEDULED_WEEKS = 0.5


def seen_weeks(cohort: Cohort, measure: str | None = None, limb: str | None = None) -> pd.DataFrame:
    """Give the weeks at which each patient was seen; every week at or before 0 counts as week 0, the baseline.

    Parameters
    ----------
    cohort : Cohort
    measure : str, optional
        Seen means having a value of this measure; by default of any.
    limb : str, optional
        The limb of the measure.

    Returns
    -------
    pandas.DataFrame
        patient_id, week; no row twice, missing values left out.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> float(seen_weeks(generate_cohort(patients=30, seed=1).observed, "pain")["week"].min())
    0.0
    """
    if measure is None:
        visits = cohort.visits[is_among(cohort.visits["patient_id"], cohort.patients["patient_id"])]
    else:
        visits = visit_frame(cohort, measure, limb)
    visits = visits.loc[visits["value"].notna() & visits["week"].notna(), ["patient_id", "week"]]
    return visits.assign(week=visits["week"].clip(lower=0.0)).drop_duplicates().reset_index(drop=True)


def expected_weeks(seen: pd.DataFrame, weeks: Sequence[float] | None = None) -> list[float]:
    """Give the weeks at which every patient was expected, the baseline as week 0.

    Parameters
    ----------
    seen : pandas.DataFrame
        As :func:`seen_weeks` gives it.
    weeks : sequence of float, optional
        The schedule; by default the weeks seen by at least 5 % as many patients as the best-attended one.

    Returns
    -------
    list of float
        In order; empty where visits follow no schedule: more than 12 such weeks after the baseline, or fewer than half of
        the visits after the baseline at them.

    Raises
    ------
    ModelError
        A week named is not a number.

    Examples
    --------
    >>> expected_weeks(pd.DataFrame({"patient_id": ["a", "b"], "week": [0.0, 6.0]}))
    [0.0, 6.0]
    """
    if weeks is not None:
        named = np.asarray(list(weeks), dtype=float)
        if not np.isfinite(named).all():
            raise ModelError("A week of the schedule is not a number.", what_to_do="Name weeks such as [0, 6, 12, 26].")
        return sorted({float(week) for week in np.maximum(named, 0.0)})
    counts = seen["week"].value_counts()
    if counts.empty:
        return []
    usual = counts[counts >= LEAST_SHARE_OF_A_SCHEDULED_WEEK * counts.max()]
    scheduled = sorted(float(week) for week in usual.index)
    after, kept = counts[counts.index > 0].sum(), usual[usual.index > 0].sum()
    follows = kept >= LEAST_SHARE_AT_SCHEDULED_WEEKS * after
    return scheduled if follows and sum(week > 0 for week in scheduled) <= MOST_SCHEDULED_WEEKS else []


def visit_grid(cohort: Cohort, seen: pd.DataFrame, weeks: Sequence[float]) -> pd.DataFrame:
    """Give who was seen when, one row a patient and expected week.

    Parameters
    ----------
    cohort : Cohort
    seen : pandas.DataFrame
        As :func:`seen_weeks` gives it.
    weeks : sequence of float
        The expected weeks, in order.

    Returns
    -------
    pandas.DataFrame
        patient_id, protocol, week, seen (boolean), and state: "seen", "missed, seen later" (intermittent), "not seen again"
        (monotone), or "not yet due" by the as-of date, where the cohort tells it and the visit was not made before;
        patients in the order of the cohort, weeks within.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> cohort = generate_cohort(patients=30, seed=1).observed
    >>> len(visit_grid(cohort, seen_weeks(cohort, "pain"), [0, 26])) == 2 * len(cohort.patients)
    True
    """
    ids = cohort.patients["patient_id"]
    kept = seen[seen["week"].isin(list(weeks))]
    counts = kept.groupby(["patient_id", "week"], observed=True).size().unstack(fill_value=0)
    there = counts.reindex(index=ids, columns=list(weeks), fill_value=0).to_numpy(dtype=bool)
    later = np.flip(np.maximum.accumulate(np.flip(there, axis=1), axis=1), axis=1)
    early = (
        np.asarray(weeks, dtype=float) > due_weeks(cohort).to_numpy(dtype=float)[:, None]
    )  # never where it is missing
    state = np.select([there, later, early], [STATES[0], STATES[1], NOT_YET_DUE], STATES[2])
    people = patients_by_protocol(cohort)
    return (
        people.loc[people.index.repeat(len(weeks))]
        .assign(
            week=np.tile(np.asarray(weeks, dtype=float), len(ids)),
            seen=there.ravel(),
            state=pd.Categorical(state.ravel(), categories=[*STATES, NOT_YET_DUE]),
        )
        .reset_index(drop=True)
    )

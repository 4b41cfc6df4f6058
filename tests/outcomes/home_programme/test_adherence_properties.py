"""Properties that hold for any home programme: bounds, sums, order, and what a change of unit does."""

import numpy as np
import pandas as pd
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from analysis.cohort import Cohort
from analysis.outcomes.home_programme.adherence_classes import adherence_classes
from analysis.outcomes.home_programme.sessions_done import adherence_by_week
from analysis.outcomes.home_programme.time_to_stopping import time_to_stopping
from analysis.outcomes.home_programme.weeks_with_enough import weeks_with_enough
from analysis.statistics.two_stages import two_stages

from .cohort_of_sessions import cohort_of_sessions

COUNT = st.one_of(st.none(), st.just(float("nan")), st.integers(0, 8).map(float))
WEEKS = st.lists(st.tuples(st.integers(0, 6), COUNT), min_size=1, max_size=6)
PATIENTS = st.lists(WEEKS, min_size=1, max_size=6)
FEW = settings(max_examples=6, deadline=None, suppress_health_check=[HealthCheck.too_slow])


def cohort_from(patients):
    """One entry a week: (prescribed, done); done None: no entry, NaN: unknown. Every other patient is on 'early'."""
    entries = [
        (f"P{number}", week, "exercise", float(prescribed), done)
        for number, weeks in enumerate(patients)
        for week, (prescribed, done) in enumerate(weeks, start=1)
        if done is not None
    ]
    protocols = {f"P{number}": ("usual", "early")[number % 2] for number in range(len(patients))}
    return cohort_of_sessions(entries, protocols) if entries else None


@FEW
@given(PATIENTS)
def test_denominators_bounds_and_order(patients):
    cohort = cohort_from(patients)
    if cohort is None:
        return
    by_week = adherence_by_week(cohort).table
    assert (by_week["reached"] <= by_week["n"]).all()
    assert (by_week["n"] <= by_week["recorded"]).all()
    assert by_week.loc[by_week["n"] == 0, "share_reached"].isna().all()
    found = weeks_with_enough(cohort, enough=0.4).patients
    assert (found["reached"] <= found["weeks"]).all()
    wide = found.pivot_table(index=["patient_id", "modality"], columns="enough", values="reached", observed=True)
    if len(wide):
        assert (wide[0.4] >= wide[0.8]).all()


@FEW
@given(PATIENTS)
def test_every_patient_is_somewhere_and_once(patients):
    cohort = cohort_from(patients)
    if cohort is None:
        return
    stopping = time_to_stopping(cohort)
    parts = stopping.summary[["never_started", "stopped_later", "going_on"]].sum(axis=1)
    assert (parts == stopping.summary["n"]).all()
    assert (stopping.summary["n"] <= stopping.summary["allocated"]).all()
    assert stopping.table["share"].between(0, 1).all()
    for _, curve in stopping.table.groupby("protocol"):
        assert curve["share"].is_monotonic_increasing
    classes = adherence_classes(cohort)
    assert classes.table.groupby("protocol")["patients"].sum().sum() == stopping.summary["n"].sum()
    stopped = classes.patients["adherence_class"].isin(["never started", "stopped"])
    assert stopped.sum() == stopping.patients["stopped"].sum()


@FEW
@given(PATIENTS, st.integers(0, 1000))
def test_the_order_of_the_rows_does_not_matter(patients, seed):
    cohort = cohort_from(patients)
    if cohort is None:
        return
    mixed = Cohort(cohort.patients, cohort.visits, sessions=cohort.sessions.sample(frac=1, random_state=seed))
    pd.testing.assert_frame_equal(time_to_stopping(cohort).patients, time_to_stopping(mixed).patients)
    pd.testing.assert_frame_equal(adherence_classes(cohort).patients, adherence_classes(mixed).patients)


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 10_000), st.floats(0.1, 50), st.floats(-5, 5))
def test_an_effect_goes_with_the_units(seed, factor, shift):
    """A dose in other units divides the effect; a constant gain for everybody leaves it."""
    rng = np.random.default_rng(seed)
    group = np.repeat([0.0, 1.0], 15)
    dose = group + rng.uniform(0, 0.5, 30)
    outcome = rng.normal(size=30) + dose
    ones = np.ones((30, 1))
    first = two_stages(outcome, dose, group[:, None], ones)
    second = two_stages(outcome + shift, factor * dose, group[:, None], ones)
    np.testing.assert_allclose(second.params[0] * factor, first.params[0], rtol=1e-7, atol=1e-9)
    np.testing.assert_allclose(second.covariance[0, 0] ** 0.5 * factor, first.covariance[0, 0] ** 0.5, rtol=1e-6)
    np.testing.assert_allclose(second.first_stage_f, first.first_stage_f, rtol=1e-6)

"""Moments of a Dask data frame: what two workers gather is what one machine gathers, also where one of them dies."""

import os
import signal
import time
from concurrent.futures import ThreadPoolExecutor

import dask
import dask.dataframe as dd
import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from analysis.cluster import open_cluster
from analysis.curves.formula.gathered import plan_moments, visit_moments
from analysis.curves.mixed_model import fit_mixed
from analysis.errors import ModelError

from ..cohort_of_visits import visits

FIXED = "value ~ protocol * week_spline + baseline + pain"
#: Estimates of a fit, beside those of the same sums added in another order.
SAME = 1e-10


@pytest.fixture(scope="module")
def cluster():
    with open_cluster(workers=2) as client:
        yield client


def partitions(frame, number=20):
    return [frame[frame["patient_id"] % number == rest] for rest in range(number)]


def on_dask(parts):
    return dd.from_map(lambda one: one, parts)


def same_moments(found, expected):
    assert found.plan == expected.plan
    for name in ("counts", "seen", "who", "distinct_weeks", "patient_labels", "visit_labels"):
        assert_array_equal(getattr(found, name), getattr(expected, name))
    assert (found.dropped, found.left_out, found.duplicates) == (
        expected.dropped,
        expected.left_out,
        expected.duplicates,
    )
    assert_allclose(found.products, expected.products, rtol=1e-12, atol=1e-12 * np.abs(expected.products).max())


def same_fit(one, other):
    assert (one.n_patients, one.n_visits) == (other.n_patients, other.n_visits)
    for column in ("estimate", "std_error", "df"):
        assert_allclose(one.coefficients[column].astype(float), other.coefficients[column].astype(float), rtol=SAME)
    assert_allclose(one.differences()["estimate"], other.differences()["estimate"], rtol=SAME)


@pytest.mark.parametrize("at_least", [pytest.param(0, marks=pytest.mark.slow), 4])
def test_two_workers_gather_what_one_machine_gathers(cluster, at_least):
    frame = visits(patients=300)
    frame.loc[frame.index % 11 == 0, "value"] = np.nan
    parts = partitions(frame)
    parts[5] = parts[5].assign(pain=np.nan)  # no row of it is complete
    fixed = FIXED if not at_least else "value ~ protocol * week_spline + baseline"
    assert len(cluster.scheduler_info()["workers"]) == 2
    found = visit_moments(on_dask(parts), fixed, at_least=at_least)
    one = visit_moments(parts, fixed, at_least=at_least)
    same_moments(found, one)
    assert found.dropped > len(parts[5]) * (at_least == 0)
    assert (found.left_out > 0) == (at_least > 0)
    same_fit(fit_mixed(found, fixed), fit_mixed(one, fixed))


def test_a_fit_takes_the_frame_itself_and_is_that_of_all_rows(cluster):
    frame = visits(patients=300)
    same_fit(fit_mixed(on_dask(partitions(frame)), FIXED), fit_mixed(frame, FIXED))


def test_partitions_are_worked_on_by_both_workers_and_not_here(cluster, tmp_path):
    parts = partitions(visits(patients=300))
    plan = plan_moments(parts, FIXED)

    def noted(part, number):
        (tmp_path / f"{number}-{os.getpid()}").touch()
        for _ in range(1200):  # until the other worker has begun with one, too
            if len({file.name.split("-")[1] for file in tmp_path.iterdir()}) == 2:
                break
            time.sleep(0.05)
        return part

    visit_moments(dd.from_map(noted, parts, range(20), meta=parts[0].iloc[:0]), FIXED, plan=plan)
    noted_numbers, at = zip(*(file.name.split("-") for file in tmp_path.iterdir()), strict=True)
    assert sorted(map(int, noted_numbers)) == list(range(20))
    assert set(map(int, at)) == set(cluster.run(os.getpid).values())


def test_a_plan_and_a_refusal_are_those_of_one_machine(cluster):
    frame = visits(patients=60)
    parts = partitions(frame, 6)
    parts[4] = parts[4].assign(protocol=pd.Categorical(parts[4]["protocol"], ["motion", "stimulation", "exercise"]))
    plan = plan_moments(on_dask(parts), FIXED)
    assert plan.digest == plan_moments(parts, FIXED).digest
    parts[2] = parts[2].assign(week=parts[2]["week"] + 1)
    for data in (parts, on_dask(parts)):
        with pytest.raises(ModelError) as said:
            visit_moments(data, FIXED, plan=plan)
        assert str(said.value).startswith("This part is not as was agreed: there are visits at week 1, week 3")
        assert str(said.value).endswith("or agree on a plan with these weeks too.")


@pytest.mark.slow
def test_a_patient_in_two_partitions_is_refused_until_the_frame_is_shuffled(cluster):
    frame = visits(patients=120)
    cut = dd.from_pandas(frame.sort_values("week", ignore_index=True), npartitions=5)
    for at_least in (0, 3):
        with pytest.raises(ModelError, match=r"would be counted twice(.*\n)*.*frame\.shuffle\(\"patient_id\"\)"):
            visit_moments(cut, "value ~ protocol * week", at_least=at_least)
    whole = fit_mixed(frame, FIXED)
    same_fit(fit_mixed(visit_moments(cut.shuffle("patient_id"), FIXED), FIXED), whole)


def test_a_worker_that_is_killed_while_it_works_changes_nothing(cluster, tmp_path):
    """Its first attempt at partition 17 comes to no end: it is killed there, with the sums of others that it holds."""
    parts = partitions(visits(patients=300))
    plan = plan_moments(parts, FIXED)
    begun = tmp_path / "begun"

    def held_up(part, number):
        if number == 17 and not begun.exists():
            begun.write_text(str(os.getpid()))
            time.sleep(600)
        return part

    def kill():
        for _ in range(1200):
            if begun.exists() and (text := begun.read_text()):
                os.kill(int(text), signal.SIGKILL)
                return int(text)
            time.sleep(0.05)
        return 0

    before = set(cluster.run(os.getpid).values())
    frame = dd.from_map(held_up, parts, range(20), meta=parts[0].iloc[:0])
    with ThreadPoolExecutor() as beside:
        killed = beside.submit(kill)
        found = visit_moments(frame, FIXED, plan=plan)
    assert killed.result() in before
    assert killed.result() not in set(cluster.run(os.getpid).values())
    one = visit_moments(parts, FIXED, plan=plan)
    same_moments(found, one)
    same_fit(fit_mixed(found, FIXED), fit_mixed(one, FIXED))


def test_without_a_cluster_threads_do_it_and_an_index_is_a_column():
    frame = visits(patients=60)
    by_patient = dd.from_pandas(frame.set_index("patient_id"), npartitions=7, sort=True)
    with dask.config.set(scheduler="threads"):
        found = visit_moments(by_patient, FIXED)
        same_moments(found, visit_moments([part.compute().reset_index() for part in by_patient.partitions], FIXED))


def test_what_cannot_be_gathered_is_said():
    frame = visits(patients=60)
    with dask.config.set(scheduler="threads"):
        with pytest.raises(ModelError, match="no column 'site2'"):
            visit_moments(on_dask([frame]), "value ~ week", patient="site2")
        with pytest.raises(ModelError, match="There are no visits"):
            visit_moments(on_dask([frame[:0], frame[:0]]), FIXED)
        with pytest.raises(ModelError, match="No row of any part has outcome"):
            visit_moments(on_dask([frame.assign(pain=np.nan)]), FIXED)
        with pytest.raises(ModelError, match="No pattern and level has 999 patients"):
            visit_moments(on_dask([frame]), "value ~ week", at_least=999)

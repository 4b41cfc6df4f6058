"""Sums of sites give what a cohort with all their patients gives: every count, every estimate, the degrees of freedom."""

from dataclasses import replace
from functools import reduce
from operator import add

import numpy as np
import pytest
from pandas.testing import assert_frame_equal

from analysis.curves import fit_recovery
from analysis.errors import ModelError
from analysis.outcomes import (
    adherence_by_week,
    baseline_table,
    change_distribution,
    events_by_protocol,
    harm_differences,
    missing_by_week,
    patient_flow,
    responders,
    time_to_stopping,
)
from analysis.pooled.comparison import NEEDS_ROWS, compare_from_sums
from analysis.pooled.counting import cohort_sums
from analysis.pooled.planning import plan_pooling
from analysis.pooled.sites.combining import combine_sites
from analysis.pooled.sites.site_file import summarise_site, write_site_sums
from synthetic_cohort import generate_cohort

from .sites_of import by_site, with_sites

#: Of sums of floats in another order.
NEAR = {"check_exact": False, "rtol": 1e-10, "atol": 1e-10}
MEASURE, WEEK = "quadriceps_torque", 26


def same(found, whole, keys, *, without=(), **near):
    """Compare the columns that both have, row by row by their keys; the whole has no others but those named."""
    columns = [name for name in whole if name not in without]
    assert set(columns) <= set(found)
    both = [
        table[columns].astype(dict.fromkeys(keys, "str")).sort_values(keys, ignore_index=True)
        for table in (found, whole)
    ]
    assert len(both[0]) == len(both[1]) > 0
    assert_frame_equal(*both, check_dtype=False, check_categorical=False, **near)


@pytest.fixture(scope="module", params=[3, pytest.param(12, marks=pytest.mark.slow)], ids=lambda one: f"{one} sites")
def both(request, tmp_path_factory):
    """Give a cohort, and the comparison from files of its sites."""
    cohort = with_sites(generate_cohort(patients=240, seed=5).observed, request.param)
    sites = by_site(cohort)
    plan = plan_pooling(cohort, MEASURE, week=WEEK, sites=list(sites), missing="non-response")
    folder = tmp_path_factory.mktemp("sites")
    files = [
        write_site_sums(summarise_site(one, plan, name, trusted=True), folder / f"{number}.json")
        for number, (name, one) in enumerate(sites.items())
    ]
    pooled = combine_sites(plan, files)
    return cohort, plan, compare_from_sums(pooled.sums, pooled.moments, left_out=pooled.left_out)


def test_flow_and_missing_visits(both):
    cohort, _plan, found = both
    whole = patient_flow(cohort, MEASURE)
    same(found.flow.allocated, whole.allocated, ["protocol"])
    same(found.flow.by_week, whole.by_week, ["protocol", "week"])
    same(found.flow.lost, whole.lost, ["protocol", "reason"])
    same(found.missing.table, missing_by_week(cohort, MEASURE).table, ["protocol", "week"])


def test_the_start(both):
    cohort, plan, found = both
    whole = baseline_table(
        cohort, covariates=[one for one in [*plan.numbers, *plan.categories] if ":" not in one]
    ).table
    not_from_sums = ("median", "lower_quartile", "upper_quartile", "lowest", "highest")
    numbers = whole["category"].isna()
    pooled = found.baseline.table["category"].isna()
    keys = ["variable", "protocol"]
    of_shares = ("count", "share", "category")
    same(found.baseline.table[pooled], whole[numbers], keys, without=(*not_from_sums, *of_shares), **NEAR)
    of_numbers = (*not_from_sums, "mean", "standard_deviation")
    same(found.baseline.table[~pooled], whole[~numbers], [*keys, "category"], without=of_numbers)


def test_responders_and_means(both):
    cohort, plan, found = both
    whole = responders(cohort, plan.endpoint)
    same(found.responders.table, whole.table, ["protocol"])
    same(found.responders.differences, whole.differences, ["protocol"])
    same(found.responders.ratios, whole.ratios, ["protocol"])
    same(found.responders.mean_improvement, whole.mean_improvement, ["protocol"], **NEAR)
    same(found.responders.mean_differences, whole.mean_differences, ["protocol"], **NEAR)
    distribution = change_distribution(cohort, plan.endpoint, thresholds=plan.amounts)
    same(found.responders.distribution.shares, distribution.shares, ["protocol", "threshold"])
    same(found.responders.distribution.differences, distribution.differences, ["protocol", "threshold"])


def test_curves(both):
    cohort, _plan, found = both
    whole = fit_recovery(cohort, MEASURE, adjust_for=["site"])
    assert found.covariance == whole.covariance
    near = {"check_exact": False, "rtol": 1e-8, "atol": 1e-8}  # two optima of one likelihood
    same(found.differences, whole.differences(), ["protocol", "week"], **near)
    same(found.means, whole.means(), ["protocol", "week"], **near)


def test_harms(both):
    cohort, plan, found = both
    whole = events_by_protocol(cohort)
    same(found.events.table, whole.table, ["protocol", "event"])
    same(found.harm_differences, harm_differences(whole, plan.protocols[0]), ["protocol", "event"])


def test_the_home_programme(both):
    cohort, _plan, found = both
    whole = adherence_by_week(cohort)
    not_from_sums = ("median_share", "lower_quartile", "upper_quartile", "prescribed")
    same(found.adherence.table, whole.table, ["protocol", "modality", "week"], without=not_from_sums, **NEAR)
    overall = whole.overall[whole.overall["recorded"] > 0]
    same(found.adherence.overall, overall, ["protocol", "modality"], without=not_from_sums, **NEAR)
    stopped = time_to_stopping(cohort)
    same(found.stopping.summary, stopped.summary, ["protocol"])
    same(found.stopping.table, stopped.table, ["protocol", "week"], **NEAR)
    same(found.stopping.medians, stopped.medians, ["protocol"], **NEAR)
    same(found.stopping.differences, stopped.differences, ["protocol", "week"], **NEAR)
    assert_frame_equal(found.stopping.comparison, stopped.comparison, **NEAR)


def test_what_needs_rows_is_named(both):
    said = both[2].notes[-2]
    assert all(one in said for one in NEEDS_ROWS)


def test_parts_of_one_registry_need_no_names():
    cohort = generate_cohort(patients=90, seed=2).observed
    plan = plan_pooling(cohort, "pain", week=WEEK)
    parts = by_site(with_sites(cohort, 3))
    total = reduce(add, [cohort_sums(one, plan) for one in parts.values()])
    whole = cohort_sums(cohort, plan)
    assert total.n_patients == 90
    for name, table in whole.tables.items():
        if name != "recorded":
            assert_frame_equal(total.tables[name], table, rtol=1e-10, atol=1e-10)
    parted = total.tables["recorded"]
    assert parted["patients"].tolist() == whole.tables["recorded"]["patients"].tolist()
    assert parted["parts"].max() == 3


def test_parts_that_do_not_record_harms_are_in_no_denominator():
    cohort = with_sites(generate_cohort(patients=120, seed=3).observed, 2)
    first, second = by_site(cohort).values()
    plan = plan_pooling(cohort, "pain", week=WEEK)
    silent = cohort_sums(replace(second, events=None, sessions=None), plan)
    found = compare_from_sums(cohort_sums(first, plan) + silent, None)
    whole = events_by_protocol(first).table
    there = found.events.table[found.events.table["events"] > 0]
    assert there["allocated"].sum() == whole.loc[whole["events"] > 0, "allocated"].sum()
    n = len(first.patients)
    assert f"Of 120 patients {n} are in parts that record events; the others are in no count of them." in found.notes
    assert (
        f"Of 120 patients {n} are in parts that record home sessions; the others are in no count of them."
        in found.notes
    )
    nothing = compare_from_sums(silent, None)
    assert not nothing.events.recorded
    assert not nothing.adherence.recorded


def test_nobody_of_the_reference_is_refused():
    cohort = generate_cohort(patients=90, seed=2).observed
    plan = plan_pooling(cohort, "pain", week=WEEK)
    others = cohort.patients["protocol"] != plan.protocols[0]
    rest = by_site(replace(cohort, patients=cohort.patients.assign(site=np.where(others, "a", "b"))))["a"]
    with pytest.raises(ModelError, match="Nobody is in 'exercise only'"):
        compare_from_sums(cohort_sums(rest, plan), None)


def test_a_week_at_which_nobody_was_seen_has_missing_shares():
    cohort = generate_cohort(patients=90, seed=2).observed
    plan = plan_pooling(cohort, "pain", week=WEEK)
    without = replace(cohort, visits=cohort.visits[cohort.visits["week"] != WEEK])
    found = compare_from_sums(cohort_sums(without, plan), None)
    assert found.responders.table["n"].tolist() == [0, 0, 0]
    assert found.responders.table["share"].isna().all()
    assert found.responders.mean_improvement["mean"].isna().all()


@pytest.mark.slow
@pytest.mark.parametrize(
    ("measure", "options"),
    [
        ("pain", {"criterion": "state", "threshold": 2.0}),
        ("knee_extension", {"criterion": "state", "threshold": -2.0}),
        ("ikdc", {"criterion": "percent", "threshold": 30.0, "missing": "non-response"}),
        ("knee_flexion", {"threshold": 10.0, "baseline": "first after start"}),
        ("quadriceps_torque", {"threshold": 0.3, "limb": "uninvolved", "level": 0.9}),
    ],
)
def test_every_kind_of_endpoint(measure, options):
    cohort = with_sites(generate_cohort(patients=120, seed=4).observed, 2)
    plan = plan_pooling(cohort, measure, week=WEEK, **options)
    found = compare_from_sums(reduce(add, [cohort_sums(one, plan) for one in by_site(cohort).values()]), None)
    whole = responders(cohort, plan.endpoint)
    same(found.responders.table, whole.table, ["protocol"])
    same(found.responders.mean_improvement, whole.mean_improvement, ["protocol"], **NEAR)
    distribution = change_distribution(cohort, plan.endpoint, thresholds=plan.amounts)
    same(found.responders.distribution.shares, distribution.shares, ["protocol", "threshold"])
    assert plan.endpoint.to_reach.value in plan.amounts


@pytest.mark.slow
@pytest.mark.parametrize("missing", ["excluded", "non-response"])
def test_visits_that_are_not_yet_due(missing):
    cohort = with_sites(generate_cohort(patients=120, seed=4).observed, 2)
    due = np.random.default_rng(1).integers(4, 60, 120).astype(float)
    until = cohort.visits["patient_id"].map(dict(zip(cohort.patients["patient_id"], due, strict=True)))
    cohort = replace(
        cohort,
        patients=cohort.patients.assign(due_week=due),
        visits=cohort.visits[cohort.visits["week"] <= until].reset_index(drop=True),
        as_of="2025",
    )
    plan = plan_pooling(cohort, "ikdc", week=WEEK, missing=missing)
    found = compare_from_sums(reduce(add, [cohort_sums(one, plan) for one in by_site(cohort).values()]), None)
    same(found.flow.by_week, patient_flow(cohort, "ikdc").by_week, ["protocol", "week"])
    same(found.responders.table, responders(cohort, plan.endpoint).table, ["protocol"])
    distribution = change_distribution(cohort, plan.endpoint, thresholds=plan.amounts)
    same(found.responders.distribution.shares, distribution.shares, ["protocol", "threshold"])

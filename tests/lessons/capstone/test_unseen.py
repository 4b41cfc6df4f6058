"""The unseen cohort: the same every time, its problems where they are said to be, its truth nowhere to be read."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from analysis import Cohort, check_cohort, visit_frame
from analysis.errors import CohortError, ReportError
from analysis.lessons.capstone.honest import find_problems
from analysis.lessons.capstone.knowable import lost_and_seen
from analysis.lessons.capstone.mending import change_values, leave_out
from analysis.lessons.capstone.planting import plant
from analysis.lessons.capstone.study import KINDS, MATTERS, study_page
from analysis.lessons.capstone.unseen import unseen_cohort
from synthetic_cohort import generate_cohort


def test_a_seed_gives_the_same_cohort_and_another_seed_another():
    first = unseen_cohort(3)
    unseen_cohort.cache_clear()
    again = unseen_cohort(3)
    assert again is not first
    assert again.observed.visits.equals(first.observed.visits)
    assert (again.difference, again.planted) == (first.difference, first.planted)
    assert not unseen_cohort(4).observed.visits.equals(first.observed.visits)


@pytest.mark.slow
def test_fifty_seeds_meet_every_problem_every_kind_of_truth_and_both_allocations():
    made = [unseen_cohort(seed) for seed in range(50)]
    assert {kind for one in made for kind in one.planted} == set(KINDS)
    assert {one.allocation for one in made} == {"by lot", "not by lot"}
    size = np.array([abs(one.difference) for one in made])
    assert all((at > 9).any() for at in (100 * (size == 0), 100 * ((size > 1) & (size < MATTERS)), 2 * size))
    assert not ((size > 0.7 * MATTERS + 0.1) & (size < 1.6 * MATTERS)).any()  # the classes are clearly apart
    assert {np.sign(one.difference) for one in made} == {-1, 0, 1}
    assert all(len(one.planted) == 3 for one in made)


@pytest.mark.slow
def test_the_problems_can_be_found_in_every_one_of_fifty_seeds_and_no_other_is():
    for seed in range(50):
        made = unseen_cohort(seed)
        assert dict(find_problems(made.observed)) == dict(made.planted), seed
        if "drop-out with pain" in made.planted:
            who = lost_and_seen(made.mended, "knee_flexion", week=26, of=["pain", "knee_flexion"], by=8)
            groups = who.groupby("seen")[["pain", "knee_flexion"]]
            apart = (groups.mean().loc[False] - groups.mean().loc[True]) / groups.std().mean()
            assert apart["pain"] > abs(apart["knee_flexion"]), seed


@pytest.mark.parametrize("seed", [1, 4, 13])
def test_the_check_passes_so_that_the_resident_must_look(seed):
    assert check_cohort(unseen_cohort(seed).observed).n_errors == 0


@pytest.mark.parametrize("kind", [kind for kind in KINDS if kind != "drop-out with pain"])
def test_a_problem_changes_its_site_alone(kind):
    cohort = generate_cohort("knee replacement", patients=120, seed=5).observed
    planted = plant(cohort, kind, "site B", np.random.default_rng(1))
    for site in ("site A", "site B", "site C"):
        rows = [
            one.visits[one.visits["patient_id"].isin(one.patients.loc[one.patients["site"] == site, "patient_id"])]
            for one in (cohort, planted)
        ]
        same = (
            rows[0]
            .reset_index(drop=True)
            .astype({"limb": str})
            .equals(rows[1].reset_index(drop=True).astype({"limb": str}))
        )
        assert same == (site != "site B")


def test_drop_out_with_pain_takes_those_with_more_pain():
    cohort = generate_cohort("knee replacement", patients=400, seed=5).observed
    planted = plant(cohort, "drop-out with pain", None, np.random.default_rng(1))
    pain = visit_frame(cohort, "pain").query("week == 4").set_index("patient_id")["value"]
    last = visit_frame(planted, "knee_flexion").groupby("patient_id")["week"].max()
    lost = last.reindex(pain.index) < 26
    kept = visit_frame(cohort, "knee_flexion").groupby("patient_id")["week"].max().reindex(pain.index) < 26
    assert lost.sum() > 2 * kept.sum()
    assert pain[lost & ~kept].mean() > pain[~lost].mean() + 1


def test_nothing_of_the_truth_is_in_the_provenance_or_the_page():
    made = unseen_cohort(13)
    told = made.observed.provenance.to_json()
    assert told["parameters"] == {}
    assert told["scenario"] == "capstone"
    assert len(told["steps"]) == 1
    page = study_page(made.allocation, 13)
    assert f"{made.difference:.1f}" not in page
    assert not any(words in page for words in KINDS.values())


@pytest.mark.parametrize("seed", [-1, 1.5, True, "1", 2**40])
def test_a_seed_that_is_none_is_refused(seed):
    with pytest.raises(ReportError, match="A seed is a whole number from 0"):
        unseen_cohort(seed)


@pytest.mark.slow
def test_where_nobody_drew_lots_stiffer_knees_came_with_the_new_protocol():
    start = {"by lot": [], "not by lot": []}
    for seed in range(16):
        made = unseen_cohort(seed)
        means = (
            visit_frame(made.mended, "knee_flexion")
            .query("week == 0")
            .groupby("protocol", observed=True)["value"]
            .mean()
        )
        start[made.allocation].append(means.iloc[1] - means.iloc[0])
    assert np.mean(start["not by lot"]) < -4
    assert abs(np.mean(start["by lot"])) < 1.5


def test_those_not_seen_are_set_beside_those_seen_by_what_they_showed_before():
    patients = pd.DataFrame({"patient_id": ["a", "b", "c"], "protocol": ["usual", "new", "new"]})
    rows = [("a", 0, 9), ("a", 4, 5), ("a", 8, 6), ("a", 12, 1), ("b", 0, 7), ("b", 26, 2), ("c", 2, 4), ("c", 26, 3)]
    visits = pd.DataFrame(rows, columns=["patient_id", "week", "value"]).assign(measure="pain", limb="none")
    found = lost_and_seen(Cohort(patients, visits), "pain", week=26, of=["pain"], by=8)
    assert found["seen"].tolist() == [False, True, True]
    assert found["pain"].tolist()[::2] == [6, 4]
    assert np.isnan(found["pain"][1])  # before the start alone


def test_mending_names_what_is_not_there():
    cohort = unseen_cohort(1).observed
    with pytest.raises(CohortError, match="There is no site 'site Z'"):
        change_values(cohort, "pain", times=2, site="site Z")
    with pytest.raises(CohortError, match="There is no measure 'knee_girth'"):
        change_values(cohort, "knee_girth", times=2)
    with pytest.raises(CohortError, match="There is no patient 'p9'"):
        leave_out(cohort, ["p9"])
    with pytest.raises(CohortError, match="There is no site 'site A'"):
        change_values(replace(cohort, patients=cohort.patients.drop(columns="site")), "pain", times=2, site="site A")


def test_mending_changes_what_it_says_and_leaves_the_first_cohort_alone():
    cohort = unseen_cohort(1).observed
    before = cohort.visits.copy()
    turned = change_values(cohort, "knee_flexion", times=-1, plus=180, site="site A")
    assert cohort.visits.equals(before)
    site = turned.visits["patient_id"].isin(cohort.patients.loc[cohort.patients["site"] == "site A", "patient_id"])
    rows = site & turned.visits["measure"].eq("knee_flexion")
    assert (turned.visits.loc[rows, "value"] == 180 - before.loc[rows, "value"]).all()
    assert turned.visits[~rows].equals(before[~rows])
    fewer = leave_out(cohort, ["k0001", "k0002"])
    assert not fewer.visits["patient_id"].isin(["k0001", "k0002"]).any()
    assert len(fewer.patients) == len(cohort.patients) - 2
    assert fewer.provenance.steps[-1] == "Left out by hand: 2 patients."

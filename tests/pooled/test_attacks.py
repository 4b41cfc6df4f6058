"""What an office, or a clerk, could try: plans edited by hand, sums of one or two values, seeds that differ, two plans one after the other."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from analysis.errors import CohortError
from analysis.pooled.agreed import read_pooling_plan
from analysis.pooled.planning import plan_pooling
from analysis.pooled.sites.combining import combine_sites
from analysis.pooled.sites.first_round import read_profiles, settle_kept, summarise_profiles, write_profiles
from analysis.pooled.sites.masked_site import mask_site, write_masked
from analysis.pooled.sites.site_file import summarise_site
from synthetic_cohort import generate_cohort

from .sites_of import by_site, with_sites
from .test_rounds import seeds_of, settled

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def cohort():
    return with_sites(generate_cohort(patients=120, seed=5).observed, 3)


@pytest.fixture(scope="module")
def sites(cohort):
    return by_site(cohort)


@pytest.fixture(scope="module")
def plan(cohort, sites):
    return plan_pooling(cohort, "pain", week=26, sites=list(sites))


def edited(plan, place, change):
    """Write a plan with something changed by hand."""
    data = json.loads(plan.to_text())
    change(data)
    place.write_text(json.dumps(data), encoding="utf-8")
    return place


def test_a_formula_that_runs_something_is_no_plan(plan, tmp_path):
    """A formula may hold any Python: what an office writes into a plan must not run where the rows are."""
    mark = tmp_path / "it ran"
    code = f"I(baseline + 0 * len(str(__import__('pathlib').Path({str(mark)!r}).touch())))"
    for change in (
        lambda data: data["moments"].update(fixed=f"value ~ protocol + baseline + site + {code}"),
        lambda data: data["moments"].update(fixed="value ~ protocol + baseline + site + I(baseline == 3)"),
        lambda data: data["moments"].update(fixed="value ~ protocol + baseline + site + protocol:site"),
        lambda data: data["moments"].update(fixed="value ~ protocol + baseline"),
        lambda data: data.update(terms=f"value ~ protocol * C(week) + {code}"),
        lambda data: data["moments"].update(patient="protocol"),
    ):
        path = edited(plan, tmp_path / "plan.json", change)
        with pytest.raises(CohortError, match="holds no plan of a comparison"):
            summarise_site(
                generate_cohort(patients=60, seed=1).observed, read_pooling_plan(path), "site a", trusted=True
            )
    assert not mark.exists()


@pytest.mark.parametrize(
    "change",
    [
        {"k": "ten"}, {"k": -1}, {"k": 2.5}, {"k": True}, {"idle_weeks": "two"}, {"enough": None}, {"weeks": ["0"]},
        {"events": [3]}, {"sites": ["site a", "site a"]}, {"as_of": None},
    ],
)  # fmt: skip
def test_a_plan_with_something_of_another_kind_is_none(plan, change, tmp_path):
    with pytest.raises(CohortError, match="holds no plan of a comparison"):
        read_pooling_plan(edited(plan, tmp_path / "plan.json", lambda data: data.update(change)))


def test_names_with_blanks_are_columns_of_a_plan(tmp_path):
    cohort = generate_cohort(patients=90, seed=2).observed
    named = replace(cohort, patients=cohort.patients.rename(columns={"sex": "sex at birth"}))
    made = plan_pooling(named, "pain", week=26, sites=["a", "b"], adjust_for=["sex at birth"])
    again = read_pooling_plan(made.save(tmp_path / "plan.json"))
    assert summarise_site(named, again, "a", trusted=True).moments.n_patients > 60


@pytest.mark.parametrize("k", [0, 1, 2, 3])
def test_a_plan_that_calls_hardly_a_cell_small_is_refused_where_rows_are(sites, plan, k):
    with pytest.raises(CohortError, match="rows can be solved from sums of 3"):
        summarise_site(sites["site a"], replace(plan, k=k), "site a")
    assert "10 is usual" in str(replace(plan, k=k))
    assert "is usual" not in str(plan)


def test_sums_of_one_or_two_values_are_not_sent(sites, plan):
    """One patient of a protocol: sums of age and of improvement are that patient's; of two, sum and squares give both."""
    one = sites["site a"]
    of_base = np.flatnonzero(one.patients["protocol"] == plan.protocols[0])
    for few in (1, 2):
        kept = one.patients.drop(index=one.patients.index[of_base[few:]]).reset_index(drop=True)
        there = set(kept["patient_id"])
        small = replace(
            one,
            patients=kept,
            **{name: table[table["patient_id"].isin(there)] for name, table in one.tables() if name != "patients"},
        )
        sums = summarise_site(small, plan, "site a", trusted=True).sums.tables["numbers"].loc["age_years"].iloc[0]
        ages = small.patients.loc[small.patients["protocol"] == plan.protocols[0], "age_years"].to_numpy(dtype=float)
        away = np.sqrt(max(2 * sums["squares"] - sums["sum"] ** 2, 0)) if few == 2 else 0.0
        solved = plan.numbers["age_years"] + (sums["sum"] + np.array([-away, away][:few] if few == 2 else [0.0])) / few
        assert np.allclose(np.sort(solved), np.sort(ages))
        with pytest.raises(CohortError, match="would tell of single patients") as told:
            summarise_site(small, plan, "site a")
        assert f"age_years in {plan.protocols[0]}" in str(told.value)


def test_seeds_that_differ_are_found(cohort, sites, tmp_path):
    plan = plan_pooling(cohort, "pain", week=26, sites=list(sites), adjust_for=[])
    seeds = seeds_of(sites)
    wrong = {name: dict(shared) for name, shared in seeds.items()}
    wrong["site a"]["site b"] = "0f" * 16
    first = [
        read_profiles(
            write_profiles(summarise_profiles(one, plan, name, seeds=wrong[name]), plan, tmp_path / f"first {name}"),
            plan,
        )
        for name, one in sites.items()
    ]
    with pytest.raises(CohortError, match="masks do not cancel"):
        settle_kept(plan, first)
    second, *_ = settled(sites, plan, seeds, tmp_path)
    files = [
        write_masked(mask_site(one, second, name, wrong[name]), second, tmp_path / f"masked {name}")
        for name, one in sites.items()
    ]
    with pytest.raises(CohortError, match="masks do not cancel"):
        combine_sites(second, files)


def test_two_plans_after_each_other_tell_a_row_and_the_page_says_so():
    """A level that one patient has is left out by the plan that names it, and not by the plan without it: the difference is the row."""
    cohort = generate_cohort(patients=240, seed=5).observed
    visits = cohort.visits[(cohort.visits["measure"] == "pain") & cohort.visits["week"].isin([0, 12, 26])]
    whole = visits.groupby("patient_id")["week"].transform("nunique") == 3
    people = cohort.patients[cohort.patients["patient_id"].isin(visits.loc[whole, "patient_id"])]
    people = people.assign(sex=np.where(np.arange(len(people)) == 0, "male", "female")).reset_index(drop=True)
    site = replace(cohort, patients=people, visits=visits[whole], events=None, sessions=None, brace_limits=None)
    like = replace(site, patients=people.assign(sex=np.where(np.arange(len(people)) % 2, "male", "female")))
    plans = [plan_pooling(like, "pain", week=26, sites=["here", "there"], adjust_for=named) for named in ([], ["sex"])]
    one, other = (summarise_site(site, plan, "here").moments for plan in plans)
    assert one.n_patients == other.n_patients + 1
    weeks = [one.products[0][0, -2 + place] - other.products[0][0, -2 + place] for place in range(2)]
    own = visits[visits["patient_id"] == people["patient_id"][0]].sort_values("week")["value"].to_numpy()[1:]
    assert np.allclose(np.array(weeks) + plans[0].moments.outcome_shift, own)
    page = (Path(__file__).resolve().parents[2] / "docs" / "protocols-over-sites.md").read_text(encoding="utf-8")
    assert "Two plans, one after the other" in page

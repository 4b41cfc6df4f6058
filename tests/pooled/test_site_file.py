"""What a site sends is read strictly: another plan, a changed file, a missing site, an old version, a number that is none."""

import json
from dataclasses import replace

import numpy as np
import pytest

from analysis.errors import CohortError, ModelError
from analysis.pooled.agreed import read_pooling_plan
from analysis.pooled.planning import plan_pooling
from analysis.pooled.sites.combining import combine_sites, read_network, write_network
from analysis.pooled.sites.sealed import hash_of_file, write_sealed
from analysis.pooled.sites.site_file import read_site_sums, summarise_site, write_site_sums
from synthetic_cohort import generate_cohort

from .sites_of import by_site, with_sites


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """Give the cohorts of three sites, their plan, and the folder with their files."""
    cohort = with_sites(generate_cohort(patients=120, seed=5).observed, 3)
    sites = by_site(cohort)
    plan = plan_pooling(cohort, "pain", week=26, sites=list(sites))
    folder = tmp_path_factory.mktemp("sites")
    for name, one in sites.items():
        write_site_sums(summarise_site(one, plan, name, trusted=True), folder / f"{name}.json")
    return sites, plan, folder


def files_of(folder):
    return sorted(folder.glob("site*.json"))


def changed(path, target, change):
    """Write a file again with another content, and its own hash."""
    data = json.loads(path.read_text(encoding="utf-8"))
    data.pop("sha256")
    change(data)
    return write_sealed(data, target, overwrite=True)


def test_what_is_read_is_what_was_written(made):
    sites, plan, folder = made
    found = read_site_sums(files_of(folder)[0], plan)
    own = summarise_site(sites["site a"], plan, "site a", trusted=True)
    assert found.sums.to_json() == own.sums.to_json()
    assert np.array_equal(found.moments.products, own.moments.products)
    assert np.array_equal(found.moments.seen, own.moments.seen)
    assert (found.site, found.left_out, found.trusted) == ("site a", 0, True)


def test_a_plan_is_read_as_it_was_written(made, tmp_path):
    _, plan, _ = made
    again = read_pooling_plan(plan.save(tmp_path / "plan.json"))
    assert again.digest == plan.digest
    assert again.endpoint == plan.endpoint
    with pytest.raises(CohortError, match="a file of that name"):
        plan.save(tmp_path / "plan.json")
    kept = replace(plan, kept=((b"\x80", ("usual", "site a")),))
    assert read_pooling_plan(kept.save(tmp_path / "kept.json")).kept == kept.kept


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"form": "another"}', '{"form": 3}'])
def test_a_file_that_is_no_plan_is_refused(text, tmp_path):
    (tmp_path / "plan.json").write_text(text)
    with pytest.raises(CohortError, match="holds no plan of a comparison"):
        read_pooling_plan(tmp_path / "plan.json")


def test_the_folder_of_a_network_comes_back(made, tmp_path):
    _, plan, folder = made
    pooled = combine_sites(plan, files_of(folder))
    again = read_network(write_network(pooled, tmp_path / "network"))
    assert again.sums.to_json() == pooled.sums.to_json()
    assert np.array_equal(again.moments.products, pooled.moments.products)
    assert again.sites.to_dict("list") == pooled.sites.to_dict("list")
    assert again.sites["sha256"].tolist() == [hash_of_file(one) for one in files_of(folder)]
    with pytest.raises(CohortError, match="a folder or file of that name"):
        write_network(pooled, tmp_path / "network")
    with pytest.raises(CohortError, match="no folder of combined sites"):
        read_network(tmp_path)


def test_a_changed_file_is_refused(made, tmp_path):
    _, plan, folder = made
    path = files_of(folder)[0]
    text = path.read_text(encoding="utf-8")
    (tmp_path / "x.json").write_text(text.replace('"left_out": 0', '"left_out": 1'))
    with pytest.raises(CohortError, match="changed after it was written"):
        read_site_sums(tmp_path / "x.json", plan)
    (tmp_path / "y.json").write_text(text[: len(text) // 2])
    with pytest.raises(CohortError, match="no valid JSON"):
        read_site_sums(tmp_path / "y.json", plan)


def test_a_file_of_another_plan_or_version_is_refused(made, tmp_path):
    _, plan, folder = made
    path = files_of(folder)[0]
    with pytest.raises(CohortError, match="made by another plan"):
        read_site_sums(path, replace(plan, enough=0.9))
    with pytest.raises(CohortError, match=r"Version 0\.0\.1 of the kit wrote the file"):
        read_site_sums(changed(path, tmp_path / "x.json", lambda data: data.update(kit="0.0.1")), plan)
    with pytest.raises(CohortError, match="its form is"):
        read_site_sums(changed(path, tmp_path / "x.json", lambda data: data.update(form="older")), plan)


@pytest.mark.parametrize(
    "change",
    [
        lambda data: data["sums"]["responders"]["judged"].__setitem__(0, -1),
        lambda data: data["sums"]["responders"]["judged"].__setitem__(0, 1.5),
        lambda data: data["sums"]["responders"]["judged"].__setitem__(0, "many"),
        lambda data: data["sums"]["responders"]["judged"].__setitem__(0, None),
        lambda data: data["sums"]["responders"]["responders"].__setitem__(0, 10_000),
        lambda data: data["sums"]["responders"]["allocated"].__setitem__(0, 10_000),
        lambda data: data["sums"]["visits"]["seen"].__setitem__(0, 10_000),
        lambda data: data["sums"]["patients"]["never_seen"].__setitem__(0, 10_000),
        lambda data: data["sums"]["categories"]["patients"].__setitem__(0, 10_000),
        lambda data: data["sums"]["harms"]["patients"].__setitem__(0, 10_000),
        lambda data: data["sums"]["amounts"]["reached"].__setitem__(0, 10_000),
        lambda data: data["sums"]["responders"]["judged"].append(1),
        lambda data: data["sums"]["responders"].pop("judged"),
        lambda data: data["sums"].pop("responders"),
        lambda data: data["moments"]["products"][0].__setitem__(0, None),
        lambda data: data["moments"]["products"][0].__setitem__(0, 1e9),
        lambda data: data["moments"]["products"].pop(),
        lambda data: data["moments"].pop("seen"),
        lambda data: data.pop("moments"),
    ],
)
def test_a_number_that_is_none_is_refused(made, change, tmp_path):
    _, plan, folder = made
    path = changed(files_of(folder)[0], tmp_path / "x.json", change)
    with pytest.raises(CohortError, match="no file that a site sends"):
        read_site_sums(path, plan)


def test_a_word_for_no_number_is_refused(made, tmp_path):
    _, plan, folder = made
    text = files_of(folder)[0].read_text(encoding="utf-8")
    (tmp_path / "x.json").write_text(text.replace('"left_out": 0', '"left_out": NaN'))
    with pytest.raises(CohortError, match="holds a number that is none"):
        read_site_sums(tmp_path / "x.json", plan)


def test_every_site_of_the_plan_is_there_once(made, tmp_path):
    _, plan, folder = made
    first, second, third = files_of(folder)
    with pytest.raises(CohortError, match="1 site of the plan sent nothing: site c"):
        combine_sites(plan, [first, second])
    with pytest.raises(CohortError, match="'site a' is in two files"):
        combine_sites(plan, [first, second, third, first])
    with pytest.raises(CohortError, match="3 sites of the plan sent nothing"):
        combine_sites(plan, [])
    with pytest.raises(CohortError, match="'site z' is not in the plan"):
        combine_sites(plan, [first, second], without=["site z"])
    found = combine_sites(plan, [first, second], without=["site c"])
    assert found.without == ("site c",)
    assert found.sites["site"].tolist() == ["site a", "site b"]
    other = changed(third, tmp_path / "x.json", lambda data: data.update(site="site z"))
    with pytest.raises(CohortError, match="'site z' is not in the plan"):
        combine_sites(plan, [first, second, other])


def test_data_of_other_days_are_refused(made, tmp_path):
    sites, plan, folder = made
    first, second, third = files_of(folder)
    later = changed(third, tmp_path / "x.json", lambda data: data.update(as_of="2026-02-01"))
    with pytest.raises(CohortError, match="as of different days"):
        combine_sites(plan, [first, second, later])
    dated = replace(plan, as_of="2026-02-01")
    with pytest.raises(CohortError, match="as of no day, and 2026-02-01 was agreed"):
        summarise_site(sites["site a"], dated, "site a", trusted=True)


def test_cells_of_few_patients_are_left_out_or_said(made):
    sites, plan, _ = made
    found = summarise_site(sites["site a"], plan, "site a")
    with_visits = summarise_site(sites["site a"], plan, "site a", trusted=True).moments.n_patients
    stay = 0 if found.moments is None else found.moments.n_patients
    assert stay + found.left_out == with_visits
    assert found.left_out > 0
    assert found.moments is None or not found.moments.disclosure(plan.k).small
    settled = replace(plan, kept=((b"\xfc", ("exercise only", "site a")),))
    with pytest.raises(ModelError, match="would tell of single patients"):
        summarise_site(sites["site a"], settled, "site a")


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda one: replace(one, reference=None, patients=one.patients.assign(protocol="new")), "protocol 'new'"),
        (lambda one: replace(one, events=one.events.assign(event="a new kind")), "not in the plan"),
        (lambda one: replace(one, patients=one.patients.assign(sex="other")), "not in the plan"),
        (lambda one: replace(one, sessions=one.sessions.assign(week=one.sessions["week"] + 100)), "not in the plan"),
        (lambda one: replace(one, sessions=one.sessions.assign(modality="cycling")), "not in the plan"),
    ],
)
def test_what_the_plan_does_not_name_is_refused(made, change, said):
    sites, plan, _ = made
    with pytest.raises(CohortError, match=said):
        summarise_site(change(sites["site a"]), plan, "site a", trusted=True)


def test_weeks_off_the_schedule_are_refused(made):
    sites, plan, _ = made
    one = sites["site a"]
    moved = one.visits.assign(week=one.visits["week"].replace(26.0, 27.0))
    with pytest.raises(ModelError, match="week 27"):
        summarise_site(replace(one, visits=moved), plan, "site a", trusted=True)


def test_names_that_others_may_have_are_agreed_before(made):
    sites, _, _ = made
    one = sites["site a"]
    also = {"events": ["fall"], "modalities": ["cycling"], "sex": ["not said"]}
    plan = plan_pooling(one, "pain", week=26, sites=["site a", "site b"], also=also)
    assert plan.events[-1] == "fall"
    assert "not said" in plan.categories["sex"]
    found = summarise_site(replace(one, events=one.events.assign(event="fall")), plan, "site a", trusted=True)
    assert found.sums.tables["harms"].xs("fall", level="event")["events"].sum() == len(one.events)
    with pytest.raises(CohortError, match="no names to be added under 'colours'"):
        plan_pooling(one, "pain", week=26, sites=["site a", "site b"], also={"colours": ["red"]})


def test_sites_are_named_once():
    cohort = generate_cohort(patients=60, seed=1).observed
    with pytest.raises(CohortError, match="named twice"):
        plan_pooling(cohort, "pain", week=26, sites=["a", "a"])
    plan = plan_pooling(cohort, "pain", week=26, sites=["a", "b"])
    with pytest.raises(CohortError, match="'c' is not in the plan"):
        summarise_site(cohort, plan, "c")


def test_a_measure_in_another_unit_is_refused(made):
    sites, plan, _ = made
    other = replace(plan.endpoint.measure, unit="cm")
    with pytest.raises(CohortError, match="measured in another way"):
        summarise_site(sites["site a"], replace(plan, endpoint=replace(plan.endpoint, measure=other)), "site a")


def test_a_small_cohort_can_plan_for_many_sites():
    """Whether a site has enough patients to be adjusted for is not for the cohort to say that the plan is made from."""
    cohort = generate_cohort(patients=60, seed=1).observed
    names = [f"site {one}" for one in range(12)]
    plan = plan_pooling(cohort, "pain", week=26, sites=names)
    assert plan.terms.endswith(" + site")
    (site,) = (one for one in plan.moments.covariates if one.name == "site")
    assert site.levels == tuple(names)
    with pytest.raises(ModelError, match="smooth curve of a covariate has no columns at the sites"):
        plan_pooling(cohort, "pain", week=26, sites=names, adjust_for=["spline(age_years)"])

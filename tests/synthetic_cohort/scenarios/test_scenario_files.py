"""Scenario files: strict reading, a source for every parameter, plain data and back."""

import json
import tomllib
from dataclasses import replace
from importlib import resources
from pathlib import Path

import pytest

from analysis.cohort import load_catalogue
from analysis.errors import CohortError
from synthetic_cohort import Effect, generate_again, generate_cohort, list_scenarios, load_scenario
from synthetic_cohort.scenarios.scenario_files import read_scenario

SHIPPED = [name for name in list_scenarios() if not name.endswith("no difference")]


def data(name="meniscus surgery"):
    path = resources.files("synthetic_cohort").joinpath("scenarios", name.replace(" ", "_") + ".toml")
    return tomllib.loads(path.read_text(encoding="utf-8"))


def test_the_scenarios_of_the_kit():
    assert list_scenarios() == [
        "ligament reconstruction",
        "ligament reconstruction, no difference",
        "knee replacement",
        "knee replacement, no difference",
        "meniscus surgery",
        "meniscus surgery, no difference",
        "patellofemoral pain",
        "patellofemoral pain, no difference",
    ]
    assert [load_scenario(name).name for name in list_scenarios()] == list_scenarios()


@pytest.mark.parametrize("name", SHIPPED)
def test_every_parameter_has_a_source(name):
    parameters = load_scenario(name).parameters()
    assert len(parameters) > 200
    assert parameters["parameter"].is_unique
    assert parameters["source"].str.match(r"(V: |M: |design choice|common practice, no source)").all()


@pytest.mark.parametrize("name", SHIPPED)
def test_scales_agree_with_the_catalogue(name):
    for series in load_scenario(name).series:
        measure = load_catalogue()[series.measure]
        assert measure.lowest <= series.lowest < series.highest <= measure.highest
        assert series.limb in measure.limbs


def test_the_courses_that_effects_take():
    courses = {effect.course for name in SHIPPED for effect in load_scenario(name).effects}
    assert courses == {"early and fading", "late"}
    assert {effect.measure for effect in load_scenario("meniscus surgery").effects} == {"knee_flexion"}


def test_plain_data_and_back():
    scenario = load_scenario("ligament reconstruction")
    assert read_scenario(json.loads(json.dumps(scenario.to_json())), "memory") == scenario


def test_a_scenario_of_ones_own_is_made_again_from_its_provenance():
    scenario = load_scenario("meniscus surgery")
    effect = Effect("home exercise and early motion", "lysholm", "none", "constant", 4.0, 1.0)
    own = replace(scenario, name="my own", effects=(effect,))
    first = generate_cohort(own, patients=30, seed=4)
    provenance = type(first.observed.provenance).from_json(json.loads(json.dumps(first.observed.provenance.to_json())))
    again = generate_again(provenance)
    assert again.observed.visits.equals(first.observed.visits)
    assert again.scenario == own
    late = first.truth.protocol_differences.query("measure == 'lysholm' and week == 52")["difference"].item()
    assert 3 < late < 4


def test_a_changed_scenario_under_its_old_name_is_not_taken_for_the_old_one():
    scenario = load_scenario("meniscus surgery")
    changed = generate_cohort(replace(scenario, effects=()), patients=10)
    assert "scenario" in changed.observed.provenance.parameters
    assert generate_again(changed.observed.provenance).scenario.effects == ()


def test_a_file_of_ones_own(tmp_path):
    path = tmp_path / "own.toml"
    text = resources.files("synthetic_cohort").joinpath("scenarios", "meniscus_surgery.toml").read_text("utf-8")
    path.write_text(text.replace('name = "meniscus surgery"', 'name = "own"'), encoding="utf-8")
    assert load_scenario(path).name == "own"


def unknown_key(d):
    d["patients"]["height"] = 1


def missing_key(d):
    del d["home"]["start_share"]


def no_source(d):
    d["home"]["sources"] = {"start_share": "design choice"}


def source_of_nothing(d):
    d["home"]["sources"]["speed"] = "design choice"


def wrong_type(d):
    d["patients"]["age_mean"] = "old"


def wrong_list(d):
    d["visit_weeks"] = 12


def wrong_whole_number(d):
    d["therapists_per_site"] = 2.5


def wrong_choice(d):
    d["missingness"]["lost"] = "sometimes"


def wrong_pair(d):
    d["series"][0]["covariate_shares"] = [["graft", "patellar"]]


def wrong_rules(d):
    d["primary_week"] = 13
    d["site_shares"] = [0.5, 0.5, 0.5]
    d["series"][0]["lowest"] = 9
    d["effects"][0]["protocol"] = "home exercise"


def a_list_for_a_table(d):
    d["patients"] = [1, 2]


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (unknown_key, "The key 'height' is not known."),
        (missing_key, "The key 'start_share' is missing."),
        (no_source, "The parameter 'end_share' has no source."),
        (source_of_nothing, "There is a source for 'speed', which is not a parameter of this table."),
        (wrong_type, "age_mean should be a number, not 'old'."),
        (wrong_list, "visit_weeks should be a list, not 12."),
        (wrong_whole_number, "therapists_per_site should be a whole number, not 2.5."),
        (wrong_choice, "lost should be one of: completely at random, at random, not at random, not 'sometimes'."),
        (wrong_pair, "covariate_shares should be a list of 3, not ['graft', 'patellar']."),
        (wrong_rules, "The scenario has 4 problems: site_shares should be one share a site and sum to 1; the primary"),
        (a_list_for_a_table, "A table of keys is expected here."),
    ],
)
def test_a_wrong_file_is_refused_with_what_where_and_what_to_do(change, message):
    plain = data()
    change(plain)
    with pytest.raises(CohortError) as caught:
        read_scenario(plain, "own.toml")
    assert caught.value.what.startswith(message)
    assert "own.toml" in caught.value.where
    assert caught.value.what_to_do


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"name = ", "The scenario file is not TOML."),
        (b"\xff\xfe", "The scenario file is not TOML."),
        (b"a = " + b"[" * 5000 + b"]" * 5000, "The scenario file is not TOML."),
        (b"a = " + b"9" * 5000, "The scenario file is not TOML."),
    ],
)
def test_a_file_that_is_not_toml(tmp_path, content, message):
    path = tmp_path / "own.toml"
    path.write_bytes(content)
    with pytest.raises(CohortError) as caught:
        load_scenario(path)
    assert caught.value.what == message


def test_a_file_that_is_not_there():
    with pytest.raises(CohortError, match="The scenario file cannot be read"):
        load_scenario(Path("nowhere.toml"))


def test_a_scenario_object_is_checked_too():
    scenario = load_scenario("meniscus surgery")
    with pytest.raises(CohortError, match="visit_weeks should rise from 0"):
        generate_cohort(replace(scenario, visit_weeks=(2.0, 0.0)))

"""A provenance may come from anywhere: what it may ask for is limited, and no cohort of the kit comes near."""

import pytest

from analysis.cohort import Provenance
from analysis.errors import CohortError
from synthetic_cohort import generate_again, generate_cohort, list_scenarios, load_scenario
from synthetic_cohort.again import MOST_PLANNED_VALUES, planned_values

OWN = load_scenario("ligament reconstruction").to_json()


def again(scenario, patients=5):
    return generate_again(
        Provenance(scenario="own", seed=1, parameters={"patients": patients, "scenario": scenario}, steps=())
    )


def with_first(part, **values):
    first, *rest = OWN[part]
    return OWN | {part: [first | values, *rest]}


@pytest.mark.parametrize("name", list_scenarios())
def test_the_largest_demo_of_every_scenario_is_within_the_limit(name):
    assert 2 * 20_000 * planned_values(load_scenario(name)) <= MOST_PLANNED_VALUES
    made = generate_cohort(name, patients=5, seed=2)
    again_made = again(made.scenario.to_json())
    assert again_made.scenario == made.scenario


@pytest.mark.parametrize(
    ("scenario", "said"),
    [
        (OWN | {"protocols": [f"protocol {i}" for i in range(20_000)]}, "more than 10,000 parameters"),
        (OWN | {"visit_weeks": list(range(20_000))}, "more than 10,000 parameters"),
        (OWN | {"covariates": [[]] * 20_000}, "more than 10,000 parameters"),
        (OWN | {"therapists_per_site": 10**9}, "planned values at most"),
        (with_first("modalities", last_week=10**9), "its weeks or sessions are not in order"),
        (with_first("events", last_week=10**300), "its modality or weeks are not in order"),
        (with_first("series", decimals=10**300), "decimals should be from 0 to 15"),
    ],
)
def test_a_scenario_that_would_explode_is_refused(scenario, said):
    with pytest.raises(CohortError) as caught:
        again(scenario)
    assert said in caught.value.what
    assert caught.value.where
    assert caught.value.what_to_do


def test_weeks_of_home_sessions_count_for_every_patient():
    with pytest.raises(CohortError, match="planned values at most"):
        again(with_first("modalities", last_week=500), patients=6_000)


def test_a_person_may_ask_for_more():
    name = "patellofemoral pain"
    patients = MOST_PLANNED_VALUES // planned_values(load_scenario(name)) + 1
    made = generate_cohort(name, patients=patients)
    assert len(made.truth.cells.patient_id) == patients
    with pytest.raises(CohortError, match="make it yourself with generate_cohort"):
        generate_again(Provenance(scenario=name, seed=1, parameters={"patients": patients}))

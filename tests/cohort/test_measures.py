"""The catalogue of measures, and measures of the user's own."""

import math

import pytest

from analysis.cohort import Measures, load_catalogue
from analysis.cohort.catalogue import read_measure
from analysis.errors import CohortError

OWN = {"unit": "points", "direction": "lower is better"}
MDC = {"value": 2, "kind": "MDC", "population": "adults"}
MIC = {"value": 5, "kind": "MIC", "population": "adults", "procedure": "knee replacement"}


@pytest.mark.parametrize("measure", load_catalogue().values(), ids=lambda measure: measure.name)
def test_every_measure_of_the_catalogue_is_whole(measure):
    assert measure.unit
    assert measure.label
    assert measure.lowest < measure.highest
    assert set(measure.derived_from) <= set(load_catalogue()) | {"quadriceps_torque_pre_injury"}
    for threshold in measure.thresholds:
        assert 0 < threshold.value < measure.highest - measure.lowest
        assert threshold.population
        assert threshold.source
        assert threshold.mark in ("V", "M", "D")
    if measure.has_threshold and not any(t.kind == "MIC" and t.accepted for t in measure.thresholds):
        assert measure.threshold().name == "minimal detectable change"
    if not any(t.kind == "MIC" and t.accepted for t in measure.thresholds):
        assert "No accepted" in measure.description or measure.name == "body_mass"


def test_a_mix_up_lies_outside_the_plausible_range_of_its_measure():
    for measure in load_catalogue().values():
        for mix_up in measure.mix_ups:
            assert mix_up.highest > measure.highest or mix_up.lowest < measure.lowest, measure.name


def test_the_measure_comes_back_from_json():
    for measure in load_catalogue().values():
        assert read_measure(measure.name, measure.to_json(), "here") == measure


def test_a_mic_goes_before_an_mdc_and_the_procedure_asked_for_before_others():
    other = {**MIC, "value": 7, "procedure": "ligament reconstruction"}
    measure = read_measure("own", {**OWN, "thresholds": [MDC, MIC, other]}, "map.toml")
    assert (measure.threshold().value, measure.threshold("ligament reconstruction").value) == (5, 7)
    assert measure.threshold("meniscus surgery").value == 5
    refused = read_measure("own", {**OWN, "thresholds": [MDC, {**MIC, "accepted": False}]}, "map.toml")
    assert refused.threshold().kind == "MDC"


def test_a_measure_without_threshold_says_what_to_do():
    measure = read_measure("own", OWN, "map.toml")
    assert not measure.has_threshold
    assert (measure.sign, measure.lowest, measure.default_limb) == (-1, -math.inf, "none")
    with pytest.raises(CohortError, match="'own' has no threshold of change"):
        measure.threshold()


@pytest.mark.parametrize(
    ("data", "said"),
    [
        ({**OWN, "colour": "red"}, "The key 'colour' is not known"),
        ({"unit": "m"}, "The key 'direction' is missing"),
        ({**OWN, "direction": "up"}, "no direction 'up'"),
        ({**OWN, "limbs": ["left"]}, "no limb 'left'"),
        ({**OWN, "lowest": 5, "highest": 5}, "range is empty"),
        ({**OWN, "lowest": "low"}, "lowest should be a number"),
        ({**OWN, "thresholds": [{**MIC, "kind": "MCID"}]}, "no kind of threshold 'MCID'"),
        ({**OWN, "mix_ups": [{"unit": "m"}]}, "is missing"),
        ("points", "table of keys"),
    ],
)
def test_a_measure_is_read_strictly(data, said):
    with pytest.raises(CohortError, match=said):
        read_measure("own", data, "map.toml")


def test_measures_are_a_read_only_mapping_that_names_what_it_knows():
    measures = load_catalogue().with_measures(read_measure("own", OWN, "map.toml"))
    assert list(measures)[-1] == "own"
    assert "own" not in load_catalogue()
    with pytest.raises(CohortError, match="no measure 'grip'") as caught:
        measures["grip"]
    assert "quadriceps_torque" in caught.value.where
    assert len(Measures([measures["own"], measures["own"]])) == 1


def test_a_description_says_that_no_important_change_is_known_only_where_none_is():
    for measure in load_catalogue().values():
        known = any(one.kind == "MIC" and one.accepted for one in measure.thresholds)
        assert not (known and "No accepted minimal important change" in measure.description), measure.name

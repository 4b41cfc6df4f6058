"""The endpoint: its words, what it compares, and what it refuses."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from analysis.cohort import Cohort
from analysis.errors import CohortError, ModelError
from analysis.outcomes import choose_endpoint
from analysis.outcomes.responders.better_or_worse import better_or_worse
from analysis.outcomes.responders.responders import responders
from analysis.outcomes.true_response.probability_of_response import probability_of_response

WORDS = [
    (
        ("pain", {"threshold": 2}),
        (
            "Pain: a fall of at least 2 points from the last value before the start to week 26; patients not seen then or "
            "without a baseline are left out."
        ),
    ),
    (
        ("ikdc", {"threshold": 30, "criterion": "percent", "missing": "non-response"}),
        (
            "IKDC subjective knee score: a rise of at least 30 % of the last value before the start by week 26; patients not seen "
            "then or without a baseline count as not improved."
        ),
    ),
    (
        ("limb_symmetry_index", {"threshold": 90, "criterion": "state"}),
        "Limb symmetry index, quadriceps torque: at least 90 % at week 26; patients not seen then are left out.",
    ),
    (
        ("pain", {"threshold": 2, "criterion": "state", "missing": "non-response"}),
        "Pain: at most 2 points at week 26; patients not seen then count as not having reached it.",
    ),
    (
        ("quadriceps_torque", {"threshold": 0.2, "limb": "uninvolved", "baseline": "mean before start"}),
        (
            "Quadriceps torque, uninvolved limb: a rise of at least 0.2 N·m/kg from the mean value before the start to week 26; "
            "patients not seen then or without a baseline are left out."
        ),
    ),
    (
        ("quadriceps_torque", {"criterion": None, "baseline": "first before start"}),
        "Quadriceps torque, involved limb: improvement from the first value before the start to week 26.",
    ),
]


@pytest.mark.parametrize(("asked", "words"), WORDS)
def test_it_says_in_one_sentence_what_is_counted(two_protocols, asked, words):
    measure, options = asked
    assert choose_endpoint(two_protocols, measure, week=26, **options).words == words


def test_where_it_is_shown_it_is_the_same_sentence(two_protocols):
    endpoint = choose_endpoint(two_protocols, "ikdc", week=26, threshold=12)
    assert endpoint.words in repr(responders(two_protocols, endpoint))


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"week": 0}, r"There is no change from baseline at week 0\.\n  what to do: Name a week after the start"),
        ({"week": float("nan")}, r"The week nan is not a number of weeks\.\n  what to do: Name a week of the cohort\."),
        ({"criterion": "double"}, r"There is no criterion 'double'\.\n  what to do: Use one of: improvement, percent"),
        ({"criterion": "percent"}, r"The criterion 'percent' needs a number to reach\.\n  where: measure 'ikdc'"),
        ({"criterion": "state", "threshold": 120}, r"Nobody can reach 120 points in ikdc .*\n  where: .*: 0 to 100"),
        ({"threshold": -2}, r"The threshold -2 points is not a size of improvement\."),
        (
            {"missing": "carried"},
            r"There is no rule 'carried' for missing visits\.\n  what to do: Use one of: excluded",
        ),
        ({"baseline": "best"}, r"There is no baseline rule 'best'\.\n  what to do: Use one of: last before start"),
        (
            {"reference": "late"},
            r"There is no protocol 'late' to compare with\.\n  where: protocols compared: usual, e",
        ),
        ({"level": 95}, r"The confidence level 95 is not between 0 and 1\."),
    ],
)
def test_what_it_refuses(two_protocols, options, message):
    with pytest.raises(ModelError, match=message):
        choose_endpoint(two_protocols, "ikdc", **{"week": 26, **options})


def test_a_limb_and_a_threshold_that_are_not_there(two_protocols):
    with pytest.raises(
        CohortError, match=r"The measure 'ikdc' is not taken on limb 'involved'\.\n  where: limbs of ikdc"
    ):
        choose_endpoint(two_protocols, "ikdc", week=26, limb="involved")
    with pytest.raises(CohortError, match=r"The measure 'thigh_girth' has no threshold of change\."):
        choose_endpoint(two_protocols, "thigh_girth", week=26)


def test_what_is_changed_is_checked_again(two_protocols):
    endpoint = choose_endpoint(two_protocols, "ikdc", week=26, threshold=12)
    assert replace(endpoint, week=12).words == endpoint.words.replace("week 26", "week 12")
    with pytest.raises(ModelError, match="no change from baseline at week 0"):
        replace(endpoint, week=0)


def test_nobody_is_counted_without_a_threshold(two_protocols):
    means = choose_endpoint(two_protocols, "ikdc", week=26, criterion=None)
    with pytest.raises(
        ModelError, match=r"Nobody can be counted as improved without a threshold\.\n  where: endpoint: "
    ):
        responders(two_protocols, means)


def test_an_endpoint_takes_no_further_words(two_protocols):
    endpoint = choose_endpoint(two_protocols, "ikdc", week=26, threshold=12)
    with pytest.raises(ModelError, match="The endpoint is chosen already, so level, limb cannot be named beside it"):
        responders(two_protocols, endpoint, level=0.9, limb="none")


def test_functions_refuse_an_endpoint_that_they_cannot_honour(two_protocols):
    state = choose_endpoint(two_protocols, "ikdc", week=26, threshold=90, criterion="state")
    with pytest.raises(ModelError, match=r"A state has no direction of change\."):
        better_or_worse(two_protocols, state)
    share = choose_endpoint(two_protocols, "ikdc", week=26, threshold=30, criterion="percent")
    with pytest.raises(ModelError, match="probability of a change in per cent of the baseline is not known"):
        probability_of_response(two_protocols, share, measurement_error=4)
    mean = choose_endpoint(two_protocols, "ikdc", week=26, threshold=12, baseline="mean before start")
    with pytest.raises(ModelError, match="The joint model of all visits knows no baseline 'mean before start'"):
        probability_of_response(two_protocols, mean, measurement_error=4)


def test_both_directions_in_per_cent_of_the_baseline(make_cohort):
    """Baselines of 10, 20 and 40 points that fall by 3, rise by 8 and fall by 4: 30 % better, 40 % worse, 10 % better."""
    cohort = make_cohort({"usual": [-3, 8, -4]}, measure="pain", baselines=[10, 20, 40])
    found = better_or_worse(cohort, choose_endpoint(cohort, "pain", week=26, threshold=30, criterion="percent"))
    assert found.table["patients"].tolist() == [1, 1, 1]


@pytest.mark.parametrize(
    ("criterion", "amounts"),
    [("improvement", [1.0, -1.0, np.nan]), ("percent", [25.0, np.nan, np.nan]), ("state", [-3.0, -1.0, -2.0])],
)
def test_what_is_compared_where_lower_is_better(make_cohort, criterion, amounts):
    cohort = make_cohort({"usual": [0]}, measure="pain", baseline=6)
    endpoint = choose_endpoint(cohort, "pain", week=26, threshold=2, criterion=criterion)
    baseline, value = [4.0, 0.0, np.nan], [3.0, 1.0, 2.0]
    np.testing.assert_array_equal(endpoint.amount(np.array(baseline), np.array(value)), amounts)
    np.testing.assert_array_equal(endpoint.amount(pd.Series(baseline), pd.Series(value)).to_numpy(), amounts)
    assert endpoint.limit == (-2 if criterion == "state" else 2)


@settings(max_examples=20, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.lists(st.one_of(st.none(), st.integers(-40, 40)), min_size=2, max_size=12),
    st.sampled_from(["improvement", "percent", "state"]),
    st.sampled_from(["excluded", "non-response"]),
    st.sampled_from(["last before start", "first before start", "mean before start"]),
    st.floats(0.5, 0.99),
)
def test_the_short_way_in_is_the_same(make_cohort, changes, criterion, missing, baseline, level):
    cohort = make_cohort({"usual": changes, "early": changes[::-1]})
    cohort = Cohort(cohort.patients, cohort.visits)
    options = {
        "week": 26,
        "threshold": 20,
        "criterion": criterion,
        "missing": missing,
        "baseline": baseline,
        "level": level,
    }
    short = responders(cohort, "ikdc", **options)
    long = responders(cohort, choose_endpoint(cohort, "ikdc", **options))
    assert short.endpoint == long.endpoint
    for name in ("table", "differences", "ratios", "mean_improvement", "mean_differences", "patients"):
        pd.testing.assert_frame_equal(getattr(short, name), getattr(long, name))

"""A measure with a best value between others: improvement is coming nearer to it, whichever side one comes from."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.cohort import Cohort, load_catalogue
from analysis.errors import ModelError
from analysis.outcomes.change.change import change_at_week, change_frame
from analysis.outcomes.change.gap_regained import gap_regained
from analysis.outcomes.change.regression_to_mean import chosen_group_change
from analysis.outcomes.chosen_endpoint import choose_endpoint
from analysis.outcomes.endpoint import Endpoint
from analysis.outcomes.home_programme.adherence_association import adherence_association
from analysis.outcomes.home_programme.complier_effect import complier_effect
from analysis.outcomes.missing.missing_analyses import missing_data_analyses
from analysis.outcomes.missing.tipping_point import tipping_point
from analysis.outcomes.responders.adjusted_difference import adjusted_difference
from analysis.outcomes.responders.better_or_worse import better_or_worse
from analysis.outcomes.responders.change_distribution import change_distribution
from analysis.outcomes.responders.kept_response import reached_and_kept
from analysis.outcomes.responders.limb_symmetry import limb_symmetry
from analysis.outcomes.responders.paired_difference import responders_at_two_weeks
from analysis.outcomes.responders.responders import responders
from analysis.outcomes.responders.threshold_grid import threshold_grid
from analysis.outcomes.responders.time_to_response import time_to_response
from analysis.quarter.indicators import quarter_indicators
from synthetic_cohort import generate_cohort

MEASURES = load_catalogue()
EXTENSION = MEASURES["knee_extension"]
degrees = st.floats(-60, 60)


def extension(courses, weeks=(0, 12, 26), protocols="AB"):
    """A cohort of knee extension: values of each patient by week, None = not seen; the first half of the first protocol."""
    half = -(-len(courses) // len(protocols))
    people = pd.DataFrame(
        {
            "patient_id": [f"P{k}" for k in range(len(courses))],
            "protocol": [protocols[k // half] for k in range(len(courses))],
        }
    )
    rows = [
        (f"P{k}", float(week), value)
        for k, values in enumerate(courses)
        for week, value in zip(weeks, values, strict=True)
        if value is not None
    ]
    visits = pd.DataFrame(rows, columns=["patient_id", "week", "value"])
    return Cohort(people, visits.assign(measure="knee_extension", limb="involved"))


#: Lacks 10 degrees, then: straight; as far beyond; nearly straight; unchanged. Begins 2 beyond: 9.6 beyond; straight.
COURSES = [(-10, -4, 0), (-10, 0, 10), (-10, 8, 3), (-10, -10, -10), (2, 4, 9.6), (2, 0, 0)]
NEARER = [10, 0, 7, 0, -7.6, 2]


@pytest.fixture
def cohort():
    return extension(COURSES)


# What is compared


@pytest.mark.parametrize(
    ("baseline", "value", "improvement"),
    [(-10, -4, 6), (-10, 4, 6), (10, 4, 6), (2, 9.6, -7.6), (-2, -9.6, -7.6), (-6, 6, 0), (0, 3, -3), (3, 0, 3)],
)
def test_improvement_is_how_much_nearer_to_the_best_value(baseline, value, improvement):
    found = Endpoint(EXTENSION, "involved", 26).amount(np.array([float(baseline)]), np.array([float(value)]))
    assert found.tolist() == pytest.approx([improvement])


@given(degrees, degrees, st.floats(-20, 20), st.sampled_from(["higher is better", "lower is better"]))
@settings(max_examples=100, deadline=None)
def test_it_is_the_same_on_both_sides_of_the_best_value(baseline, value, ideal, direction):
    endpoint = Endpoint(replace(EXTENSION, ideal=ideal, direction=direction), "involved", 26)
    before, after = np.array([baseline]), np.array([value])
    here = endpoint.amount(before, after)
    assert here == pytest.approx(abs(before - ideal) - abs(after - ideal), abs=1e-9)
    assert endpoint.amount(2 * ideal - before, after) == pytest.approx(here, abs=1e-9)
    assert endpoint.amount(before, 2 * ideal - after) == pytest.approx(here, abs=1e-9)
    assert endpoint.amount(after, before) == pytest.approx(-here, abs=1e-9)


@given(degrees, degrees, st.sampled_from(sorted(name for name in MEASURES if MEASURES[name].ideal is None)))
@settings(max_examples=50, deadline=None)
def test_without_a_best_value_it_is_the_change_to_the_last_bit(baseline, value, name):
    found = Endpoint(MEASURES[name], "none", 26).amount(np.array([baseline]), np.array([value]))
    assert found.tolist() == [MEASURES[name].sign * (value - baseline)]
    assert not np.signbit(found[found == 0]).any()


@given(degrees)
@settings(max_examples=50, deadline=None)
def test_short_of_the_best_value_a_value_is_worth_what_it_was(value):
    assert EXTENSION.worth(np.array([-abs(value)])).tolist() == [-abs(value)]
    assert EXTENSION.worth(np.array([abs(value)])).tolist() == [-abs(value)]


def test_a_missing_value_is_worth_nothing_known():
    assert EXTENSION.worth(pd.Series([np.nan, 3.0])).isna().tolist() == [True, False]


# In words


@pytest.mark.parametrize(
    ("options", "words", "threshold", "reached"),
    [
        (
            {"threshold": 5}, "at least 5 deg nearer to 0 at week 26 than the last value before the start",
            "Improvement means at least 5 deg nearer to 0 than at baseline, from either side (given by the user).",
            "had come nearer to 0 by 5 deg or more",
        ),
        (
            {"threshold": 30, "criterion": "percent"},
            "at least 30 % nearer to 0 at week 26 than the last value before the start",
            "Improvement means at least 30 % nearer to 0 than at baseline, from either side (given by the user).",
            "had come nearer to 0 by 30 % or more",
        ),
        (
            {"threshold": -2, "criterion": "state"}, "within 2 deg of 0 at week 26",
            "Reached means a value within 2 deg of 0, on either side (given by the user), whatever the baseline.",
            "was within 2 deg of 0",
        ),
    ],
)  # fmt: skip
def test_it_is_said_that_nearer_is_better(cohort, options, words, threshold, reached):
    endpoint = choose_endpoint(cohort, "knee_extension", week=26, **options)
    assert endpoint.words.startswith(f"Knee extension, involved limb: {words}; patients not seen then")
    assert endpoint.to_reach.words == threshold
    assert endpoint.reached_words == reached


def test_a_published_threshold_says_it_too_and_so_does_an_endpoint_without_one(cohort):
    published = choose_endpoint(cohort, "knee_extension", week=26).to_reach.words
    assert published.startswith(
        "Improvement means at least 5.4 deg nearer to 0 than at baseline, from either side (minimal detectable change: in "
    )
    words = choose_endpoint(cohort, "knee_extension", week=26, criterion=None).words
    assert (
        words == "Knee extension, involved limb: how much nearer to 0 at week 26 than the last value before the start."
    )


def test_the_wrong_sign_of_a_threshold_is_answered_with_nearness(cohort):
    with pytest.raises(ModelError, match=r"Give a positive number: how much nearer to 0 a patient .* has come"):
        choose_endpoint(cohort, "knee_extension", week=26, threshold=-5)


# Counted by hand


def test_changes_are_measured_as_before_and_improvement_is_nearness(cohort):
    endpoint = choose_endpoint(cohort, "knee_extension", week=26)
    table = change_at_week(cohort, endpoint)
    assert table["change"].tolist() == pytest.approx([10, 20, 13, 0, 7.6, -2])
    assert table["improvement"].tolist() == pytest.approx(NEARER)
    every = change_frame(cohort, endpoint)
    assert every.loc[every["week"] == 26, "improvement"].tolist() == pytest.approx(NEARER)
    assert not np.signbit(every["improvement"].dropna().to_numpy()[every["improvement"].dropna() == 0]).any()


def test_responders_and_the_mean_beside_them(cohort):
    found = responders(cohort, "knee_extension", week=26, threshold=5)
    assert found.patients["responder"].tolist() == [True, False, True, False, False, False]
    assert found.mean_improvement["mean"].tolist() == pytest.approx([17 / 3, -5.6 / 3])
    assert found.distribution.shares.query("threshold == 10")["responders"].tolist() == [1, 0]


def test_in_per_cent_of_the_distance_at_baseline(cohort):
    found = responders(cohort, "knee_extension", week=26, threshold=70, criterion="percent")
    assert found.patients["amount"].tolist() == pytest.approx([100, 0, 70, 0, -380, 100])
    assert found.patients["responder"].tolist() == [True, False, True, False, False, True]
    straight = extension([(0, 0, 3), (-4, 0, 0)])
    notes = responders(straight, "knee_extension", week=26, threshold=50, criterion="percent").notes
    assert "1 of 2 patients have a baseline of 0, of which no per cent can be taken." in notes
    bent = replace(EXTENSION, ideal=-5.0)
    assert Endpoint(
        bent, "involved", 26, choose_endpoint(straight, "knee_extension", week=26, threshold=50, criterion="percent").threshold
    ).amount(np.array([-9.0, -5.0]), np.array([-3.0, 0.0])) == pytest.approx([50, np.nan], nan_ok=True)  # fmt: skip


def test_a_state_is_reached_within_its_distance(cohort):
    for limit in (-3, 3):
        endpoint = choose_endpoint(cohort, "knee_extension", week=26, threshold=limit, criterion="state")
        assert responders(cohort, endpoint).patients["responder"].tolist() == [True, False, True, False, False, True]
        shares = change_distribution(cohort, endpoint, thresholds=[-10, 3]).shares
        assert shares["threshold"].tolist() == [-10, -3] * 2
        assert shares["responders"].tolist() == [3, 2, 3, 1]
        grid = threshold_grid(cohort, endpoint, thresholds=[-10]).table.query("missing == 'excluded'")
        assert grid["responders"].tolist() == [3, 2, 3, 1]
        assert grid["chosen"].tolist() == [False, True] * 2


def test_better_or_worse_and_the_grid(cohort):
    endpoint = choose_endpoint(cohort, "knee_extension", week=26, threshold=5)
    directions = better_or_worse(cohort, endpoint).patients["direction"].tolist()
    assert directions == ["better", "unchanged", "better", "unchanged", "worse", "unchanged"]
    grid = threshold_grid(cohort, endpoint, thresholds=[2]).table.query("missing == 'excluded' and threshold == 2")
    assert grid["responders"].tolist() == [2, 1]


def test_over_time(cohort):
    endpoint = choose_endpoint(cohort, "knee_extension", week=12, threshold=5)
    first = time_to_response(cohort, endpoint).patients
    assert first["by_week"].tolist() == pytest.approx([12, 12, 26, *[np.nan] * 3], nan_ok=True)
    kept = reached_and_kept(cohort, endpoint).patients
    assert kept["responder"].tolist() == [True, False, False, False, False, False]
    two = responders_at_two_weeks(cohort, replace(endpoint, week=26.0), earlier=12).table
    assert two[["gained", "lost"]].to_numpy().tolist() == [[1, 1], [0, 0]]


def test_the_gap_to_the_other_limb_is_in_nearness(cohort):
    """The other limb is straight; 10 degrees beyond are as much of a gap as 10 lacking."""
    other = cohort.visits.assign(limb="uninvolved", value=0.0)
    both = Cohort(cohort.patients, pd.concat([cohort.visits, other]))
    endpoint = choose_endpoint(both, "knee_extension", week=26, criterion=None)
    found = gap_regained(both, endpoint)
    assert found.patients["gap_before"].tolist() == pytest.approx([10, 10, 10, 10, 2, 2])
    assert found.patients["regained_percent"].tolist() == pytest.approx([100, 0, 70, 0, -380, 100])
    assert "A gap is how much further from 0 the involved limb is, on either side." in found.notes


def test_a_group_chosen_on_one_side_is_refused(cohort):
    endpoint = choose_endpoint(cohort, "knee_extension", week=26, criterion=None)
    with pytest.raises(ModelError, match=r"Knee extension is best at 0, .*\n.*\n  what to do: .* extension_deficit"):
        chosen_group_change(cohort, endpoint, correlation=0.9)


# Counted again with pandas alone, on cohorts with both sides


@pytest.fixture(scope="module", params=["patellofemoral pain", "ligament reconstruction"])
def generated(request):
    return generate_cohort(request.param, patients=120, seed=4, quarters=2).observed


@pytest.fixture(scope="module")
def distances(generated):
    """Distance from straight of every patient, at the start and by week."""
    rows = generated.visits.query("measure == 'knee_extension' and limb == 'involved'").dropna(subset=["value"])
    wide = rows.assign(value=rows["value"].abs()).pivot_table(index="patient_id", columns="week", values="value")
    before = [week for week in wide if week <= 0]
    return wide.assign(start=wide[before].ffill(axis=1).iloc[:, -1]).reindex(generated.patients["patient_id"])


def test_counts_of_a_generated_cohort_are_those_of_pandas(generated, distances):
    gain = (distances["start"] - distances[26.0]).set_axis(generated.patients.index)
    protocol = generated.patients["protocol"].astype("str")
    endpoint = choose_endpoint(generated, "knee_extension", week=26, threshold=2)
    found = responders(generated, endpoint)
    yes = (gain[gain.notna()] >= 2 - 1e-9).groupby(protocol).agg(["sum", "count"]).loc[found.table["protocol"]]
    assert found.table[["responders", "n"]].to_numpy().tolist() == yes.to_numpy().tolist()
    mean = gain.groupby(protocol).mean()
    assert found.mean_improvement["mean"].tolist() == pytest.approx(
        mean.loc[found.mean_improvement["protocol"]].tolist()
    )
    worse = better_or_worse(generated, endpoint).patients["direction"]
    assert (worse == "worse").sum() == (gain <= -2 + 1e-9).sum() > 0
    weeks = [week for week in distances if isinstance(week, float) and week > 0]
    reached = distances[weeks].rsub(distances["start"], axis=0) >= 2 - 1e-9
    assert time_to_response(generated, endpoint).patients["reached"].sum() == reached.any(axis=1).sum()


def test_a_quarter_counts_the_same(generated, distances):
    gain = distances["start"] - distances[26.0]
    table = quarter_indicators(generated, measure="knee_extension", week=26, threshold=2).counts.table
    sums = table.groupby("quantity")["value"].sum()
    assert sums["improved"] == (gain >= 2 - 1e-9).sum()
    assert sums["improvement, summed"] == pytest.approx(gain.sum())


@pytest.fixture(scope="module")
def mirrored(generated):
    """The same cohort with every other patient on the other side of straight, as far from it."""
    visits = generated.visits.copy()
    turned = visits["patient_id"].isin(generated.patients["patient_id"].iloc[::2])
    ours = turned & (visits["measure"] == "knee_extension") & (visits["limb"] == "involved")
    visits.loc[ours, "value"] = -visits.loc[ours, "value"]
    return replace(generated, visits=visits)


def test_the_side_a_patient_is_on_changes_nothing(generated, mirrored):
    """Nor what is adjusted for: the distance at the start, where it is the distance that is judged."""
    endpoint = choose_endpoint(generated, "knee_extension", week=26, threshold=2)
    both = generated, mirrored
    slopes, effects = [], []
    for one in both:
        slopes.append(adherence_association(one, endpoint).table["slope"].tolist())
        effects.append(complier_effect(one, endpoint, randomised=True).table["allocation_effect"].tolist())
    assert slopes[0] == pytest.approx(slopes[1])
    assert effects[0] == pytest.approx(effects[1])
    adjusted = [adjusted_difference(one, responders(one, endpoint)).table["share"].tolist() for one in both]
    assert adjusted[0] == pytest.approx(adjusted[1])
    quarters = [quarter_indicators(one, measure="knee_extension", week=26, threshold=2).patients for one in both]
    assert quarters[0]["baseline"].tolist() == quarters[1]["baseline"].tolist()


def test_no_per_cent_of_the_other_limb(cohort):
    endpoint = choose_endpoint(cohort, "knee_extension", week=26, threshold=-2, criterion="state")
    with pytest.raises(ModelError, match=r"Knee extension is best at 0: a per cent of the other limb says nothing\."):
        limb_symmetry(cohort, endpoint)


# Planted: hyperextension is no improvement


@pytest.fixture(scope="module")
def planted():
    """Patients who lack 8 degrees: of one protocol all go straight, of the other 10 degrees beyond; some are lost."""
    rng = np.random.default_rng(3)
    courses = []
    for end in (0.0, 10.0):
        for _ in range(120):
            own = rng.normal(0, 0.7)
            values = np.array([-8, -4 + end / 2, end]) + own + rng.normal(0, 0.7, 3)
            courses.append((values[0], values[1], None if rng.random() < 0.2 else values[2]))
    return extension(courses, protocols=("straight", "beyond"))


def test_filled_visits_are_judged_by_nearness(planted):
    endpoint = choose_endpoint(planted, "knee_extension", week=26, threshold=5, reference="straight")
    found = missing_data_analyses(planted, endpoint, draws=10)
    at_random = found.responders.query("assumption == 'missing at random'").iloc[0]
    assert at_random["difference"] < -0.9
    means = found.differences.query("assumption == 'missing at random'").iloc[0]
    assert means["difference"] == pytest.approx(10, abs=0.5)
    assert any("Means are of measured values: higher is better up to 0 only" in note for note in found.notes)
    assert any("higher is better up to 0 only" in note for note in tipping_point(planted, endpoint, draws=10).notes)

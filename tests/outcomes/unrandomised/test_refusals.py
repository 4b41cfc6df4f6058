"""The rule of refusals, one limit at a time, on tables made for it."""

import pandas as pd
import pytest

from analysis.outcomes.unrandomised.refusals import cautions_of, refusals_of


def overlap(*rows):
    return pd.DataFrame(rows, columns=["protocol", "n", "ess", "largest_share"])


def balance(smd=0.0, ratio=1.0, term="value"):
    return pd.DataFrame(
        {"covariate": ["age"], "term": [term], "pair": ["b - a"], "smd_after": [smd], "variance_ratio": [ratio]}
    )


GOOD = overlap(("a", 60, 40.0, 0.05), ("b", 60, 45.0, 0.06))


@pytest.mark.parametrize(
    ("table", "target", "mean_overlap", "of", "begins"),
    [
        (overlap(("a", 60, 19.9, 0.05), ("b", 60, 45.0, 0.06)), "overlap", 0.8, "patients", "After weighting, protocol 'a'"),
        (overlap(("a", 60, 19.9, 0.05), ("b", 60, 45.0, 0.06)), "everybody", 0.8, "patients", "After weighting, protocol 'a'"),
        (overlap(("a", 60, 25.0, 0.21), ("b", 60, 45.0, 0.06)), "b", 0.8, "patients", "One patient of protocol 'a'"),
        (overlap(("a", 200, 45.0, 0.05), ("b", 60, 45.0, 0.06)), "b", 0.8, "weights", "After weighting, protocol 'a' stands for less"),
        (GOOD, "overlap", 0.24, "patients", "Few patients could have had every"),
        (GOOD, "matching", 0.24, "patients", "Few patients could have had every"),
    ],
)  # fmt: skip
def test_uneven_weights(table, target, mean_overlap, of, begins):
    found = refusals_of(table, balance(), target=target, mean_overlap=mean_overlap, outside=["q1", "q2"])
    assert [one.of for one in found] == [of]
    assert found[0].what.startswith(begins)
    assert ("Use target" in found[0].what_to_do) == (target not in ("overlap", "matching"))


def test_patients_outside_are_named_and_counted():
    found = refusals_of(GOOD, balance(), target="overlap", mean_overlap=0.2, outside=[f"q{i}" for i in range(7)])
    assert found[0].error().where == (
        "overlap 0.20 of 1, 0.25 is asked for; scores of 7 of 120 patients lie outside what every protocol had: q0, q1, q2, q3, "
        "q4 ..."
    )
    assert "q1" not in found[0].note()


@pytest.mark.parametrize("target", ["overlap", "everybody"])
def test_limits_of_one_patient_and_of_a_quarter_are_not_asked_of_overlap(target):
    table = overlap(("a", 300, 50.0, 0.25), ("b", 60, 45.0, 0.06))
    found = refusals_of(table, balance(), target=target, mean_overlap=0.9, outside=[])
    assert bool(found) == (target == "everybody")


@pytest.mark.parametrize(
    ("table", "what"),
    [
        (balance(smd=0.26), "After weighting the protocols still differ by more than 0.25 standard deviations."),
        (balance(smd=-0.26, term="south"), "After weighting the protocols still differ by more than 0.25 standard deviations."),
        (balance(ratio=2.1), "After weighting the spread of a covariate still differs"),
        (balance(ratio=0.49), "After weighting the spread of a covariate still differs"),
    ],
)  # fmt: skip
def test_balance_that_is_not_reached(table, what):
    (found,) = refusals_of(GOOD, table, target="overlap", mean_overlap=0.9, outside=[])
    assert found.of == "balance"
    assert found.what.startswith(what)
    assert "age" in found.where
    assert found.what_to_do


def test_squares_are_cautions_only():
    assert refusals_of(GOOD, balance(smd=0.6, term="squared"), target="overlap", mean_overlap=0.9, outside=[]) == []
    assert cautions_of(balance(smd=0.6, term="squared")) == [
        "Not balanced: after weighting 1 of 1 standardised differences is above 0.1, the largest age squared (b - a) 0.60."
    ]
    assert cautions_of(balance(smd=0.1)) == ["After weighting no standardised difference of 1 looked at is above 0.1."]

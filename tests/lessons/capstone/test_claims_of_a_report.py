"""Claims: kept as they were given, refused where they are no claims, asked for where the three dots still stand."""

import json

import numpy as np
import pytest

from analysis.errors import ReportError
from analysis.lessons.capstone.claims import QUESTIONS, Claims, read_claims, with_claims, write_claims
from analysis.lessons.feedback import NotAnsweredYet

PROTOCOLS = ["usual", "new"]
ALL = {
    "problems": [("rounded", "site A"), ("drop-out with pain", None), ("rounded", "site A")],
    "allocation": "by lot",
    "wording": "effect",
    "verdict": "a difference",
    "gained_more": "new",
    "estimate": np.float64(2.5),
    "interval": (1, 4.0),
    "improved": {"usual": (np.int64(5), 40), "new": (9, None)},
    "of_whom": "patients seen",
    "not_seen": (12, 100),
    "lost_goes_with": "pain",
}


def test_what_is_claimed_comes_back_from_the_file(tmp_path):
    claims = with_claims(Claims(), ALL, PROTOCOLS)
    assert claims.missing() == []
    assert set(ALL) == set(QUESTIONS)
    write_claims(claims, tmp_path, 7)
    assert read_claims(tmp_path, PROTOCOLS, 7) == claims
    assert claims.problems == (("rounded", "site A"), ("drop-out with pain", None))


def test_nothing_is_claimed_where_there_is_no_file(tmp_path):
    assert read_claims(tmp_path, PROTOCOLS, 7) == Claims()


def test_which_protocol_gained_more_is_asked_for_only_with_a_difference():
    assert "gained_more" not in Claims(verdict="no difference shown").missing()
    assert "gained_more" in Claims(verdict="a difference").missing()


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("verdict", ...),
        ("interval", (..., 3)),
        ("improved", {"usual": (..., ...)}),
        ("not_seen", (3, ...)),
        ("problems", [...]),
    ],
)
def test_three_dots_are_asked_for_kindly(name, value):
    with pytest.raises(NotAnsweredYet, match="Your turn"):
        with_claims(Claims(), {name: value}, PROTOCOLS)


@pytest.mark.parametrize(
    ("name", "value", "words"),
    [
        ("colour", 1, "There is no claim 'colour'"),
        ("verdict", "better", "There is no answer to 'What do the data say about the difference?', 'better'"),
        ("gained_more", "none", "'none'"),
        ("estimate", "2", "A number is asked for, not '2'"),
        ("estimate", float("nan"), "A number is asked for"),
        ("estimate", True, "A number is asked for"),
        ("interval", (1, 2, 3), "Two numbers are asked for"),
        ("interval", 3, "Two numbers are asked for"),
        ("interval", (3, 1), "The interval goes from 3 down to 1"),
        ("improved", {"usual": (50, 40)}, "50 of 40 cannot be"),
        ("improved", {"other": (5, 40)}, "'other'"),
        ("improved", (5, 40), "By protocol is asked for"),
        ("not_seen", (-1, 40), "Two whole numbers are asked for"),
        ("not_seen", (1.5, 40), "Two whole numbers are asked for"),
        ("not_seen", (1, 2, 3), "Two whole numbers are asked for"),
        ("problems", "rounded", "Pairs are asked for"),
        ("problems", [("lost", "site A")], "'lost'"),
    ],
)
def test_what_is_no_claim_is_explained(name, value, words):
    with pytest.raises(ReportError) as told:
        with_claims(Claims(), {name: value}, PROTOCOLS)
    assert words in str(told.value)


def test_an_estimate_outside_its_interval_is_refused_in_either_order():
    with pytest.raises(ReportError, match="The estimate 9 lies outside its interval, 1 to 2"):
        with_claims(Claims(), {"estimate": 9, "interval": (1, 2)}, PROTOCOLS)
    with pytest.raises(ReportError, match="lies outside its interval"):
        with_claims(Claims(estimate=9.0), {"interval": (1, 2)}, PROTOCOLS)


@pytest.mark.parametrize(
    ("held", "words"),
    [
        (
            {"kneecurve_claims": 2, "seed": 7, "claims": {}},
            "The claims are of version 2; this version of the kit reads version 1",
        ),
        (
            {"kneecurve_claims": 1, "seed": 8, "claims": {}},
            "of another cohort: the one of seed 8, and this is the one of seed 7",
        ),
        (
            {"kneecurve_claims": 1, "seed": None, "claims": {}},
            "of another cohort: own data, and this is the one of seed 7",
        ),
        ({"kneecurve_claims": 1, "seed": 7, "claims": {"not_seen": [5, 2]}}, "5 of 2 cannot be"),
        ({"kneecurve_claims": 1, "seed": 7, "claims": {"nonsense": 1}}, "There is no claim 'nonsense'"),
        ({"kneecurve_claims": 1, "claims": {}}, "cannot be read"),
        ({"kneecurve_claims": 1, "seed": 7, "claims": 3}, "cannot be read"),
        ([], "cannot be read"),
    ],
)
def test_a_file_that_is_none_of_this_report_is_explained(tmp_path, held, words):
    (tmp_path / "claims.json").write_text(json.dumps(held), encoding="utf-8")
    with pytest.raises(ReportError) as told:
        read_claims(tmp_path, PROTOCOLS, 7)
    assert words in str(told.value)


def test_claims_that_cannot_be_written_are_explained(tmp_path):
    with pytest.raises(ReportError, match="The claims cannot be written"):
        write_claims(Claims(), tmp_path / "nowhere", 7)

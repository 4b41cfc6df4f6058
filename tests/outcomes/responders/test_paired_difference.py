"""Differences of shares of the same patients against published values."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from analysis.cohort import Cohort
from analysis.errors import ModelError
from analysis.outcomes.chosen_endpoint import choose_endpoint
from analysis.outcomes.responders.paired_difference import paired_difference, responders_at_two_weeks


@pytest.mark.parametrize(
    ("counts", "lower", "upper", "tolerance"),
    [
        ((20, 12, 2, 16), 0.0562, 0.3292, 5e-5),
        ((1, 1, 7, 12), -0.507, -0.026, 5e-4),
        ((59, 6, 16, 80), -0.1186, -0.0046, 5e-5),
        ((8, 3, 1, 2), -0.1574, 0.4136, 5e-5),
        ((7, 25, 2, 68), 0.133, 0.318, 5e-4),
    ],
)
def test_published_limits_of_method_10(counts, lower, upper, tolerance):
    """Newcombe, Stat Med 1998;17:2635; Fagerland, Lydersen and Laake, Stat Med 2014 and (third row) their book on
    contingency tables; Tang et al. 2010; Chang et al. 2024: as quoted in the tests of the R packages ratesci and
    contingencytables, the papers themselves not read."""
    row = paired_difference(*counts).iloc[0]
    assert (row["lower"], row["upper"]) == pytest.approx((lower, upper), abs=tolerance)
    assert row["n"] == sum(counts)
    assert row["difference"] == pytest.approx((counts[1] - counts[2]) / sum(counts))
    assert row["first_share"] - row["second_share"] == pytest.approx(row["difference"])


def test_no_patient_is_missing_and_not_zero():
    row = paired_difference([0, 5], [0, 0], [0, 0], [0, 0])
    assert row.loc[0, ["difference", "lower", "upper", "first_share"]].isna().all()
    # All say yes twice: Wilson's limits of 5 of 5, .5655 to 1, on either side of no difference, no correlation known.
    assert row.loc[1, ["difference", "lower", "upper"]].tolist() == pytest.approx([0, -0.4345, 0.4345], abs=5e-5)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.integers(0, 30), min_size=4, max_size=4).filter(any), st.floats(0.5, 0.999))
def test_limits_hold_the_difference_stay_possible_and_turn_round(counts, level):
    both, first, second, neither = counts
    row = paired_difference(both, first, second, neither, level=level).iloc[0]
    back = paired_difference(both, second, first, neither, level=level).iloc[0]
    assert -1 <= row["lower"] <= row["difference"] + 1e-12
    assert row["difference"] - 1e-12 <= row["upper"] <= 1
    assert (row["lower"], row["upper"]) == pytest.approx((-back["upper"], -back["lower"]), abs=1e-12)


@pytest.mark.parametrize("shares", [(0.4, 0.2, 0.1, 0.3), (0.05, 0.1, 0.05, 0.8), (0.3, 0.05, 0.35, 0.3)])
def test_limits_hold_the_truth_by_enumeration(shares):
    """All tables of 18 patients, weighed by the multinomial: coverage of 95 % limits."""
    n = 18
    tables = np.array(
        [(a, b, c, n - a - b - c) for a in range(n + 1) for b in range(n + 1 - a) for c in range(n + 1 - a - b)]
    )
    found = paired_difference(*tables.T)
    truth = shares[1] - shares[2]
    held = (found["lower"] <= truth) & (truth <= found["upper"])
    assert 0.94 <= stats.multinomial(n, shares).pmf(tables)[held].sum() <= 0.99


def cohort_of(rows):
    """``rows``: protocol, change at week 12, change at week 26 (None: not seen)."""
    visits, patients = [], []
    for number, (protocol, *changes) in enumerate(rows):
        patients.append((f"P{number}", protocol))
        visits.append((f"P{number}", 0, 50.0))
        visits += [(f"P{number}", w, 50.0 + x) for w, x in zip((12, 26), changes, strict=True) if x is not None]
    frame = pd.DataFrame(visits, columns=["patient_id", "week", "value"]).assign(measure="ikdc", limb="none")
    return Cohort(pd.DataFrame(patients, columns=["patient_id", "protocol"]), frame)


def test_two_weeks_by_hand():
    rows = (
        [("usual", 30, 30)] * 20 + [("usual", 0, 30)] * 12 + [("usual", 30, 0)] * 2 + [("usual", 0, 0)] * 16
        + [("usual", 30, None)] * 3 + [("early", None, 30)]
    )  # fmt: skip
    found = responders_at_two_weeks(
        those := cohort_of(rows), choose_endpoint(those, "ikdc", week=26, threshold=10), earlier=12
    )
    usual = found.table.set_index("protocol").loc["usual"]
    cells = ["allocated", "n", "at_both", "gained", "lost", "at_neither"]
    assert usual[cells].tolist() == [53, 50, 20, 12, 2, 16]
    assert usual[["earlier_share", "later_share", "difference"]].tolist() == pytest.approx([22 / 50, 32 / 50, 0.2])
    assert usual[["lower", "upper"]].tolist() == pytest.approx([0.0562, 0.3292], abs=5e-5)
    early = found.table.set_index("protocol").loc["early"]
    assert early[cells].tolist() == [1, 0, 0, 0, 0, 0]
    assert early[["earlier_share", "difference", "lower"]].isna().all()
    assert found.notes[1] == "Denominator: patients judged at week 12 and at week 26; the others are left out."


@pytest.mark.parametrize("weeks", [(26, 12), (12, 12), (0, 12)])
def test_weeks_out_of_order_are_refused(weeks):
    with pytest.raises(ModelError, match="are not two weeks after the start in their order"):
        responders_at_two_weeks(
            those := cohort_of([("usual", 0, 0)]),
            choose_endpoint(those, "ikdc", week=weeks[1], threshold=10),
            earlier=weeks[0],
        )


@pytest.mark.parametrize("counts", [(-1, 1, 2, 3), (np.nan, 1, 2, 3), (np.inf, 1, 2, 3)])
def test_counts_that_are_none_are_refused(counts) -> None:
    """A missing count gave n of -9223372036854775808, a negative one limits around something else."""
    with pytest.raises(ModelError, match="no counts of patients"):
        paired_difference(*counts)

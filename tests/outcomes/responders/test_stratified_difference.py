"""Differences within strata against R, published values and the test of Cochran, Mantel and Haenszel."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from statsmodels.stats.contingency_tables import StratifiedTable

from analysis.cohort import Cohort
from analysis.errors import ModelError
from analysis.outcomes.responders.responders import responders
from analysis.outcomes.responders.stratified_difference import stratified_difference, stratified_responders

# R 4.2.2: constrained maximum of each stratum by optimize(), limits by uniroot(), no code shared. The first row is also
# Newcombe's (Stat Med 1998;17:873, Table II, example d, Miettinen-Nurminen), as quoted in the tests of R's ratesci.
R_CASES = [
    ([5], [56], [0], [29], 0.95, (0.089286, -0.032597, 0.193331)),
    ([25, 34, 28, 52], [33, 50, 50, 67], [4, 17, 15, 22], [17, 25, 25, 33], 0.95, (0.114206, 0.000723, 0.229765)),
    ([21, 11, 8], [464, 165, 69], [26, 25, 11], [453, 174, 70], 0.95, (-0.030792, -0.058950, -0.003669)),
    ([0, 1, 2], [1, 2, 2], [0, 0, 1], [2, 1, 3], 0.90, (0.447368, -0.061284, 0.784854)),
    ([0, 0], [10, 5], [0, 0], [8, 9], 0.95, (0.0, -0.201395, 0.220401)),
    ([10, 5], [10, 5], [1, 0], [8, 9], 0.95, (0.927461, 0.660951, 0.988216)),
]


@pytest.mark.parametrize("case", R_CASES)
def test_limits_as_r_finds_them(case):
    *counts, level, expected = case
    row = stratified_difference(*counts, level=level).iloc[0]
    assert row[["difference", "lower", "upper"]].tolist() == pytest.approx(expected, abs=2e-6)


def test_the_limits_leave_out_zero_just_where_the_test_does():
    """R: mantelhaen.test(..., correct = FALSE) of the second case, p 0.048523; so does statsmodels."""
    counts = R_CASES[1][:4]
    tables = [np.array([[a, n - a], [c, m - c]]) for a, n, c, m in zip(*counts, strict=True)]
    p = StratifiedTable(tables).test_null_odds(correction=False).pvalue
    assert p == pytest.approx(0.048523374689, abs=1e-10)
    assert stratified_difference(*counts, level=1 - p)["lower"].item() == pytest.approx(0, abs=1e-8)


def test_strata_with_one_group_say_nothing():
    both = stratified_difference([3, 4], [10, 9], [2, 1], [8, 7]).iloc[0]
    more = stratified_difference([3, 4, 5, 0], [10, 9, 6, 0], [2, 1, 0, 3], [8, 7, 0, 4]).iloc[0]
    assert more[["difference", "lower", "upper"]].tolist() == both[["difference", "lower", "upper"]].tolist()
    assert more[["strata", "n", "reference_n", "left_out"]].tolist() == [2, 19, 15, 10]
    nothing = stratified_difference([3], [5], [0], [0])
    assert nothing[["difference", "lower", "upper"]].isna().all(axis=None)
    assert nothing["strata"].item() == 0


STRATUM = st.tuples(st.integers(0, 12), st.integers(1, 12), st.integers(0, 12), st.integers(1, 12))


@settings(max_examples=60, deadline=None)
@given(st.lists(STRATUM, min_size=1, max_size=6), st.floats(0.5, 0.999))
def test_limits_hold_the_estimate_stay_possible_and_turn_round(strata, level):
    counts = [(min(a, n), n, min(c, m), m) for a, n, c, m in strata]
    a, n, c, m = (list(column) for column in zip(*counts, strict=True))
    row = stratified_difference(a, n, c, m, level=level).iloc[0]
    assert -1 <= row["lower"] <= row["difference"] <= row["upper"] <= 1
    back = stratified_difference(c, m, a, n, level=level).iloc[0]
    assert back[["difference", "lower", "upper"]].tolist() == pytest.approx(
        [-row["difference"], -row["upper"], -row["lower"]], abs=1e-8
    )


def cohort_of(rows):
    """``rows``: protocol, site, change of each patient (None: not seen)."""
    ids = [f"P{k}" for k in range(len(rows))]
    patients = pd.DataFrame({"patient_id": ids, "protocol": [row[0] for row in rows], "site": [row[1] for row in rows]})
    visits = [(name, 0, 50.0) for name in ids]
    visits += [(name, 26, 50.0 + row[2]) for name, row in zip(ids, rows, strict=True) if row[2] is not None]
    frame = pd.DataFrame(visits, columns=["patient_id", "week", "value"]).assign(measure="ikdc", limb="none")
    return Cohort(patients, frame)


ROWS = (
    [("usual", "A", 30)] * 2 + [("usual", "A", 0)] * 6 + [("usual", "B", 30)] * 1 + [("usual", "B", 0)] * 6
    + [("early", "A", 30)] * 3 + [("early", "A", 0)] * 7 + [("early", "B", 30)] * 4 + [("early", "B", 0)] * 5
    + [("early", "C", 30)] * 6 + [("early", None, 30), ("late", "C", 0), ("early", "A", None)]
)  # fmt: skip


def test_responders_by_site():
    """The counts of test_strata_with_one_group_say_nothing; site C and the patient without a site are left out."""
    cohort = cohort_of(ROWS)
    found = responders(cohort, "ikdc", week=26, threshold=10, reference="usual")
    table = stratified_responders(cohort, found).set_index("protocol")
    expected = stratified_difference([3, 4], [10, 9], [2, 1], [8, 7]).iloc[0]
    columns = ["strata", "n", "reference_n", "difference", "lower", "upper"]
    assert table.loc["early", columns].tolist() == expected[columns].tolist()
    assert table.loc["early", "left_out"] == 7
    assert np.isnan(table.loc["late", "difference"])
    assert (table["reference"] == "usual").all()


def test_strata_that_are_not_there():
    cohort = cohort_of(ROWS)
    with pytest.raises(ModelError, match=r"There is no column 'clinic' of strata\.\n  where: .*site"):
        stratified_responders(cohort, responders(cohort, "ikdc", week=26, threshold=10), stratum="clinic")


@pytest.mark.slow
@pytest.mark.parametrize(("sites", "most"), [(3, 12), (20, 3), (8, 6)])
def test_limits_hold_the_truth_in_many_small_strata(sites, most):
    """1,500 trials with sites that differ and one difference of 0.2; Monte Carlo error 0.6 points."""
    rng = np.random.default_rng(6)
    held = 0
    for _ in range(1500):
        n, m = rng.integers(1, most + 1, sites), rng.integers(1, most + 1, sites)
        base = rng.uniform(0.1, 0.75, sites)
        row = stratified_difference(rng.binomial(n, base + 0.2), n, rng.binomial(m, base), m).iloc[0]
        held += row["lower"] <= 0.2 <= row["upper"]
    assert 0.935 <= held / 1500 <= 0.97


@pytest.mark.parametrize("counts", [([6], [5], [1], [5]), ([np.nan], [5], [1], [5]), ([1], [5], [-1], [5])])
def test_counts_that_are_none_are_refused(counts) -> None:
    """Six of five gave a difference of 1.0, a missing count limits of -1 to 1 around none."""
    with pytest.raises(ModelError, match="no counts of patients"):
        stratified_difference(*counts)

"""Groups of patients over a year: nothing small can be computed back, and a year stands as it was first released."""

import json

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linprog

from analysis.quarter.access.strata import NOT_RECORDED, in_order, strata
from analysis.quarter.access.stratum_counts import Compared, as_kept, kept_year, stratum_counts, whole_year
from analysis.quarter.counts import QuarterCounts
from analysis.quarter.ledger.entries import Ledger, read_ledger, write_ledger
from synthetic_cohort import generate_cohort

SHARES = (Compared("followed", "seen", "due", "Seen"), Compared("improved", "better", "seen", "Improved"))


def patients(groups, *, seed=1):
    """Make patients of one year: the size of each group, four in five seen, of whom half are better."""
    rng = np.random.default_rng(seed)
    group = np.repeat([f"g{i}" for i in range(len(groups))], groups)
    seen = rng.random(len(group)) < 0.8
    people = pd.DataFrame(
        {"period": "2025-Q2", "due": True, "seen": seen, "better": seen & (rng.random(len(group)) < 0.5)}
    )
    return people, pd.DataFrame({"sex": group})


def test_counts_are_those_of_the_year_alone():
    people, groups = patients([60, 80])
    later = people.assign(period="2026-Q1")
    both, twice = pd.concat([people, later], ignore_index=True), pd.concat([groups, groups], ignore_index=True)
    found = stratum_counts(both, twice, SHARES, year="2025", defined="d")
    assert found.value("sex", "g0", "due") == 60
    assert found.value("sex", "g1", "seen") == people.loc[groups["sex"] == "g1", "seen"].sum()
    assert found.kinds == ["sex"]
    assert not found.kept


def bounds(people, groups, found, quantity, group):
    """Give what a reader who knows every total, the sums and what is shown can tell of a hidden count."""
    names = found.groups("sex")
    quantities = ["due", "seen", "better", "not seen", "not better"]
    at = {(name, one): i for i, (name, one) in enumerate((q, g) for q in quantities for g in names)}
    flags = {"due": people["due"], "seen": people["seen"], "better": people["better"]}
    flags |= {"not seen": ~people["seen"], "not better": people["seen"] & ~people["better"]}
    rows, values = [], []

    def know(cells, value):
        row = np.zeros(len(at))
        for cell, factor in cells:
            row[at[cell]] = factor
        rows.append(row)
        values.append(value)

    for name, flag in flags.items():
        know([((name, one), 1.0) for one in names], float(flag.sum()))
    for one in names:
        know([(("due", one), 1.0), (("seen", one), -1.0), (("not seen", one), -1.0)], 0.0)
        know([(("seen", one), 1.0), (("better", one), -1.0), (("not better", one), -1.0)], 0.0)
        for name in ("due", "seen", "better"):
            value = found.value("sex", one, name)
            if np.isfinite(value):
                know([((name, one), 1.0)], value)
    target = np.zeros(len(at))
    target[at[quantity, group]] = 1.0
    ends = [linprog(sign * target, A_eq=np.array(rows), b_eq=values, bounds=(0, None)) for sign in (1.0, -1.0)]
    assert all(one.status == 0 for one in ends)
    return ends[0].fun, -ends[1].fun


@pytest.mark.slow
@settings(max_examples=25, deadline=None)
@given(sizes=st.lists(st.integers(1, 60), min_size=2, max_size=4), seed=st.integers(0, 10_000))
def test_no_small_count_of_a_group_can_be_told_from_what_is_shown(sizes, seed):
    people, groups = patients(sizes, seed=seed)
    found = stratum_counts(people, groups, SHARES, year="2025", defined="d")
    flags = {"due": people["due"], "seen": people["seen"], "better": people["better"]}
    flags |= {"not seen": ~people["seen"], "not better": people["seen"] & ~people["better"]}
    for name, flag in flags.items():
        for group in found.groups("sex"):
            true = int((flag & (groups["sex"] == group)).sum())
            if name in ("due", "seen", "better") and 1 <= true <= 10:
                assert np.isnan(found.value("sex", group, name))
            if 1 <= true <= 10:
                low, high = bounds(people, groups, found, name, group)
                assert high - low > 1e-6  # never told exactly


@pytest.mark.parametrize("seed", [103, 121, 130, 137])
def test_groups_of_two_kinds_with_the_same_patients_give_no_count_away(seed):
    """Language and distance are missing of the same patients: what one kind shows of them must not open the other."""
    rng = np.random.default_rng(seed)
    missing, rest = int(rng.integers(8, 40)), int(rng.integers(60, 250))
    language = rng.choice(["u", "o", "t"], rest, p=rng.dirichlet([4, 1, 0.4]))
    distance = rng.choice(["x", "y", "z"], rest, p=rng.dirichlet([3, 2, 0.5]))
    groups = pd.DataFrame({kind: np.append(one, [NOT_RECORDED] * missing) for kind, one in
                           (("language", language), ("distance_band", distance))})  # fmt: skip
    seen = rng.random(len(groups)) < 0.8
    people = pd.DataFrame(
        {"period": "2025-Q1", "due": True, "seen": seen, "better": seen & (rng.random(len(groups)) < 0.6)}
    )
    found = stratum_counts(people, groups, SHARES, year="2025", defined="d")
    assert found.table["value"].notna().any()
    flags = {one: people[one] for one in ("due", "seen", "better")}
    flags |= {"lost": ~people["seen"], "not better": people["seen"] & ~people["better"]}
    keys = [(kind, group, name) for kind in groups for group in found.groups(kind) for name in flags]
    at = {key: i for i, key in enumerate(keys)}
    known = [({at[kind, group, name]: 1.0 for group in found.groups(kind)}, float(flag.sum()))
             for kind in groups for name, flag in flags.items()]  # fmt: skip
    for kind in groups:
        for group in found.groups(kind):
            for whole, *parts in (("due", "seen", "lost"), ("seen", "better", "not better")):
                row = {at[kind, group, whole]: 1.0} | {at[kind, group, one]: -1.0 for one in parts}
                known.append((row, 0.0))
    known += [
        ({at["language", NOT_RECORDED, name]: 1.0, at["distance_band", NOT_RECORDED, name]: -1.0}, 0.0)
        for name in flags
    ]
    known += [({at[key]: 1.0}, found.value(*key)) for key in keys if np.isfinite(found.value(*key))]
    matrix, right = np.zeros((len(known), len(keys))), [value for _, value in known]
    for i, (row, _) in enumerate(known):
        matrix[i, list(row)] = list(row.values())
    for kind, group, name in keys:
        if 1 <= int((flags[name] & (groups[kind] == group)).sum()) <= 10:
            most = linprog(-np.eye(len(keys))[at[kind, group, name]], A_eq=matrix, b_eq=right, bounds=(0, None))
            assert -most.fun >= 11 - 1e-6


def test_shown_for_the_team_nothing_is_hidden():
    people, groups = patients([3, 80])
    assert np.isnan(stratum_counts(people, groups, SHARES, year="2025", defined="d").value("sex", "g0", "due"))
    shown = stratum_counts(people, groups, SHARES, year="2025", defined="d", hidden=False)
    assert shown.value("sex", "g0", "due") == 3


def test_a_year_is_whole_where_all_of_its_quarters_are_there_and_all_patients_due():
    periods = [f"{year}-Q{q}" for year in (2024, 2025) for q in (1, 2, 3, 4)]
    table = pd.DataFrame([("a", one, "s", 1) for one in periods], columns=["quantity", "period", "site", "value"])
    assert whole_year(QuarterCounts((), table), periods) == "2025"
    assert whole_year(QuarterCounts((), table), periods[:-1]) == "2024"
    assert whole_year(QuarterCounts((), table, immature=("2025-Q4", "2024-Q1")), periods) == ""
    months = [f"2025-{month:02d}" for month in range(1, 13)]
    table = pd.DataFrame([("a", one, "s", 1) for one in months], columns=["quantity", "period", "site", "value"])
    assert whole_year(QuarterCounts((), table), months) == "2025"


def test_a_year_comes_back_from_the_ledger_as_it_was(tmp_path):
    found = stratum_counts(*patients([4, 50, 60]), SHARES, year="2025", defined="d")
    path = tmp_path / "ledger.json"
    write_ledger(path, Ledger(years=(kept_year(found, "2025-Q4", None),)))
    back = as_kept(read_ledger(path).year("2025"), earlier=True)
    pd.testing.assert_frame_equal(back.table, found.table, check_dtype=False)
    assert back.kept
    assert read_ledger(path).year("2024") is None
    data = json.loads(path.read_text())
    del data["years"]  # a ledger of before
    path.write_text(json.dumps(data))
    assert read_ledger(path).years == ()


def test_groups_are_those_on_record():
    cohort = generate_cohort(patients=80, seed=2, quarters=4).observed
    found = strata(cohort)
    assert list(found) == ["sex", "age_band", "language", "distance_band"]
    cohort.patients.loc[3, "language"] = None
    assert strata(cohort).loc[3, "language"] == NOT_RECORDED
    alone = generate_cohort(patients=20, seed=2).observed
    assert "language" not in strata(alone)


@pytest.mark.parametrize(
    ("given_", "wanted"),
    [
        (["40 to 54", "under 25", "not recorded", "25 to 39"], ["under 25", "25 to 39", "40 to 54", "not recorded"]),
        (["50 km or more", "10 to 49 km", "under 10 km"], ["under 10 km", "10 to 49 km", "50 km or more"]),
        (["male", "female"], ["female", "male"]),
    ],
)
def test_groups_stand_in_order(given_, wanted):
    assert in_order(given_) == wanted

"""Weights of a table: what comes back, units and order, covariates that are not known, and refusals in words."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.errors import ModelError
from analysis.outcomes import balance_weights

from .chosen import patients

COVARIATES = ["age_years", "site"]


@pytest.fixture(scope="module")
def people():
    return patients()


@pytest.mark.parametrize("protocols", [("usual", "early"), ("usual", "early", "late")])
@pytest.mark.parametrize("target", ["overlap", "everybody", "matching", "early"])
def test_what_comes_back(protocols, target):
    table = patients(300, protocols)
    found = balance_weights(table, "protocol", COVARIATES, target=target)
    assert list(found.scores) == list(protocols)
    assert found.scores.sum(axis=1).to_numpy() == pytest.approx(np.ones(300))
    assert found.weights.index.equals(table.index)
    assert found.overlap["n"].sum() == 300
    assert {"covariate", "term", "pair", "smd_before", "smd_after", "variance_ratio"} <= {*found.balance}
    assert found.balance["pair"].nunique() == len(protocols) * (len(protocols) - 1) // 2
    own = found.scores.to_numpy()[np.arange(300), table["protocol"].cat.codes]
    tilted = found.weights.to_numpy() * own
    if target == "everybody":
        assert tilted == pytest.approx(np.ones(300))
    if target == "early":
        assert found.weights[table["protocol"] == "early"].to_numpy() == pytest.approx(1.0)
    value = found.balance[found.balance["term"] == "value"]
    assert value["smd_after"].abs().max() < value["smd_before"].abs().max()


def test_who_the_target_is(people):
    found = balance_weights(people, "protocol", COVARIATES, target="early").target_patients
    age = found[(found["covariate"] == "age_years") & (found["term"] == "value")].set_index("protocol")
    early = people.loc[people["protocol"] == "early", "age_years"]
    assert age.loc["all", "mean"] == pytest.approx(people["age_years"].mean())
    assert age.loc["early", "weighted_mean"] == pytest.approx(early.mean())
    assert abs(age.loc["usual", "weighted_mean"] - early.mean()) < abs(age.loc["usual", "mean"] - early.mean())


@settings(max_examples=4, deadline=None)
@given(st.integers(0, 50), st.floats(0.01, 100), st.permutations(range(120)))
def test_units_and_the_order_of_rows_change_nothing(seed, unit, order):
    table = patients(120, seed=seed)
    here = balance_weights(table, "protocol", COVARIATES).weights
    there = balance_weights(
        table.assign(age_years=table["age_years"] * unit).iloc[order], "protocol", COVARIATES
    ).weights
    assert there.reindex(here.index).to_numpy() == pytest.approx(here.to_numpy(), abs=1e-8)


def test_a_curve_balances_the_spread():
    rng = np.random.default_rng(3)
    n = 400
    age = np.concatenate([rng.normal(35, 5, n // 2), rng.normal(35, 8, n // 2)])
    table = pd.DataFrame({"protocol": np.repeat(["a", "b"], n // 2), "age_years": age})
    line = balance_weights(table, "protocol", ["age_years"])
    curve = balance_weights(table, "protocol", ["spline(age_years)"])
    assert line.balance["variance_ratio"][0] > 2
    assert 'Name it as a curve, "spline(age_years)"' in line.refusals["what_to_do"][0]
    assert "not good enough to compare recovery, for 1 reason" in repr(line)
    assert 0.8 < curve.balance["variance_ratio"][0] < 1.25
    assert curve.refusals.empty


def test_patients_in_whom_a_covariate_is_not_known_are_kept_and_counted(people):
    rng = np.random.default_rng(2)
    table = people.copy()
    table.loc[rng.uniform(size=200) < 0.2, "age_years"] = np.nan
    table.loc[rng.uniform(size=200) < 0.2, "site"] = None
    found = balance_weights(table, "protocol", COVARIATES)
    assert len(found.weights) == 200
    terms = found.balance.groupby("covariate")["term"].agg(list)
    assert "not known" in terms["age_years"]
    assert "not known" in terms["site"]
    lacking = table["age_years"].isna().sum()
    assert any(f"In {lacking} patients of 200 age is not known: an indicator says so" in note for note in found.notes)
    assert found.balance.set_index("term").loc["not known", "smd_after"].abs().max() < 1e-9


def test_few_patients_without_a_covariate_have_the_usual_value(people):
    table = people.copy()
    first = table.index[table["protocol"] == "usual"][:3]
    table.loc[first, "age_years"] = np.nan
    found = balance_weights(table, "protocol", COVARIATES)
    assert "not known" not in found.balance["term"].to_numpy()
    assert any("In 3 patients of 200 age is not known, too few for an indicator" in note for note in found.notes)
    table.loc[table["protocol"] == "usual", "age_years"] = table["age_years"].where(table.index % 2 == 0)
    with pytest.raises(ModelError, match="Whether 'age_years' is known goes with the protocol"):
        balance_weights(table, "protocol", COVARIATES)


def broken(people, **columns):
    return people.assign(**columns)


@pytest.mark.parametrize(
    ("change", "covariates", "target", "message"),
    [
        ({}, ["height"], "overlap", "There is no covariate 'height'."),
        ({}, ["protocol"], "overlap", "There is no covariate 'protocol'."),
        ({}, [], "overlap", "No covariate is named"),
        ({}, COVARIATES, "all", "There is no target 'all'."),
        ({}, ["site", "site"], "overlap", "The covariate 'site' is named twice."),
        ({"site": "north"}, COVARIATES, "overlap", "The covariate 'site' is the same in every patient"),
        ({"months": lambda t: t["age_years"] * 12}, ["age_years", "months"], "overlap", "say the same thing twice"),
        ({"protocol": "usual"}, COVARIATES, "overlap", "There is one protocol only"),
    ],
)
def test_refusals(people, change, covariates, target, message):
    with pytest.raises(ModelError, match=message) as raised:
        balance_weights(people.assign(**change), "protocol", covariates, target=target)
    assert raised.value.where
    assert raised.value.what_to_do


def test_a_protocol_of_three_patients(people):
    table = people.assign(protocol=people["protocol"].astype("str"))
    table.loc[table.index[:3], "protocol"] = "late"
    with pytest.raises(ModelError, match="Protocol 'late' has 3 patients, too few to be compared"):
        balance_weights(table, "protocol", ["age_years"])


def test_a_protocol_that_one_site_alone_gave(people):
    table = people.assign(site=np.where(people["protocol"] == "early", "south", people["site"].astype("str")))
    with pytest.raises(ModelError, match="Protocol 'early' was given at one label of 'site' alone: south"):
        balance_weights(table, "protocol", COVARIATES)


def test_a_site_that_used_one_protocol(people):
    third = people.index % 3 == 0
    table = people.assign(site=people["site"].astype("str").where(~third | (people["protocol"] != "usual"), "east"))
    with pytest.raises(ModelError, match="No patient of site 'east' had protocol 'early'") as raised:
        balance_weights(table, "protocol", COVARIATES)
    assert raised.value.what_to_do == "Merge labels of 'site', or leave the patients of this label out."


def test_protocols_that_age_tells_for_certain(people):
    table = people.assign(protocol=np.where(people["age_years"] > 35, "early", "usual"))
    with pytest.raises(ModelError, match="tell for some patients for certain which protocol"):
        balance_weights(table, "protocol", COVARIATES)


def test_rows_are_patients(people):
    twice = pd.concat([people, people.iloc[:2]])
    with pytest.raises(ModelError, match="more than one row of a patient"):
        balance_weights(twice, "protocol", COVARIATES)
    same_index = people.set_axis([0] * len(people))
    here, there = (balance_weights(table, "protocol", COVARIATES).weights for table in (people, same_index))
    assert here.to_numpy() == pytest.approx(there.to_numpy())


def test_numbers_of_any_type_and_infinite_ones(people):
    table = people.convert_dtypes()
    table.loc[rows_of_both(people), "age_years"] = pd.NA
    assert "not known" in balance_weights(table, "protocol", COVARIATES).balance["term"].to_numpy()
    with pytest.raises(ModelError, match="'age_years' is infinite in 1 patient"):
        balance_weights(people.assign(age_years=[np.inf, *people["age_years"][1:]]), "protocol", COVARIATES)


def rows_of_both(people):
    return [*people.index[people["protocol"] == "usual"][:12], *people.index[people["protocol"] == "early"][:12]]


def test_patients_without_a_protocol_are_left_out(people):
    table = people.assign(protocol=people["protocol"].where(people.index >= 5))
    found = balance_weights(table, "protocol", COVARIATES)
    assert len(found.weights) == 195
    assert found.notes[0] == "Without a protocol, 5 patients are left out."

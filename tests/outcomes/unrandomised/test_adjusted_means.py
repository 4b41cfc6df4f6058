"""Adjusted means of a table: right where crude ones are not, sizes, slopes, and refusals of uneven weights."""

import numpy as np
import pytest

from analysis.errors import ModelError
from analysis.outcomes import adjusted_means

from .chosen import patients

COVARIATES = ["age_years", "site"]


@pytest.mark.parametrize("method", ["aipw", "weights", "model"])
@pytest.mark.parametrize("protocols", [("usual", "early"), ("usual", "early", "late")])
def test_what_led_to_the_choice_is_taken_out(protocols, method):
    found = adjusted_means(patients(400, protocols), "score", "protocol", COVARIATES, method=method)
    apart = found.differences.set_index("protocol")
    truth = [3.0, 6.0][: len(protocols) - 1]
    assert np.abs(apart["estimate"] - truth).max() < 1.5
    assert (found.crude["estimate"] - apart["estimate"].to_numpy() > 1.0).all()
    assert apart["reference"].unique().tolist() == ["usual"]
    assert apart["std_error"].to_numpy() == pytest.approx(apart["sandwich_error"].to_numpy(), rel=0.1)
    assert found.means["n"].sum() == 400
    gap = found.means["estimate"].to_numpy()[1:] - found.means["estimate"][0]
    assert gap == pytest.approx(apart["estimate"].to_numpy())
    assert "Nobody was randomised" in found.notes[0]


def test_patients_without_the_outcome_are_counted():
    table = patients()
    table.loc[:9, "score"] = np.nan
    found = adjusted_means(table, "score", "protocol", COVARIATES)
    assert found.means["n"].sum() == 190
    assert "Without a value of score, 10 patients are left out." in found.notes


def test_slopes_are_common_where_a_protocol_has_few_patients():
    table = patients(60)
    few = adjusted_means(table, "score", "protocol", ["spline(age_years)", "site"])
    assert any("common to the protocols" in note for note in few.notes)
    many = adjusted_means(patients(200), "score", "protocol", COVARIATES)
    assert any("of its own in each protocol" in note for note in many.notes)


def test_levels_and_adjusted_p_values():
    table = patients(300, ("usual", "early", "late"))
    found = adjusted_means(table, "score", "protocol", COVARIATES, level=0.9).differences
    wide = adjusted_means(table, "score", "protocol", COVARIATES).differences
    assert (found["upper"] < wide["upper"]).all()
    p = found["p_value"].to_numpy()
    assert found["p_holm"].max() == pytest.approx(max(p.max(), min(2 * p.min(), 1)))


@pytest.mark.parametrize(
    ("n", "strength", "target", "message"),
    [
        (120, 6.0, "overlap", "After weighting, protocol 'usual' stands for fewer than 20 patients"),
        (120, 3.0, "everybody", "After weighting, protocol 'early' stands for fewer than 20 patients"),
        (300, 4.0, "early", "After weighting, protocol 'usual' stands for fewer than 20 patients"),
    ],
)
def test_weights_that_stand_for_few_patients_are_refused(n, strength, target, message):
    with pytest.raises(ModelError, match=message) as raised:
        adjusted_means(patients(n, strength=strength), "score", "protocol", COVARIATES, target=target)
    assert "effective" in raised.value.where
    assert ('Use target="overlap"' in raised.value.what_to_do) == (target != "overlap")


def test_other_refusals():
    table = patients()
    with pytest.raises(ModelError, match="There is no column of numbers 'site' to compare"):
        adjusted_means(table, "site", "protocol", COVARIATES)
    with pytest.raises(ModelError, match="There is no covariate 'score'"):
        adjusted_means(table, "score", "protocol", ["score"])
    with pytest.raises(ModelError, match="There is no method 'ipw'"):
        adjusted_means(table, "score", "protocol", COVARIATES, method="ipw")
    with pytest.raises(ModelError, match="confidence level 95"):
        adjusted_means(table, "score", "protocol", COVARIATES, level=95)


def test_a_label_of_one_patient_a_protocol_is_no_number():
    """Without either the scores cannot be told apart from certainty, or the outcome model loses a column: refused in words."""
    table = patients()
    rare = [table.index[table["protocol"] == name][0] for name in ("usual", "early")]
    table["site"] = table["site"].astype("str")
    table.loc[rare, "site"] = "east"
    with pytest.raises(ModelError, match="hang on single patients: without 2 patients in turn") as raised:
        adjusted_means(table, "score", "protocol", COVARIATES)
    assert "usual 1, early 1" in raised.value.where

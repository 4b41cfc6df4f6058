"""The comparison of a cohort by week: what comes back, written out, negative controls, weeks, and refusals."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from analysis.curves import fit_mixed
from analysis.errors import ModelError
from analysis.outcomes import balance_weights, observational_comparison

from .chosen import cohort

COVARIATES = ["age_years", "site"]


@pytest.fixture(scope="module")
def two():
    return observational_comparison(cohort(), "pain", COVARIATES)


@pytest.fixture(scope="module")
def three():
    return observational_comparison(
        cohort(360, ("usual", "early", "late"), seed=5), "pain", COVARIATES, reference="early"
    )


def test_what_comes_back(two, three):
    for found, names in ((two, ["early"]), (three, ["usual", "late"])):
        assert list(dict.fromkeys(found.differences["protocol"])) == names
        assert found.differences["week"].tolist() == [6.0, 12.0, 26.0] * len(names)
        assert found.differences["method"].unique().tolist() == [
            "weights and outcome model (AIPW); jackknife over patients, t"
        ]
        assert found.differences["level"].unique().tolist() == [0.95]
        for beside in (found.crude, found.standardised):
            assert (
                beside[["protocol", "week"]].to_numpy().tolist()
                == found.differences[["protocol", "week"]].to_numpy().tolist()
            )
        assert found.covariates == ("a curve of the baseline", "age", "site")
        assert (found.filled["seen"] + found.filled["filled"] == found.filled["n"]).all()
        gaps = found.means.pivot_table(index="week", columns="protocol", values="estimate", observed=True)
        for _, row in found.differences.iterrows():
            gap = gaps.loc[row["week"], row["protocol"]] - gaps.loc[row["week"], row["reference"]]
            assert row["estimate"] == pytest.approx(gap)
    assert three.reference == "early"


def test_the_difference_is_nearer_to_the_truth_than_the_crude_one(two, three):
    for found, truth in ((two, [-1.0] * 3), (three, [1.0] * 3 + [-0.5] * 3)):
        ours = np.abs(found.differences["estimate"] - truth)
        crude = np.abs(found.crude["estimate"].to_numpy() - truth)
        assert ours.mean() < crude.mean()
        assert ((found.differences["lower"] <= truth) & (truth <= found.differences["upper"])).mean() >= 0.8


def test_without_missed_visits_it_is_the_estimate_written_out():
    """Complete visits: weights and least squares at the week; no covariance of visits matters."""
    one = cohort(150, missing=0.0, seed=4)
    found = observational_comparison(one, "pain", COVARIATES, weeks=[26])
    scores = found.weighting.scores.to_numpy()
    at = one.visits[one.visits["week"] == 26.0].set_index("patient_id")["value"].reindex(one.patients["patient_id"])
    y, code = at.to_numpy(), one.patients["protocol"].cat.codes.to_numpy()
    design = found.model.design.matrix(
        found.model.rows.frame[found.model.rows.frame["week"] == 26.0].reset_index(drop=True)
    )
    X = np.column_stack([np.ones(150), code, design[:, [i for i, name in enumerate(found.model.design.names)
                                                        if name.startswith("covariate_")]]])  # fmt: skip
    b = np.linalg.lstsq(X, y, rcond=None)[0]
    h = scores.prod(axis=1)
    theta = []
    for k in (0, 1):
        m = X @ b + (k - code) * b[1]
        mine = code == k
        theta.append(np.average(m, weights=h) + np.average((y - m)[mine], weights=(h / scores[:, k])[mine]))
    assert found.differences["estimate"][0] == pytest.approx(theta[1] - theta[0], abs=1e-8)


def test_the_crude_comparison_is_the_mixed_model_without_covariates(two):
    one = cohort()
    frame = one.visits[one.visits["week"] > 0].merge(one.patients, on="patient_id")
    plain = fit_mixed(frame, "value ~ protocol * C(week)", patient_effects=None, residual="unstructured")
    expected = plain.differences(weeks=[6.0, 12.0, 26.0])
    assert two.crude["estimate"].to_numpy() == pytest.approx(expected["estimate"].to_numpy(), rel=1e-6)
    assert two.crude["lower"].to_numpy() == pytest.approx(expected["lower"].to_numpy(), rel=1e-5)


def test_weights_are_those_of_the_table_of_patients(two):
    one = cohort()
    start = one.visits[one.visits["week"] == 0].set_index("patient_id")["value"]
    table = one.patients.assign(baseline=one.patients["patient_id"].map(start))
    expected = balance_weights(table, "protocol", ["spline(baseline)", *COVARIATES])
    assert two.weighting.weights.to_numpy() == pytest.approx(expected.weights.to_numpy(), rel=1e-9)


def test_a_negative_control_is_asked_for_like_any_measure():
    one = cohort(seed=6)
    rng = np.random.default_rng(1)
    untouched = one.visits.assign(measure="knee_extension", limb="involved", value=rng.normal(0, 3, len(one.visits)))
    both = replace(one, visits=pd.concat([one.visits, untouched], ignore_index=True))
    found = observational_comparison(both, "knee_extension", [*COVARIATES, "baseline(pain)"])
    assert "a curve of baseline of pain" in found.covariates
    assert found.limb == "involved"
    assert (found.differences["p_holm"] > 0.05).all()


def test_patients_without_a_later_visit_stay_and_those_without_any_are_counted():
    one = cohort(150, seed=8)
    gone = one.patients["patient_id"].iloc[:4]
    only_start = one.patients["patient_id"].iloc[4:8]
    visits = one.visits[~one.visits["patient_id"].isin(gone)]
    visits = visits[~(visits["patient_id"].isin(only_start) & (visits["week"] > 0))]
    found = observational_comparison(replace(one, visits=visits), "pain", COVARIATES)
    assert found.overlap["n"].sum() == 146
    assert "Without any value of the measure, 4 patients are left out." in found.notes


def test_a_week_with_few_visits_is_not_modelled():
    one = cohort(150, seed=8)
    early = one.patients.loc[one.patients["protocol"] == "early", "patient_id"].iloc[9:]
    visits = one.visits[~(one.visits["patient_id"].isin(early) & (one.visits["week"] == 12))]
    found = observational_comparison(replace(one, visits=visits), "pain", COVARIATES)
    assert found.weeks == (6.0, 26.0)
    assert any(
        note.startswith("Not modelled, for want of 10 values of a protocol: week 12 (protocol early: ")
        for note in found.notes
    )
    with pytest.raises(ModelError, match="Week 12 cannot be compared"):
        observational_comparison(replace(one, visits=visits), "pain", COVARIATES, weeks=[12])


def test_a_covariate_that_hangs_on_single_patients_gives_no_number():
    one = cohort(200, seed=9)
    rare = [one.patients.index[one.patients["protocol"] == name][0] for name in ("usual", "early")]
    site = one.patients["site"].astype("str")
    site[rare] = "east"
    unseen = one.patients["patient_id"][rare[0]]
    visits = one.visits[(one.visits["patient_id"] != unseen) | (one.visits["week"] == 0)]
    with pytest.raises(ModelError, match="hang on single patients") as raised:
        observational_comparison(
            replace(one, patients=one.patients.assign(site=site), visits=visits), "pain", COVARIATES
        )
    assert raised.value.where.startswith("patients by protocol: early 1")
    assert "Name fewer covariates" in raised.value.what_to_do


def test_a_number_whose_spread_stays_uneven_becomes_a_curve():
    one = cohort(240, seed=9)
    rng = np.random.default_rng(5)
    early = (one.patients["protocol"] == "early").to_numpy()
    wide = one.patients.assign(height_cm=170 + rng.normal(size=240) * np.where(early, 9.0, 5.0))
    found = observational_comparison(replace(one, patients=wide), "pain", ["height_cm", "site"])
    assert found.covariates == ("a curve of the baseline", "a curve of height", "site")
    assert any(
        note.startswith("Height is taken as a curve in both models: as a straight line it left") for note in found.notes
    )
    ratio = found.balance.query("covariate == 'height_cm' and term == 'value'")["variance_ratio"].iloc[0]
    assert 0.5 < ratio < 2
    two_values = wide.assign(height_cm=wide["height_cm"].round(-1))
    assert two_values["height_cm"].nunique() < 10
    with pytest.raises(ModelError, match="After weighting the spread of a covariate still differs"):
        observational_comparison(replace(one, patients=two_values), "pain", ["height_cm", "site"])


def test_one_week_alone():
    one = cohort(200, seed=9)
    single = replace(one, visits=one.visits[one.visits["week"].isin([0.0, 26.0])])
    found = observational_comparison(single, "pain", COVARIATES)
    assert found.weeks == (26.0,)
    assert found.differences["estimate"][0] == pytest.approx(-1.0, abs=0.6)


def test_notes_say_what_it_is_and_what_it_is_not(two):
    notes = " ".join(two.notes)
    assert "Nobody was randomised: a difference is associated with the protocol" in notes
    assert "overlap weights" in notes
    assert "an unlisted factor would need a risk ratio of" in notes
    missed = two.filled["filled"].sum()
    assert f"Of 600 visits at these weeks {missed} were missed" in notes
    for word in ("effect", "benefit", "favour", "caused"):
        assert f" {word} " not in notes.replace("effective", "")


def test_interactions_ask_for_patients():
    found = observational_comparison(cohort(400, seed=2), "pain", COVARIATES, interactions=True, weeks=[26])
    assert found.differences["estimate"][0] == pytest.approx(-1.0, abs=0.5)
    assert any("week by protocol by covariates" in note for note in found.notes)
    with pytest.raises(ModelError, match="that asks for 50 patients of every protocol"):
        observational_comparison(cohort(90, seed=2), "pain", COVARIATES, interactions=True)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"covariates": ["sessions_done"]}, "says what was done after the protocol began"),
        ({"covariates": ["pain"]}, "is measured at visits, also after the start"),
        ({"covariates": ["height"]}, "There is no covariate 'height'"),
        ({"target": "most"}, "There is no target 'most'"),
        ({"reference": "late"}, "There is no protocol 'late' to compare with"),
        ({"weeks": [3]}, "Week 3 cannot be compared"),
        ({"level": 2}, "confidence level 2"),
    ],
)
def test_refusals(change, message):
    given = {"covariates": COVARIATES, **change}
    with pytest.raises(ModelError, match=message):
        observational_comparison(cohort(90), "pain", **given)


def test_uneven_weights_and_balance_are_refused():
    with pytest.raises(ModelError, match="After weighting, protocol 'usual' stands for"):
        observational_comparison(cohort(120, strength=4.0), "pain", COVARIATES, target="early")
    with pytest.raises(ModelError, match=r"After weighting|Few patients"):
        observational_comparison(cohort(120, strength=6.0), "pain", COVARIATES)


def test_without_a_schedule_nothing_is_compared():
    one = cohort(90)
    rng = np.random.default_rng(3)
    later = one.visits["week"] > 0
    visits = one.visits.assign(week=one.visits["week"] + later * rng.uniform(0, 2, len(one.visits)))
    with pytest.raises(ModelError, match="Visits follow no schedule"):
        observational_comparison(replace(one, visits=visits), "pain", COVARIATES)


def test_order_of_rows_and_names_of_patients_change_nothing(two):
    one = cohort()
    shuffled = replace(
        one,
        patients=one.patients.sample(frac=1, random_state=1).reset_index(drop=True),
        visits=one.visits.sample(frac=1, random_state=2).reset_index(drop=True),
    )
    again = observational_comparison(shuffled, "pain", COVARIATES).differences
    numbers = ["estimate", "std_error", "sandwich_error"]
    assert again[numbers].to_numpy() == pytest.approx(two.differences[numbers].to_numpy(), rel=1e-6)

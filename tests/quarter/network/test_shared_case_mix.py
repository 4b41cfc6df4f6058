"""A case-mix model without patients: written, read, applied as it was fitted, and of nobody alone."""

import json

import numpy as np
import pandas as pd
import pytest
from scipy.special import expit

from analysis.errors import CohortError, ModelError
from analysis.quarter.network import fit_case_mix, read_case_mix, write_case_mix
from analysis.quarter.sites.case_mix import case_mix

N = 400


@pytest.fixture
def patients():
    draw = np.random.default_rng(3)
    age, baseline = draw.normal(45, 12, N), draw.normal(50, 15, N)
    procedure = draw.choice(["meniscus", "ligament", "rare"], N, p=[0.6, 0.39, 0.01])
    chance = expit(-0.5 + 0.04 * (baseline - 50) - 0.02 * (age - 45) + 0.6 * (procedure == "ligament"))
    return pd.DataFrame(
        {"site": draw.choice(list("ab"), N), "quarter": draw.choice(["2026-Q1", "2026-Q2"], N), "outcome": (draw.random(N) < chance) * 1.0,
         "baseline": np.where(np.arange(N) % 50, baseline, np.nan), "age_years": age, "procedure": procedure}
    )  # fmt: skip


def fitted(patients, **more):
    return fit_case_mix(patients, **{"measure": "pain", "week": 12, "indicator": "Improved", "where": "site a"} | more)


def test_what_is_applied_is_what_the_report_of_one_cohort_fits(patients):
    """On the cohort that it was fitted on, the sums are those of the quarter's own model (which has the rare label apart)."""
    model = fitted(patients[patients["procedure"] != "rare"])
    kept = patients[patients["procedure"] != "rare"]
    own = case_mix(kept).table.set_index("site")["expected"]
    shared = model.expected(kept).table.groupby("site")["expected"].sum()
    np.testing.assert_allclose(shared, own.loc[shared.index], rtol=1e-9)


def test_it_is_read_as_it_was_written_and_holds_no_patient(patients, tmp_path):
    model = fitted(patients)
    file = write_case_mix(model, tmp_path / "model.json")
    again = read_case_mix(file)
    np.testing.assert_array_equal(model.chances(patients), again.chances(patients))
    assert again.sha256 == model.sha256
    assert set(json.loads(file.read_text())) == {
        "form", "version", "note", "fitted", "measure", "week", "indicator", "intercept", "terms",
    }  # fmt: skip


def test_a_label_of_few_patients_has_no_coefficient_of_its_own(patients):
    assert (patients["procedure"] == "rare").sum() <= 10
    term = next(one for one in fitted(patients).terms if one.column == "procedure")
    assert set(term.coefficients) == {"ligament"}


def test_missing_numbers_count_as_the_mean_and_unknown_labels_as_the_reference(patients):
    model = fitted(patients)
    mean = next(one.mean for one in model.terms if one.column == "baseline")
    one = patients.iloc[[1]]
    gap = model.chances(one.assign(baseline=np.nan, procedure="other"))
    np.testing.assert_allclose(gap, model.chances(one.assign(baseline=mean, procedure="meniscus")))


def test_too_few_on_one_side_are_no_shared_model(patients):
    few = pd.concat([patients[patients["outcome"] == 0], patients[patients["outcome"] == 1].head(10)])
    with pytest.raises(ModelError, match="more than 10 patients who reached the outcome"):
        fitted(few)


@pytest.mark.parametrize(
    "change", [{"version": 2}, {"terms": [{"column": "a"}]}, {"intercept": "x"}, {"week": None}, {"fitted": 3}]
)
def test_another_file_is_refused(patients, tmp_path, change):
    file = write_case_mix(fitted(patients), tmp_path / "model.json")
    file.write_text(json.dumps(json.loads(file.read_text()) | change))
    with pytest.raises(CohortError, match="no case-mix model of version 1"):
        read_case_mix(file)

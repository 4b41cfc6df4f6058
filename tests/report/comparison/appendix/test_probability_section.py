"""The appendix on the probability of response: what it says where normality is rejected, and where it is not."""

import re

import numpy as np
import pandas as pd
import pytest

from analysis.cohort import Cohort
from analysis.outcomes.chosen_endpoint import choose_endpoint
from analysis.outcomes.true_response.probability_of_response import probability_of_response
from analysis.report.comparison import probability
from analysis.report.parts.passages import Passage
from analysis.report.parts.tables import Table


def cohort_of(shape, n=240):
    """A score at weeks 0, 12 and 26 whose true changes have the standardised values ``shape(rng, n)``."""
    rng = np.random.default_rng(8)
    gained = np.array([0, 0.7, 1.0])
    true = 40 + 6 * rng.standard_normal((n, 1)) + gained * (16 + 9 * shape(rng, n)[:, None])
    value = true + 5 * rng.standard_normal((n, 3))
    names = np.array([f"P{i:04d}" for i in range(n)])
    frame = pd.DataFrame({"patient_id": np.repeat(names, 3), "week": np.tile([0.0, 12, 26], n), "value": value.ravel()})
    frame["value"] = frame["value"].clip(0, 100)
    visits = frame[rng.random(3 * n) > 0.1].assign(measure="ikdc", limb="none")
    return Cohort(pd.DataFrame({"patient_id": names, "protocol": np.resize(["usual", "early"], n)}), visits)


def section_of(cohort, study_in_memory):
    study = study_in_memory(cohort, measure="ikdc", primary_week=26, imputations=25)
    return list(probability(study))


@pytest.fixture(scope="module")
def skewed(study_in_memory):
    cohort = cohort_of(lambda rng, n: rng.gamma(1.0, 1.0, n) - 1)
    return cohort, section_of(cohort, study_in_memory)


def by_name(section):
    return {item.name: item for item in section if isinstance(item, Table)}


def cautions(section):
    return [
        text for item in section if isinstance(item, Passage) and item.kind == "caution" for text in item.paragraphs
    ]


def test_where_normality_is_rejected_the_report_warns_and_shows_the_other_version(skewed):
    _, section = skewed
    warned = " ".join(cautions(section))
    assert "rejects" in warned
    assert "true change" in warned
    cells = by_name(section)["expected-responders"].cells()
    free = next(name for name in cells if name.startswith("Without the normal distribution"))
    assert cells[free].str.fullmatch(r"\d+ % \(\d+ % to \d+ %\)|\d+ % \(\d+ to \d+ %\)").all(), cells[free].tolist()
    differences = by_name(section)["expected-differences"].cells()
    assert any(name.startswith("Without the normal distribution") for name in differences)


@pytest.mark.slow
def test_the_gap_between_the_versions_that_is_said_is_that_of_the_numbers(skewed):
    cohort, section = skewed
    with pytest.warns(match="Normality is rejected"):
        found = probability_of_response(cohort, choose_endpoint(cohort, "ikdc", week=26), draws=100)
    patients = found.patients
    gaps = (patients["free_probability"] - patients["probability"]).abs()
    said = next(text for text in cautions(section) if "percentage points" in text)
    mean, largest = (
        float(one) for one in re.search(r"by (\d+) percentage points on average and (\d+) at most", said).groups()
    )
    assert mean == pytest.approx(100 * gaps.mean(), abs=0.6)
    assert largest == pytest.approx(100 * gaps.max(), abs=1.1)
    assert f"{len(patients)} patients" in said
    assert said.endswith("All else in this section is by the normal model.")


def test_where_normality_is_not_rejected_the_power_is_said_and_no_caution(study_in_memory):
    section = section_of(cohort_of(lambda rng, n: rng.standard_normal(n)), study_in_memory)
    assert cautions(section) == []
    table = by_name(section)["expected-responders"]
    assert not any(name.startswith("Without the normal distribution") for name in table.cells())
    assert any("Normality was not rejected" in note and "of them with a skew" in note for note in table.notes)

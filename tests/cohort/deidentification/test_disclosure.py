"""k-anonymity and distinct l-diversity against a worked example, and what generalisation changes."""

from __future__ import annotations

import pandas as pd
import pytest

from analysis.cohort import Cohort, disclosure_risk
from analysis.cohort.deidentification.disclosure import CAUTION, age_bands
from analysis.errors import CohortError

# Machanavajjhala, Kifer, Gehrke & Venkitasubramaniam 2007, ACM TKDD 1(1), Figure 2: the 4-anonymous table (from memory)
INPATIENTS = pd.DataFrame(
    {
        "zip": ["130**"] * 4 + ["1485*"] * 4 + ["130**"] * 4,
        "age": ["< 30"] * 4 + [">= 40"] * 4 + ["3*"] * 4,
        "condition": ["heart", "heart", "viral", "viral", "cancer", "heart", "viral", "viral", *["cancer"] * 4],
    }
)


def test_the_published_example_has_k_4_and_l_2_3_and_1() -> None:
    risk = disclosure_risk(INPATIENTS, ["zip", "age"], ["condition"], fewest=5)
    assert (risk.k, risk.distinct_l) == (4, {"condition": 1})
    by_age = risk.combinations.set_index("age")["distinct_condition"]
    assert by_age.to_dict() == {"< 30": 2, ">= 40": 3, "3*": 1}
    assert len(risk.rare) == 3


def test_the_original_table_with_a_row_a_person_has_k_1() -> None:
    # same source, Figure 1: every exact age and ZIP code is one person's
    unique = INPATIENTS.assign(age=range(12))
    risk = disclosure_risk(unique, ["zip", "age"], ["condition"])
    assert (risk.k, len(risk.combinations)) == (1, 12)


def test_generalisations_are_tried_alone_and_the_best_comes_first() -> None:
    table = pd.DataFrame({"sex": ["f", "m"] * 20, "quarter": [f"2025-Q{1 + i % 4}" for i in range(40)]})
    risk = disclosure_risk(table, ["sex", "quarter"], [], fewest=11)
    # sex and quarter go together here: four combinations of ten
    assert (risk.k, int(risk.rare["patients"].sum())) == (10, 40)
    best = risk.suggestions.set_index("generalisation")
    assert best.loc["the year in place of the quarter", ["k", "rare_patients"]].tolist() == [20, 0]
    assert best.loc["sex left out", ["k", "rare_patients"]].tolist() == [10, 40]
    assert risk.suggestions["rare_patients"].is_monotonic_increasing


def test_small_groups_are_put_together() -> None:
    table = pd.DataFrame({"site": ["A"] * 30 + ["B"] * 6 + ["C"] * 5})
    risk = disclosure_risk(table, ["site"], [], fewest=11)
    row = risk.suggestions.set_index("generalisation").loc["site: those of fewer than 22 patients together"]
    assert row[["k", "rare_combinations", "rare_patients"]].tolist() == [11, 0, 0]


def test_a_cohort_uses_age_bands_and_the_events_of_a_patient() -> None:
    patients = pd.DataFrame(
        {"patient_id": list("abcd"), "protocol": ["x", "y"] * 2, "age_years": [31, 39, 90, None], "sex": "f"}
    )
    visits = pd.DataFrame({"patient_id": list("abcd"), "week": 0, "measure": "pain", "limb": "none", "value": 3.0})
    events = pd.DataFrame({"patient_id": ["a", "a", "b"], "week": 1, "event": ["fall", "flare", "fall"]})
    risk = disclosure_risk(Cohort(patients, visits, events=events), sensitive=["event"])
    assert risk.quasi_identifiers == ("age_band", "sex")
    found = risk.combinations.set_index("age_band")[["patients", "distinct_event"]].to_dict("index")
    assert found == {
        "30 to 39": {"patients": 2, "distinct_event": 2},
        "90 and over": {"patients": 1, "distinct_event": 1},
        "not recorded": {"patients": 1, "distinct_event": 1},
    }
    assert "4 of 4 patients are in 3 combinations of fewer than 11 patients" in str(risk)
    assert str(risk).endswith(CAUTION)
    assert "privacy officer" in str(risk)


def test_without_columns_that_an_outsider_knows_all_patients_look_the_same() -> None:
    patients = pd.DataFrame({"patient_id": list("abc"), "protocol": ["x", "y", "y"]})
    visits = pd.DataFrame({"patient_id": list("abc"), "week": 0, "measure": "pain", "limb": "none", "value": 3.0})
    risk = disclosure_risk(Cohort(patients, visits))
    assert (risk.quasi_identifiers, risk.k, risk.distinct_l) == ((), 3, {"protocol": 2})
    assert risk.combinations[["patients", "distinct_protocol"]].to_numpy().tolist() == [[3, 2]]
    text = str(risk)
    assert text.startswith("Disclosure risk: the patients have none of age_band, sex, site, procedure, quarter")
    assert "k = 3" in text
    assert text.endswith(CAUTION)
    assert disclosure_risk(Cohort(patients, visits), fewest=2).rare.empty


def test_no_patients_have_no_k() -> None:
    risk = disclosure_risk(INPATIENTS.head(0), ["zip"], ["condition"])
    assert risk.k is None
    assert str(risk) == "Disclosure risk: no patients."


def test_a_column_that_is_not_there_is_named() -> None:
    with pytest.raises(CohortError, match="There is no column town") as error:
        disclosure_risk(INPATIENTS, ["town"])
    assert "zip, age, condition" in str(error.value)


def test_bands_end_at_89() -> None:
    assert age_bands(pd.Series([0.0, 79.9, 80.0, 89.0]), 20).tolist() == ["0 to 19", "60 to 79", "80 to 89", "80 to 89"]


def test_a_cohort_in_which_nothing_happened(cohort):
    assert cohort.events.empty
    assert disclosure_risk(cohort, ["site"], ["event"]).distinct_l == {"event": 1}

"""A report whose model cannot be fitted still counts responders, and says nothing of the data that is not so."""

import pandas as pd
import pytest

from analysis.cohort import Cohort, write_cohort
from analysis.report import comparison
from analysis.report.parts.passages import Passage
from analysis.report.parts.tables import Table


@pytest.fixture(scope="module")
def study(tmp_path_factory):
    """Nine patients who all start at 1 and gain the same at both visits: no scatter within the patient to fit."""
    ids = [f"p{k}" for k in range(9)]
    protocol = pd.Categorical(["active"] * 4 + ["usual"] * 5, ["active", "usual"])
    rows = [
        (one, week, "quadriceps_torque", "involved", 1.0 if week == 0 else 1.2 + 0.1 * k)
        for k, one in enumerate(ids)
        for week in (0.0, 6.0, 12.0)
    ]
    visits = pd.DataFrame(rows, columns=["patient_id", "week", "measure", "limb", "value"])
    cohort = Cohort(pd.DataFrame({"patient_id": ids, "protocol": protocol}), visits, reference="usual")
    folder = write_cohort(cohort, tmp_path_factory.mktemp("flat") / "cohort")
    return comparison.prepare_study(folder, threshold=0.35, imputations=3)


def test_findings_are_made_before_anything_is_shown(study):
    assert "found" in vars(study)


def test_responders_are_counted_at_the_week_that_the_curves_would_have(study):
    assert study.curves is None
    table = study.responders[0].table.set_index("protocol")
    assert study.responders[0].endpoint.week == 12
    assert table["responders"].to_dict() == {"usual": 5, "active": 2}  # gains of 0.2, 0.3, 0.4, 0.5; 0.6 to 1.0
    assert table["n"].to_dict() == {"usual": 5, "active": 4}


@pytest.mark.parametrize("name", comparison.__all__[2:])
def test_every_section_can_be_made_and_does_not_blame_the_schedule(study, name):
    section = getattr(comparison, name)(study, *(["protocol_comparison"] if name == "provenance" else []))
    items = [section] if isinstance(section, Passage | Table) else list(section)
    said = " ".join(text for item in items if isinstance(item, Passage) for text in item.paragraphs)
    assert "schedule" not in said
    assert "no week" not in said


def test_few_patients_are_a_doubt_also_where_no_curves_can_be_fitted(study):
    (answer,) = comparison.answer(study)
    assert answer.paragraphs[-2].startswith("Fewer than 20 patients were seen: usual (5) and active (4).")

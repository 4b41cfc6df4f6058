"""Thresholds from a cohort's own anchor: the same as from a table of its changes; what is missing is said."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from analysis.cohort import Measure
from analysis.errors import ModelError
from analysis.outcomes import change_at_week, choose_endpoint, find_thresholds
from analysis.outcomes.thresholds.anchored_changes import anchored_changes
from synthetic_cohort import generate_cohort


@pytest.fixture(scope="module")
def cohort():
    """Patients who judge their change of the score by week 26, with an error, from -2 (much worse) to 3 (much better)."""
    made = generate_cohort(patients=160, seed=2).observed
    changes = change_at_week(made, choose_endpoint(made, "ikdc", week=26, criterion=None)).dropna(
        subset=["improvement"]
    )
    feels = np.clip(
        np.round((changes["improvement"] + np.random.default_rng(1).normal(0, 6, len(changes))) / 12), -2, 3
    )
    rows = pd.DataFrame(
        {"patient_id": changes["patient_id"], "week": 26.0, "measure": "global_rating", "limb": "none", "value": feels}
    )
    visits = pd.concat([made.visits.astype({"measure": "str", "limb": "str"}), rows], ignore_index=True)
    rating = Measure("global_rating", "Global rating of change", "points", "higher is better", lowest=-3, highest=3)
    return replace(made, visits=visits, measures=made.measures.with_measures(rating))


def test_a_cohort_gives_what_a_table_of_its_changes_gives(cohort):
    options = {"improved": [2, 3], "slightly_better": [1], "draws": 50}
    found = find_thresholds(cohort, measure="ikdc", week=26, anchor="global_rating", **options)
    changes = change_at_week(cohort, choose_endpoint(cohort, "ikdc", week=26, criterion=None))
    rating = cohort.visits[cohort.visits["measure"] == "global_rating"].set_index("patient_id")["value"]
    table = changes[["improvement", "baseline"]].assign(anchor=changes["patient_id"].map(rating))
    by_hand = find_thresholds(table, unit="points", **options)
    pd.testing.assert_frame_equal(found.anchor_based, by_hand.anchor_based)
    assert found.unit == "points"


def test_a_column_of_the_patients_can_be_the_anchor(cohort):
    feels = pd.Series(np.tile(["better", "same"], 80))
    found = anchored_changes(replace(cohort, patients=cohort.patients.assign(feels=feels)), "pain", "feels", week=26)
    assert found["feels"].astype("str").tolist() == feels.tolist()
    pain = change_at_week(cohort, choose_endpoint(cohort, "pain", week=26, criterion=None))
    np.testing.assert_array_equal(found["improvement"], pain["improvement"])


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ({"measure": "ikdc"}, "the measure and the week must be named"),
        ({"week": 26}, "the measure and the week must be named"),
        ({"measure": "ikdc", "week": 26, "anchor": "mood"}, "There is no anchor 'mood' in the cohort"),
        ({"measure": "ikdc", "week": 12}, "Nobody has both a change of IKDC subjective knee score and the anchor"),
    ],
)
def test_what_is_missing_is_said(cohort, options, said):
    with pytest.raises(ModelError, match=said):
        find_thresholds(cohort, improved=[2, 3], **{"anchor": "global_rating", **options})

"""Reached and kept, better or worse, and the grid of thresholds; counted by hand."""

import pandas as pd
import pytest

from analysis.cohort import Cohort
from analysis.errors import ModelError
from analysis.outcomes.chosen_endpoint import choose_endpoint
from analysis.outcomes.responders.better_or_worse import better_or_worse
from analysis.outcomes.responders.kept_response import reached_and_kept
from analysis.outcomes.responders.responders import responders
from analysis.outcomes.responders.threshold_grid import threshold_grid

COURSES = {  # baseline 8; weeks 6, 12, 26
    ("a", "usual"): (5, 4, 3),
    ("b", "usual"): (5, 8, 3),
    ("c", "usual"): (5, 4, None),
    ("d", "usual"): (8, None, 4),
    ("e", "early"): (8, 5, 4),
    ("f", "early"): (None, None, None),
}


@pytest.fixture
def cohort():
    patients = pd.DataFrame(list(COURSES), columns=["patient_id", "protocol"])
    rows = [(name, 0, 8) for name, _ in COURSES]
    for (name, _), values in COURSES.items():
        rows += [(name, week, value) for week, value in zip((6, 12, 26), values, strict=True) if value is not None]
    visits = pd.DataFrame(rows, columns=["patient_id", "week", "value"]).assign(measure="pain", limb="none")
    return Cohort(patients, visits)


def test_kept_with_missed_visits_left_out(cohort):
    found = reached_and_kept(cohort, choose_endpoint(cohort, "pain", week=6, threshold=2))
    assert found.weeks == (6.0, 12.0, 26.0)
    assert found.patients.set_index("patient_id")["responder"].tolist() == [True, False, pd.NA, False, False, pd.NA]
    assert found.table[["n", "responders"]].to_numpy().tolist() == [[3, 1], [1, 0]]


def test_kept_with_missed_visits_as_not_kept(cohort):
    found = reached_and_kept(cohort, choose_endpoint(cohort, "pain", week=6, threshold=2, missing="non-response"))
    assert found.table[["n", "responders"]].to_numpy().tolist() == [[4, 1], [2, 0]]


def test_kept_from_a_later_week(cohort):
    found = reached_and_kept(cohort, choose_endpoint(cohort, "pain", week=12, threshold=2), until=20)
    assert found.weeks == (12.0,)
    assert found.table[["n", "responders"]].to_numpy().tolist() == [[3, 2], [1, 1]]
    assert found.notes[1] == "Reached at week 12."
    both = reached_and_kept(cohort, choose_endpoint(cohort, "pain", week=12, threshold=2), until=26)
    assert both.weeks == (12.0, 26.0)  # the last week itself is asked for
    assert both.table[["n", "responders"]].to_numpy().tolist() == [[2, 1], [1, 1]]


def test_kept_at_weeks_that_are_not_expected(cohort):
    with pytest.raises(ModelError, match=r"No visit is expected from week 30\.\n  where: expected weeks: 0, 6, 12, 26"):
        reached_and_kept(cohort, choose_endpoint(cohort, "pain", week=30, threshold=2))


def test_both_directions(make_cohort):
    cohort = make_cohort({"usual": [-3, -2, 0, 1.9, 2], "early": [5, None, -1]}, measure="pain", baseline=4)
    found = better_or_worse(cohort, choose_endpoint(cohort, "pain", week=26, threshold=2))
    assert found.table["direction"].tolist() == ["better", "unchanged", "worse"] * 2
    assert found.table["patients"].tolist() == [2, 2, 1, 0, 1, 1]
    assert found.table["protocol"].tolist() == ["usual"] * 3 + ["early"] * 3
    worse = found.differences.set_index("direction").loc["worse"]
    assert worse["difference"] == pytest.approx(1 / 2 - 1 / 5)
    assert found.patients["direction"].isna().sum() == 1


def test_worse_may_have_its_own_size(make_cohort):
    cohort = make_cohort({"usual": [-1, 1]}, measure="pain", baseline=4)
    assert better_or_worse(cohort, choose_endpoint(cohort, "pain", week=26, threshold=2), worsening=1).table[
        "patients"
    ].tolist() == [0, 1, 1]
    with pytest.raises(ModelError, match="The worsening -1 points is not a size of change"):
        better_or_worse(cohort, choose_endpoint(cohort, "pain", week=26, threshold=2), worsening=-1)


def test_better_agrees_with_the_responders(two_protocols):
    better = better_or_worse(two_protocols, choose_endpoint(two_protocols, "ikdc", week=26, threshold=12)).table.query(
        "direction == 'better'"
    )
    whole = responders(two_protocols, "ikdc", week=26, threshold=12).table
    assert better["share"].tolist() == whole["share"].tolist()
    assert better["upper"].tolist() == whole["upper"].tolist()


def test_the_grid_holds_the_main_analysis_under_both_rules(two_protocols):
    grid = threshold_grid(
        two_protocols, choose_endpoint(two_protocols, "ikdc", week=26, threshold=12), thresholds=[5, 20]
    )
    assert grid.table["threshold"].unique().tolist() == [5, 12, 20]
    for rule in ("excluded", "non-response"):
        main = responders(two_protocols, "ikdc", week=26, threshold=12, missing=rule)
        here = grid.table.query("missing == @rule and chosen")
        assert here["share"].tolist() == main.table["share"].tolist()
        gap = grid.differences.query("missing == @rule and chosen").iloc[0]
        assert gap["number_needed_in_words"] == main.differences["number_needed_in_words"].iloc[0]


def test_the_grid_has_the_level_that_was_asked_for(two_protocols):
    endpoint = choose_endpoint(two_protocols, "ikdc", week=26, threshold=12, level=0.8)
    grid = threshold_grid(two_protocols, endpoint, thresholds=[5])
    main = responders(two_protocols, "ikdc", week=26, threshold=12, level=0.8)
    for here, there in ((grid.table, main.table), (grid.differences, main.differences)):
        same = here.query("missing == 'excluded' and chosen")
        assert same["level"].unique().tolist() == [0.8]
        assert same[["lower", "upper"]].to_numpy().tolist() == there[["lower", "upper"]].to_numpy().tolist()


def test_the_default_grid_names_what_is_published(two_protocols):
    grid = threshold_grid(two_protocols, choose_endpoint(two_protocols, "ikdc", week=26))
    named = grid.table.dropna(subset=["published"])
    assert {"MIC", "MDC"} <= set(named["published"])
    assert grid.table.query("chosen")["threshold"].unique().tolist() == [grid.endpoint.threshold.value]


def test_a_grid_of_states_where_lower_is_better(make_cohort):
    cohort = make_cohort({"usual": [-4, -3, -1], "early": [-4, -4, 0]}, measure="pain", baseline=5)
    grid = threshold_grid(
        cohort, choose_endpoint(cohort, "pain", week=26, criterion="state", threshold=2), thresholds=[1]
    )
    shares = grid.table.query("missing == 'excluded'").set_index(["protocol", "threshold"])["responders"]
    assert shares.to_dict() == {("usual", 1): 1, ("usual", 2): 2, ("early", 1): 2, ("early", 2): 2}

"""Which responders a comparison counts: what was named, what fits measure and procedure, states together; and its words."""

import pytest

from analysis.errors import CohortError, ModelError, ReportError
from analysis.outcomes import choose_endpoint, responders, with_states_together
from analysis.report import comparison
from analysis.report.parts.figures import Figure
from analysis.report.parts.passages import Passage
from analysis.report.parts.tables import Table
from synthetic_cohort import generate_cohort

TOGETHER = ["limb_symmetry_index 90", "knee_extension -3", "ikdc 75"]


@pytest.fixture(scope="module")
def cohort():
    return generate_cohort(patients=90, seed=4).observed


@pytest.fixture(scope="module")
def study(study_in_memory, cohort):
    def make(**options):
        return study_in_memory(cohort, reference="exercise only", design="randomised", imputations=2, **options)

    return make


def words(section):
    """Everything that a section says, tables and figures too."""
    said = []
    for item in section:
        if isinstance(item, Passage):
            said += item.paragraphs
        if isinstance(item, Figure):
            said += [item.title, item.caption, item.alt, item.message]
        if isinstance(item, Table | Figure):
            table = item.table if isinstance(item, Figure) else item
            said += [table.caption, *table.notes, *(one.label for one in table.columns)]
    return "\n".join(said)


def test_after_surgery_torque_is_counted_by_limb_symmetry_and_the_report_says_why(study, cohort):
    made = study(measure="quadriceps_torque")
    own, beside = made.responders
    expected = responders(
        cohort, "limb_symmetry_index", week=26, criterion="state", threshold=90, reference="exercise only"
    )
    assert own.table.equals(expected.table)
    assert made.main_responders is own
    drawn = [one for one in comparison.responder_analysis(made) if isinstance(one, Figure) and one.message]
    assert [one.message.startswith("Responders in limb symmetry index") for one in drawn] == [
        True
    ]  # one slide, of the main one
    assert beside.endpoint.to_reach.name == "minimal important change"
    (answer,) = comparison.answer(made)
    assert "At week 26 limb symmetry index, quadriceps torque was 90 % or more (target in common use) in" in str(answer)
    said = words(comparison.responder_analysis(made))
    assert "Counted so because torque falls with surgery" in said
    assert "Share of patients at every value" in said
    assert "Mean value of limb symmetry index" in said
    main = said[: said.index("in the same patients")]
    assert "improve" not in main


@pytest.mark.parametrize(
    ("options", "measure", "criterion", "value"),
    [
        ({"measure": "limb_symmetry_index", "threshold": 90.0}, "limb_symmetry_index", "state", 90),
        ({"measure": "knee_flexion"}, "knee_flexion", "state", 120),
        ({"measure": "knee_flexion", "criterion": "state", "threshold": 130.0}, "knee_flexion", "state", 130),
        ({"measure": "pain", "criterion": "percent", "threshold": 30.0}, "pain", "percent", 30),
        ({"measure": "quadriceps_torque", "criterion": "improvement"}, "quadriceps_torque", "improvement", 0.37),
        ({"measure": "quadriceps_torque", "responder_measure": "ikdc"}, "ikdc", "improvement", 18.9),
        ({"measure": "quadriceps_torque", "change_from": "first after start", "criterion": "improvement"},
         "quadriceps_torque", "improvement", 0.37),
    ],
)  # fmt: skip
def test_what_is_named_is_counted_alone(study, options, measure, criterion, value):
    made = study(**options)
    endpoint = made.main_responders.endpoint
    assert (endpoint.measure.name, endpoint.criterion, endpoint.to_reach.value) == (measure, criterion, value)
    assert len(made.responders) == (2 if options == {"measure": "knee_flexion"} else 1)
    assert words(comparison.responder_analysis(made))
    assert words(comparison.other_counts(made))


def test_states_are_counted_together_and_compared_like_any_other(study, cohort):
    made = study(measure="quadriceps_torque", together=TOGETHER)
    (found,) = made.responders
    both = with_states_together(cohort, TOGETHER)
    endpoint = choose_endpoint(
        both, "states_together", week=26, criterion="state", threshold=1, reference="exercise only"
    )
    assert found.table.equals(responders(both, endpoint).table)
    assert found.table["n"].sum() > 60
    (answer,) = comparison.answer(made)
    assert "At week 26 all 3 states were reached (Limb symmetry index, quadriceps torque: 90 % or more; Knee" in str(
        answer
    )
    said = words(comparison.responder_analysis(made)) + words(comparison.other_counts(made))
    assert "Mean value" not in said
    assert "at other thresholds" not in said
    assert "counted in several ways" in said
    assert "several states together" in str(comparison.probability(made))


def test_missing_values_of_states_are_filled_beside_those_counted_and_where_they_cannot_be_that_is_said(
    study, monkeypatch
):
    both = ["pain 3", "ikdc 75"]
    made = study(measure="quadriceps_torque", together=both)
    section = list(comparison.sensitivity(made))
    (table,) = [one for one in section if isinstance(one, Table) and one.name == "missing-responders"]
    counted = ["observed cases", "missing counted as non-response", "multiple imputation"]
    assert list(dict.fromkeys(table.data["analysis"])) == counted
    filled = table.data[table.data["analysis"] == "multiple imputation"]
    assert filled.set_index("protocol")["n"].to_dict().items() <= made.allocated.items()  # every patient
    assert filled[["difference", "lower", "upper"]].notna().all(axis=None)
    said = words(section)
    assert "Joint normal model of" in said
    assert "2 completed data sets, each judged by the same states." in said

    def fails(*_, **__):
        raise ModelError("Nobody of usual has a value of Pain at week 26.")

    monkeypatch.setattr("analysis.report.comparison.appendix.filled.missing_states_analyses", fails)
    without = list(comparison.sensitivity(study(measure="quadriceps_torque", together=both)))
    assert (
        "fill the missing values of the states counted together. Nobody of usual has a value of Pain at week 26."
        in words(without)
    )
    assert [one.name for one in without if isinstance(one, Figure)] == ["missing-analyses", "tipping-point"]


def test_shares_differences_numbers_needed_and_the_time_to_reach_are_there_of_a_state(study):
    made = study(measure="limb_symmetry_index")
    otherwise = made.counted_otherwise
    assert otherwise.directions is None
    assert otherwise.adjusted.differences["difference"].notna().all()
    assert len(otherwise.first_reached.table)
    names = [one.name for one in comparison.responder_analysis(made) if isinstance(one, Table | Figure)]
    assert names[:4] == ["responders", "responder-differences", "mean-improvement", "change"]


@pytest.mark.parametrize(
    ("options", "error", "said"),
    [
        ({"criterion": "state"}, ModelError, "The criterion 'state' needs a number to reach"),
        ({"criterion": "change"}, ReportError, "criterion must be Literal"),
        ({"threshold": -3.0, "criterion": "improvement"}, ModelError, "is not a size of improvement"),
        ({"threshold": 0.5}, ModelError, "The threshold 0.5 could be an improvement or a state"),
        ({"responder_measure": "strength"}, CohortError, "There is no measure 'strength'"),
        ({"together": ["pain 3"]}, ModelError, "One state is named to be reached together"),
        ({"together": TOGETHER, "threshold": 3.0}, ModelError, "and another endpoint is named beside them"),
        ({"together": TOGETHER, "responder_measure": "ikdc"}, ModelError, "and another endpoint is named beside them"),
        ({"together": "pain 3"}, ReportError, "together must be list"),
    ],
)
def test_what_contradicts_itself_is_refused(study, options, error, said):
    with pytest.raises(error, match=said):
        study(measure="quadriceps_torque", **options)

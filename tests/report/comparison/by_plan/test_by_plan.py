"""A plan takes nothing from the values; each deviation planted is said and no other; what the cohort lacks is refused."""

from dataclasses import fields, replace

import numpy as np
import pandas as pd
import pytest

from analysis.cohort import Cohort
from analysis.errors import ModelError, ReportError
from analysis.report import plan_analysis
from analysis.report.comparison import checklist, methods
from analysis.report.comparison.findings.doubts import doubts_words
from analysis.report.comparison.parameters import ComparisonParameters
from analysis.report.planned.cohort_of_plan import refuse_what_the_cohort_lacks
from analysis.report.planned.document import plan_to_markdown
from analysis.report.planned.plan import AnalysisPlan
from synthetic_cohort import generate_cohort

FEW = {"imputations": 2}
NOT_PLANNED, DEFAULT = "planned nothing, as the plan lacks it; in this report", "The default was taken."
DESIGN = """
protocols = ["usual", "early", "late"]
reference = "usual"
visit_weeks = [0, 6, 12, 26]
measures = { "quadriceps_torque" = [0, 12, 26], "ikdc" = [0, 6, 12, 26] }
procedure = "ligament reconstruction"
counted_from = "surgery"
allocation = "randomised"
sites = ["A", "B"]
[covariates]
sex = ["female", "male"]
age_years = [16, 60]
"""


def small(patients):
    """Give two protocols with two outcomes at three weeks, some visits missed."""
    rng = np.random.default_rng(7)
    ids = [f"p{number:02d}" for number in range(patients)]
    people = pd.DataFrame({"patient_id": ids, "protocol": ["usual", "early"] * (patients // 2)})
    people["sex"] = ["f", "f", "m", "m"] * (patients // 4)
    rows = [
        (name, week, measure, "none", level)
        for place, name in enumerate(ids)
        for week in (0, 6, 12)
        for measure, level in (("pain", rng.normal(6 - week / 6, 0.8)), ("ikdc", rng.normal(40 + 2 * week, 8)))
        if not (week == 12 and place % 9 == 4)
    ]
    visits = pd.DataFrame(rows, columns=["patient_id", "week", "measure", "limb", "value"])
    return Cohort(people, visits, reference="usual")


@pytest.fixture(scope="module")
def cohort():
    return small(64)


@pytest.fixture(scope="module")
def plan(cohort):
    return plan_analysis(cohort, parameters={"measure": "ikdc", "secondary": ["pain"], "subgroups": ["sex"], **FEW})


@pytest.fixture(scope="module")
def followed(cohort, plan, study_in_memory):
    return study_in_memory(cohort, plan=plan.to_toml())


def changed(plan, part, **values):
    """Give the plan as if it had been made with other values, with a hash that fits."""
    analysis = replace(plan.analysis, **{part: replace(getattr(plan.analysis, part), **values)})
    return AnalysisPlan.of(analysis, kit="0.0.9", made=plan.made)


def points(study):
    return [one.point for one in study.plan_followed.deviations]


def test_permuted_values_give_the_same_plan():
    cohort = generate_cohort(patients=90, seed=3).observed
    rng = np.random.default_rng(1)
    visits = cohort.visits.assign(value=rng.permutation(cohort.visits["value"].to_numpy()))
    asked = {"secondary": ["ikdc", "pain"], "subgroups": ["sex"], "adjust_for": ["site", "spline(age_years)"]}
    one, other = (plan_analysis(found, parameters=asked) for found in (cohort, replace(cohort, visits=visits)))
    assert not np.array_equal(visits["value"], cohort.visits["value"])
    assert one.analysis == other.analysis


def test_a_plan_of_states_counted_together_names_how_their_missing_values_are_filled_and_is_followed(
    cohort, study_in_memory
):
    asked = {"measure": "ikdc", "together": ["pain 4", "ikdc 55"], **FEW}
    plan = plan_analysis(cohort, parameters=asked)
    missing = plan.analysis.missing
    assert missing.analyses_of_responders[-1] == "multiple imputation, missing at random"
    assert "up to 9 values of a patient and with at least 10 patients for each" in plan_to_markdown(plan)
    assert points(study_in_memory(cohort, plan=plan.to_toml())) == []


def test_a_key_that_the_plan_lacks_takes_the_default_and_is_said(cohort, plan, study_in_memory):
    earlier = replace(plan, lacking=(("multiplicity", "level"), ("missing", "most_values_of_states")))
    earlier = replace(earlier, sha256=earlier.digest)
    followed = study_in_memory(cohort, plan=earlier.to_toml())
    assert [one.words for one in followed.plan_followed.deviations] == [
        f"Missing visits, values of a patient, at most, in the model that fills states counted together: {NOT_PLANNED} 9. {DEFAULT}",
        f"Several comparisons, confidence level; 1 minus it is the two-sided error of all tests together: {NOT_PLANNED} 0.95. {DEFAULT}",
    ]
    named = study_in_memory(cohort, plan=earlier.to_toml(), level=0.9).plan_followed.deviations
    assert named[1].words.endswith("in this report 0.9. It was named so for this report.")


def test_a_cohort_and_its_scenario_give_the_same_plan(tmp_path):
    from importlib import resources

    file = resources.files("synthetic_cohort.scenarios").joinpath("ligament_reconstruction.toml")
    of_scenario = plan_analysis(str(file)).analysis
    of_cohort = plan_analysis(generate_cohort(patients=150, seed=2).observed).analysis
    assert of_scenario.design.made_from == "design"
    assert replace(of_scenario, design=replace(of_scenario.design, made_from="cohort")) == of_cohort


def test_a_design_file_settles_every_default(tmp_path):
    file = tmp_path / "design.toml"
    file.write_text(DESIGN, encoding="utf-8")
    said = plan_analysis(file, parameters={"secondary": ["ikdc"], "subgroups": ["age_years 30"]}).analysis
    assert (said.endpoint.measure, said.endpoint.primary_week, said.design.weeks) == (
        "quadriceps_torque",
        26.0,
        [12.0, 26.0],
    )
    assert said.model.adjust_for == ["site"]
    assert said.model.mean == "value ~ protocol * C(week) + baseline * C(week) + site"
    assert [(one.measure, one.criterion, one.threshold, one.main) for one in said.responders] == [
        ("limb_symmetry_index", "state", 90.0, True), ("ikdc", "improvement", 18.9, False),
    ]  # fmt: skip
    file.write_text(DESIGN.replace('reference = "usual"', ""), encoding="utf-8")
    with pytest.raises(ReportError, match="No reference is named"):
        plan_analysis(file)


def test_a_plan_sets_parameters_that_there_are(plan):
    names = {one.name for one in fields(ComparisonParameters)} - {"folder"}
    assert set(plan.filled({})) < names
    assert names - set(plan.filled({})) == {
        "responder_measure",
        "criterion",
        "threshold",
        "change_from",
    }


@pytest.mark.parametrize("imputations", [-1, 10**300])
def test_a_number_of_imputations_that_cannot_be_is_refused_before_anything_is_fitted(imputations):
    with pytest.raises(ModelError, match="draws are too"):
        ComparisonParameters.checked("", {"imputations": imputations}).refuse_what_cannot_be()


def test_a_report_that_follows_its_plan_says_so(followed, plan):
    kept = followed.plan_followed
    assert kept.deviations == ()
    said = (
        f"The analysis follows the plan {plan.sha256}; no deviation was found among the {kept.points} points compared."
    )
    told = [text for item in methods(followed) for text in item.paragraphs]
    assert {said, "Primary week 12: as planned."} <= set(told)
    assert not any("plan " in text and "differ" in text for text in doubts(followed))
    (row,) = [row for row in checklist(followed).items[1].rows() if row[0].startswith("12a ")]
    assert "with the plan" in row[2]
    counted = sum(len(part.compared()) for part in parts(plan)) + 2
    assert kept.points == counted


def parts(plan):
    for one in (getattr(plan.analysis, field.name) for field in fields(plan.analysis)):
        yield from one if isinstance(one, tuple) else (one,)


def doubts(study):
    return doubts_words(study.found, study.measure, allocation=study.allocation)


def test_without_a_plan_nothing_is_said_of_one(cohort, study_in_memory):
    study = study_in_memory(cohort, measure="ikdc", **FEW)
    assert study.plan_followed is None
    assert not any("SHA-256" in text for item in methods(study) for text in item.paragraphs)


@pytest.mark.parametrize(
    ("part", "values", "said"),
    [
        ("limits", {"much_lost": 0.4}, "planned 0.4; in this report 0.333333. It is set by the kit, whose version was 0.0.9"),
        ("missing", {"seed": 2}, "seed of the random numbers: planned 2; in this report 1."),
        ("model", {"covariances": ["patient effects 1, residual independent"]}, "covariances within the patient"),
        ("multiplicity", {"p_values": "none"}, "planned none; in this report holm."),
        ("design", {"counted_from": "programme"}, "planned programme; in this report none."),
        ("subgroups", {"groups": ["sex", "site"]}, "planned sex, site; in this report sex. It was named so for this report."),
    ],
)  # fmt: skip
def test_what_the_kit_or_the_cohort_does_otherwise_is_said_and_nothing_else(followed, plan, part, values, said):
    from analysis.report.comparison.by_plan.following import follow

    other = changed(plan, part, **values)
    kept = follow(
        other, followed, sensitivity=followed.sensitivity, outcomes=followed.outcomes_in_order, groups=followed.by_subgroup,
        nothing_missing=followed.nothing_missing,
    )  # fmt: skip
    expected = 2 if "covariances" in values else 1  # the covariance taken is not the first one of that plan either
    assert len(kept.deviations) == expected
    assert said in kept.deviations[0].words


@pytest.mark.parametrize(
    ("named", "points_named"),
    [
        ({"primary_week": 6.0}, ["Primary outcome, week of the main comparison", "Responders ikdc, week at which it is counted",
                                 "Secondary outcome pain, week of the comparison"]),
        ({"level": 0.9, "threshold": 9.0, "secondary": [], "imputations": 3}, [
            "Responders ikdc, what is to be reached",
            "Missing visits, imputed data sets of each assumption",
            "Several comparisons, confidence level; 1 minus it is the two-sided error of all tests together",
            "Secondary outcome pain",
        ]),
        ({"measure": "pain", "secondary": ["ikdc"], "design": "randomised"}, None),
    ],
)  # fmt: skip
def test_what_is_named_otherwise_is_said_and_nothing_else(cohort, plan, study_in_memory, named, points_named):
    study = study_in_memory(cohort, plan=plan.to_toml(), **named)
    found = study.plan_followed.deviations
    if points_named is None:  # another primary outcome, and all that follows from it
        assert {"Primary outcome, measure compared", "Design, how patients came to their protocol"} < set(points(study))
        assert {"Secondary outcome pain", "Secondary outcome ikdc"} < set(points(study))
        assert not any(one.startswith("Responders") for one in points(study))  # those planned are counted
    else:
        assert points(study) == points_named
        assert all(one.why == "It was named so for this report." for one in found)
    verb = "differs" if len(found) == 1 else "differ"
    assert f"{len(found)} {verb} in this report" in doubts(study)[0]


def test_an_edited_plan_and_a_covariance_that_was_not_the_first_come_with_their_reasons(study_in_memory):
    few = small(8)
    plan = plan_analysis(few, parameters={"measure": "ikdc", **FEW})
    edited = plan.to_toml().replace("imputations = 2", "imputations = 3")
    study = study_in_memory(few, plan=edited)
    first, last = study.plan_followed.deviations
    assert first.point == "The plan itself"
    assert plan.sha256 in first.words
    assert study.parameters["imputations"] == 3
    assert last.point == "Model, covariance taken"
    assert "was not tried" in last.why


def test_a_catalogue_that_changed_does_not_change_what_was_planned(cohort, plan, study_in_memory):
    (one,) = plan.analysis.responders
    analysis = replace(
        plan.analysis,
        responders=(replace(one, threshold=15.0),),
        secondary=(),
        subgroups=replace(plan.analysis.subgroups, groups=[]),
    )
    study = study_in_memory(cohort, plan=AnalysisPlan.of(analysis, kit="0.0.9", made=plan.made).to_toml())
    assert study.main_responders.endpoint.to_reach.value == 15.0
    assert points(study) == []


@pytest.mark.parametrize(
    ("part", "values", "said"),
    [
        ("design", {"protocols": ["usual", "rest"]}, "protocol rest"),
        ("endpoint", {"measure": "lysholm_of_mine"}, "measure lysholm_of_mine"),
        ("endpoint", {"primary_week": 104.0}, "ikdc at week 104"),
    ],
)
def test_a_cohort_that_lacks_what_is_planned_is_refused(cohort, plan, part, values, said):
    with pytest.raises(ReportError, match=said) as caught:
        refuse_what_the_cohort_lacks(changed(plan, part, **values), cohort)
    assert "SHA-256" in caught.value.where
    assert caught.value.what_to_do

"""What a report must say of secondary outcomes and groups of patients whose truth is planted, and what it must not."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from analysis.report import comparison
from analysis.report.parts.figures import Figure
from analysis.report.parts.tables import Table

from .planted import better, plant, share

OPTIONS = {"design": "randomised", "imputations": 2, "measure": "quadriceps_torque"}


def plant_three(torque, ikdc, pain, **more):
    """The same patients with three measures, each with an effect of its own."""
    cohorts = [
        plant(seed, measure=name, effect=effect, **more)
        for seed, (name, effect) in enumerate((("quadriceps_torque", torque), ("ikdc", ikdc), ("pain", pain)), start=1)
    ]
    visits = pd.concat([one.visits.astype({"measure": "str", "limb": "str"}) for one in cohorts], ignore_index=True)
    return replace(cohorts[0], visits=visits)


#: What the title of the slide of all outcomes says of each.
TITLES = {
    "all three": "of 2 comparisons tested a difference is found in 2: IKDC subjective knee score better and pain better",
    "primary alone": "of 1 comparison tested a difference is found in none; 1 not tested",
    "secondary alone": "no comparison was tested; 2 not tested",
    "the other way": "of 2 comparisons tested a difference is found in 1: IKDC subjective knee score worse",
    "many lost": "no comparison was tested; 2 without a conclusion, as too many were not seen",
    "nobody drew lots": "of 2 comparisons tested a difference is found in 2: IKDC subjective knee score better and pain better",
}
#: Effects on torque, score and pain, how patients are lost, the design; what is said of the secondary ones, what never.
TRUTHS = {
    "all three": ((0.3, 12.0, 2.0), {}, "randomised",
        ["of 2 outcomes tested a difference from usual is found in 2: IKDC subjective knee score (better) and pain (better)."],
        ["not tested"]),
    "primary alone": ((0.3, 0.0, 0.0), {}, "randomised",
        ["of 1 outcome tested a difference from usual is found in none; 1 is not tested, as one before it was not found."],
        ["(better)", "(worse)", "differs"]),
    "secondary alone": ((0.0, 12.0, 2.0), {}, "randomised",
        ["With early 2 are not tested, as one before them was not found."], ["is found in", "(better)"]),
    "the other way": ((0.3, -12.0, 0.0), {}, "randomised",
        ["a difference from usual is found in 1: IKDC subjective knee score (worse)"], ["(better)"]),
    "many lost": ((0.3, 12.0, 2.0), {"lose": share({"early": 0.5})}, "randomised",
        ["of 2 too many were not seen for a conclusion"], ["is found in", "favour"]),
    "nobody drew lots": ((0.3, 12.0, 2.0), {}, "observational", ["of 2 outcomes tested a difference from usual is found in 2"],
        ["favour", "effect"]),
}  # fmt: skip


@pytest.mark.parametrize("name", TRUTHS)
def test_secondary_outcomes_say_what_their_order_and_losses_let_them_say(study_in_memory, name):
    effects, more, design, must, must_not = TRUTHS[name]
    cohort = plant_three(*(better(one) for one in effects), **more)
    study = study_in_memory(cohort, **{**OPTIONS, "design": design, "secondary": ["ikdc", "pain"]})
    section = comparison.several_outcomes(study)
    passage, table, figure = section
    assert isinstance(table, Table)
    assert isinstance(figure, Figure)
    said = passage.paragraphs[0]
    assert said.startswith("Secondary outcomes, in order: IKDC subjective knee score and pain.")
    assert [words for words in must if words not in said] == []
    assert figure.message == f"Secondary outcomes: {TITLES[name]}"
    everything = "\n".join([said, figure.alt, figure.caption, *map(" ".join, table.rows())])
    later = everything.replace("favours early", "", 1) if "favour" not in must_not else everything
    assert [words for words in must_not if words in (said if words == "not tested" else later)] == []
    assert said in str(comparison.answer(study)) + str(comparison.every_finding(study))
    found, *_ = comparison.every_finding(study)
    told = found.data[found.data["what"].str.startswith("secondary outcome")]
    assert told["verdict"].str.partition(";")[0].tolist() == table.data.loc[table.data["place"] > 1, "verdict"].tolist()
    (primary,) = found.data.loc[found.data["what"].str.match("difference at the primary week"), "verdict"]
    assert table.data.loc[0, "verdict"] == primary


def test_a_report_without_secondary_outcomes_says_that_none_was_named(study_in_memory):
    study = study_in_memory(plant(), **OPTIONS)
    assert "No further outcome was named for this report, and no groups of patients." in str(
        comparison.several_outcomes(study)
    )
    assert list(comparison.subgroup_differences(study)) == []
    assert "econdary outcome" not in str(comparison.answer(study))


def with_sex(cohort, added):
    """Give half of the patients another sex, and the women with early something more after the start."""
    rng = np.random.default_rng(2)
    sex = rng.permutation(["female", "male"] * (len(cohort.patients) // 2))
    people = cohort.patients.assign(sex=sex)
    women = set(people.loc[(people["sex"] == "female") & (people["protocol"] == "early"), "patient_id"])
    visits = cohort.visits.copy()
    visits.loc[visits["patient_id"].isin(women) & (visits["week"] > 0), "value"] += added
    return replace(cohort, patients=people, visits=visits)


@pytest.mark.parametrize(
    ("added", "must", "must_not"),
    [
        (0.6, ["The differences are not the same by sex (female and male): test of interaction, p <0.001."], ["do not tell"]),
        (0.0, ["These data do not tell whether the differences are other ones by sex (female and male)"], ["are not the same"]),
    ],
)  # fmt: skip
def test_groups_are_told_apart_by_the_interaction_alone(study_in_memory, added, must, must_not):
    study = study_in_memory(with_sex(plant(effect=better(0.3)), added), **OPTIONS, subgroups=["sex"])
    passage, figure = comparison.subgroup_differences(study)
    assert figure.message == passage.paragraphs[0].removesuffix(".")
    said = "\n".join([*passage.paragraphs, figure.caption, figure.alt])
    assert [words for words in must if words not in said] == []
    assert [words for words in must_not if words in said] == []
    assert any("by the test of interaction alone" in note for note in figure.table.notes)
    (judged,) = study.found.groups
    table, *_ = comparison.every_finding(study)
    row = table.data.set_index("what").loc["groups of patients"]
    assert (judged.by, judged.groups, judged.verdict) == (
        "sex",
        ("female", "male"),
        "told apart" if added else "undecided",
    )
    assert row["protocol"] == "all, by sex"
    assert row["verdict"].startswith(judged.verdict)


def test_what_cannot_be_a_secondary_outcome_or_a_group_is_refused(study_in_memory):
    from analysis.errors import CohortError, ModelError

    for options, error, said in (
        ({"secondary": ["quadriceps_torque"]}, ModelError, "cannot be a secondary outcome"),
        ({"secondary": ["pain"]}, ModelError, "cannot be a secondary outcome"),
        ({"secondary": ["strength"]}, CohortError, "There is no measure 'strength'"),
        ({"subgroups": ["sex"]}, ModelError, "There is no column 'sex'"),
    ):
        with pytest.raises(error, match=said):
            study_in_memory(plant(), **OPTIONS, **options)


def test_a_secondary_outcome_beyond_its_best_value_is_not_called_better(study_in_memory):
    """Extension that ends beyond straight with early: further is not better, and no line says so."""
    torque, extension = plant(1, effect=better(0.4)), plant(2, measure="knee_extension", effect=better(6.0))
    visits = pd.concat(
        [one.visits.astype({"measure": "str", "limb": "str"}) for one in (torque, extension)], ignore_index=True
    )
    study = study_in_memory(replace(torque, visits=visits), **OPTIONS, secondary=["knee_extension"])
    passage, table, figure = comparison.several_outcomes(study)
    said = "\n".join([*passage.paragraphs, figure.caption, *table.data["verdict"][table.data["place"] > 1]])
    assert "beyond its best value" in said
    assert "(better)" not in said
    assert "favours" not in said


def test_nothing_is_said_of_groups_where_too_many_were_lost(study_in_memory):
    cohort = with_sex(plant(effect=better(0.3), lose=share({"early": 0.5})), 0.6)
    passage, figure = comparison.subgroup_differences(study_in_memory(cohort, **OPTIONS, subgroups=["sex"]))
    said = "\n".join([*passage.paragraphs, figure.caption, figure.alt])
    assert "No conclusion about groups by sex, as too many were not seen" in said
    assert "are not the same" not in said


@pytest.mark.parametrize("marked", [True, False])
def test_harms_are_called_not_serious_only_where_that_was_said(study_in_memory, marked):
    """Falls of five patients: marked as not serious, or with nothing said of it."""
    cohort = plant()
    events = pd.DataFrame({"patient_id": cohort.patients["patient_id"].iloc[:5], "week": 3.0, "event": "fall"})
    events = events.assign(serious=False, related=False) if marked else events
    study = study_in_memory(replace(cohort, events=events), **OPTIONS)
    drawn = next(one for one in comparison.harms(study) if isinstance(one, Figure))
    said = "\n".join([str(comparison.answer(study)), drawn.message, drawn.alt])
    not_said = "Of 5 harms it was not said of 5 whether serious."
    assert (not_said in said) is not marked
    assert ("No serious harm is on record" in said) is marked

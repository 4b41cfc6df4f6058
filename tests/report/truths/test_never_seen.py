"""What a comparison must say of a protocol that nobody ever saw, and of home sessions of which none was prescribed."""

from dataclasses import replace

import pandas as pd

from analysis.report import Figure, comparison

from .planted import plant


def without(cohort, protocol):
    """Take away every visit of a protocol: nobody of it was ever seen."""
    people = cohort.patients.set_index("patient_id")["protocol"].astype("str")
    return replace(cohort, visits=cohort.visits[cohort.visits["patient_id"].map(people) != protocol])


def test_a_protocol_of_which_nobody_was_ever_seen_is_counted_and_named(study_in_memory):
    """In short, the flow and what is missing count the same patients."""
    cohort = without(plant(patients=30, protocols=("usual", "early", "late")), "late")
    study = study_in_memory(cohort, imputations=2, design="randomised")
    (answer,) = comparison.answer(study)
    assert answer.paragraphs[0].startswith("At week 26, 60 of 90 patients were seen")
    assert "usual 30/30, early 30/30, late 0/30. A third or more have none: late (30 of 30)." in answer.paragraphs[0]
    assert "Late could not be compared with usual: the model holds nobody of late." in answer.paragraphs[1]
    figure = next(one for one in comparison.missing(study) if isinstance(one, Figure))
    assert figure.message == "Missing at week 26: usual 0/30, early 0/30, late 30/30"
    assert "late 30/30 (100 %)" in figure.alt
    assert "late 0/30" in next(iter(comparison.flow(study))).message


def test_where_nobody_of_the_second_protocol_was_ever_seen_it_is_not_said_that_all_followed_one(study_in_memory):
    study = study_in_memory(without(plant(patients=30), "early"), imputations=2, design="randomised")
    (answer,), (nothing,) = comparison.answer(study), comparison.differences(study)
    assert answer.paragraphs[1].startswith(
        "Nothing is compared: the model holds patients of usual only, and nobody of early."
    )
    assert str(nothing).endswith("a second protocol to compare with, as the model holds nobody of early.")
    alone = study_in_memory(plant(patients=30, protocols=("usual",)), imputations=2)
    assert "All patients followed one protocol, usual" in next(iter(comparison.answer(alone))).paragraphs[1]
    assert str(next(iter(comparison.differences(alone)))).endswith("as all patients followed usual.")


def test_sessions_on_record_of_which_none_was_prescribed_are_not_called_missing_data(study_in_memory):
    cohort = plant(patients=12)
    rows = [(one, 1.0, "exercise", 0, 0) for one in cohort.patients["patient_id"]]
    sessions = pd.DataFrame(rows, columns=["patient_id", "week", "modality", "sessions_prescribed", "sessions_done"])
    for has, said in ((sessions, "home sessions that were prescribed."), (None, "home sessions.")):
        (nothing,) = comparison.home_programme(study_in_memory(replace(cohort, sessions=has), imputations=2))
        assert str(nothing) == f"Not in the data: {said} Nothing can be said about adherence."

"""Who was assessed, excluded and received the protocol: shown where it was given, else not known from the data."""

from dataclasses import replace

import pandas as pd
import pytest

from analysis.outcomes import patient_flow
from analysis.report.comparison.checklist import _flow
from analysis.report.comparison.findings.flow_words import before_words
from analysis.report.figures.flow_figure import before_table, flow_figure
from synthetic_cohort import generate_cohort


@pytest.fixture(scope="module")
def cohort():
    return generate_cohort(patients=24, seed=1).observed


def with_flow(cohort, rows):
    frame = pd.DataFrame(rows, columns=["step", "protocol", "reason", "patients"])
    return patient_flow(replace(cohort, flow=frame))


def whole(cohort):
    sizes = cohort.patients["protocol"].value_counts()
    rows = [
        ("assessed", None, None, 40),
        ("excluded", None, "did not meet criteria", 13),
        ("excluded", None, "declined", 3),
    ]
    rows += [("received", name, None, sizes[name] - 1) for name in cohort.protocols]
    return with_flow(cohort, [*rows, *(("not received", name, "never began", 1) for name in cohort.protocols)])


def words_in(drawing):
    return [text.get_text() for axes in drawing.axes for text in axes.texts if text.get_text()]


@pytest.mark.parametrize("width", ["wide", "narrow"])
def test_the_first_boxes_stand_above_those_that_are_counted(cohort, width):
    found = whole(cohort)
    words = words_in(flow_figure(found, told="told").drawing(width))
    order = [
        "assessed for eligibility: 40",
        "excluded: 16",
        "– did not meet criteria: 13",
        "– declined: 3",
        "Allocated: 24",
    ]
    assert words[:5] == order
    first = words.index("exercise only")
    assert words[first + 2 : first + 5] == ["received the protocol: 7", "did not receive it: 1", "– never began: 1"]


def test_words_and_table_say_the_same_as_the_boxes(cohort):
    found = whole(cohort)
    said = before_words(found)
    assert said.startswith(
        "Assessed for eligibility 40, excluded 16 (did not meet criteria 13, declined 3), allocated 24. "
    )
    assert "Received the protocol: exercise only 7 of 8 (never began 1); " in said
    assert before_table(found).data["patients"].sum() == 40 + 16 + 24
    assert (
        before_table(found)
        .to_csv()
        .startswith("step,protocol,reason,patients\nassessed for eligibility,,,40\nexcluded,,")
    )


def test_what_was_not_given_is_not_known_and_never_yes(cohort):
    without = patient_flow(cohort)
    assert (before_words(without), before_table(without)) == ("", None)
    assert words_in(flow_figure(without, told="told").drawing())[0] == "All patients: 24"
    early = [("assessed", None, None, 24), ("excluded", None, None, 0)]
    received = [("received", name, None, 3) for name in cohort.protocols]
    some = received[:1]
    met = [
        _flow(one)
        for one in (without, with_flow(cohort, early), with_flow(cohort, received), with_flow(cohort, early + some))
    ]
    assert [one[0] for one in met] == ["in part"] * 4
    assert "who was asked or could not take part and who received the protocol are not known" in met[0][1]
    assert met[1][1].endswith("who received the protocol is not known from the data.")
    assert met[2][1].endswith("who was asked or could not take part is not known from the data.")
    assert _flow(with_flow(cohort, early + received)) == ("yes", "Patients, Flow")
    assert before_words(with_flow(cohort, received[:1])) == "Received the protocol: exercise only 3 of 8."

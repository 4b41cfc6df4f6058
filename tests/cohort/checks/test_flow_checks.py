"""The flow before and at the start: counts that add up travel with the cohort, others are findings in three parts."""

import pandas as pd
import pytest

from analysis.cohort import (
    Cohort,
    FailedCheckError,
    check_cohort,
    check_folder,
    deidentify,
    import_cohort,
    load_cohort,
    write_cohort,
)
from analysis.cohort.deidentification.own_parts import harmless_flow
from analysis.errors import DeidentificationError

PROTOCOLS = ["exercise"] * 3 + ["home stimulation"] * 3
FLOW = """step,protocol,reason,patients
assessed,,,9
excluded,,did not meet criteria,2
excluded,,declined,1
allocated,exercise,,3
allocated,home stimulation,,3
received,exercise,,2
not received,exercise,moved away,1
"""
MAP = """layout = "long"
[files]
patients = "people.csv"
visits = "people.csv"
flow = "counts.csv"
[patients]
patient_id = "id"
protocol = "arm"
[week]
column = "wk"
[[values]]
measure = "pain"
column = "pain"
"""


@pytest.fixture
def folder(tmp_path):
    """A cohort folder into which a person has put the counts of the flow."""
    patients = pd.DataFrame({"patient_id": [f"P{n}" for n in range(6)], "protocol": PROTOCOLS})
    visits = patients[["patient_id"]].assign(week=0, measure="pain", limb="none", value=4)
    written = write_cohort(Cohort(patients, visits), tmp_path / "cohort")
    (written / "flow.csv").write_text(FLOW, encoding="utf-8")
    return written


def test_counts_put_into_the_folder_are_the_flow_of_the_cohort_and_stay_with_it(folder, tmp_path):
    cohort = load_cohort(folder)
    assert cohort.flow["patients"].tolist() == [9, 2, 1, 3, 3, 2, 1]
    again = load_cohort(write_cohort(cohort, tmp_path / "again"))
    pd.testing.assert_frame_equal(again.flow, cohort.flow)
    assert '"name": "flow"' in (tmp_path / "again" / "datapackage.json").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("row", "instead", "problem"),
    [
        ("assessed,,,9", "assessed,,,10", "10 were assessed, 3 excluded and 6 allocated"),
        ("assessed,,,9", "assessed,,,2.5", "no whole number of patients"),
        ("assessed,,,9", "asked,,,9", "the label is not a known one"),
        ("assessed,,,9", "assessed,,tired,9", "the step has no reasons"),
        ("assessed,,,9", "assessed,exercise,,9", "nobody has a protocol at this step"),
        ("assessed,,,9", "excluded,,declined,1", "the same step, protocol and reason as an earlier row"),
        ("allocated,exercise,,3", "allocated,exercise,,4", "4 allocated to 'exercise', and the table patients has 3"),
        ("allocated,exercise,,3", "allocated,,,3", "the step belongs to a protocol, and none is named"),
        ("allocated,exercise,,3", "allocated,rest,,3", "no patient has this protocol"),
        ("received,exercise,,2", "received,exercise,,1", "of 3 allocated to 'exercise', 1 received it and 1 did not"),
        ("received,exercise,,2", "received,exercise,,", "the cell is empty"),
        (
            "not received,exercise,moved away,1",
            "received,home stimulation,,50",
            "50 with 'home stimulation' received it, and the",
        ),
        ("moved away,1", "moved away,4", "4 with 'exercise' did not receive it, and the table patients has 3"),
        (
            "allocated,exercise,,3\nallocated,home stimulation,,3\nreceived,exercise,,2",
            "received,exercise,,1",
            "of 3 allocated to 'exercise', 1 received it and 1 did not",
        ),
        ("allocated,exercise,,3", "excluded,,,3", "a row without a reason beside rows with reasons"),
    ],
)
def test_counts_that_contradict_each_other_are_findings(folder, row, instead, problem):
    (folder / "flow.csv").write_text(FLOW.replace(row, instead), encoding="utf-8")
    found = check_folder(folder).findings
    errors = found[(found["table"] == "flow") & (found["severity"] == "error")]
    assert errors["problem"].str.contains(problem, regex=False).any()
    assert (errors["what_to_do"] != "").all()
    with pytest.raises(FailedCheckError):
        load_cohort(folder)


def test_reasons_wait_for_a_person_and_counts_pass_whatever_their_size(folder, tmp_path):
    report = deidentify(folder, tmp_path / "clean", keep=["protocol"])
    withheld = report.actions[report.actions["table"] == "flow"]
    assert withheld[["column", "act", "n_cells"]].to_numpy().tolist() == [["reason", "withhold", 3]]
    flow = load_cohort(tmp_path / "clean").flow
    assert flow["reason"].isna().all()
    assert dict(zip(flow["step"], flow["patients"], strict=True))["excluded"] == 3
    deidentify(folder, tmp_path / "told", keep=["protocol", "reason"])
    assert load_cohort(tmp_path / "told").flow["reason"].dropna().tolist()[-1] == "moved away"
    (folder / "flow.csv").write_text(FLOW.replace("declined", "Maria Gonzales 555-010-0007"), encoding="utf-8")
    with pytest.raises(DeidentificationError, match="reasons of the flow cannot be kept"):
        deidentify(folder, tmp_path / "named", keep=["protocol", "reason"])
    assert not (tmp_path / "named").exists()


@pytest.mark.parametrize("words", ["p4 moved away", "moved away (P4).", "moved away like P4/P5", "P4"])
def test_a_reason_that_holds_the_identifier_of_a_patient_is_refused_with_its_row(folder, tmp_path, words):
    (folder / "flow.csv").write_text(FLOW.replace("moved away", words), encoding="utf-8")
    with pytest.raises(DeidentificationError, match="1 reason of the flow holds the identifier of a patient") as caught:
        deidentify(folder, tmp_path / "told", keep=["protocol", "reason"])
    assert "where: table flow, column reason, row 8" in str(caught.value)
    assert "what to do: Write there what happened, without the identifier" in str(caught.value)
    assert "P4" not in str(caught.value)
    assert not (tmp_path / "told").exists()
    deidentify(folder, tmp_path / "withheld", keep=["protocol"])  # nobody permitted the reason, which goes


@pytest.mark.parametrize("words", ["stopped at P40", "xP4 stopped", "moved away"])
def test_a_reason_in_which_no_whole_word_is_an_identifier_passes(folder, tmp_path, words):
    (folder / "flow.csv").write_text(FLOW.replace("moved away", words), encoding="utf-8")
    deidentify(folder, tmp_path / "told", keep=["protocol", "reason"])
    assert words in set(load_cohort(tmp_path / "told").flow["reason"].dropna())


def test_identifiers_of_several_words_or_with_signs_are_found_in_reasons():
    flow = pd.DataFrame(
        {"step": ["excluded"] * 3, "reason": ["declined", "spoke to Site A 12", "see K-07/2."], "patients": [1, 1, 1]}
    )
    with pytest.raises(DeidentificationError, match="2 reasons of the flow hold") as caught:
        harmless_flow(flow, [], ["site a 12", "K-07/2"], permitted=True)
    assert "rows 3, 4" in str(caught.value)


def test_a_sum_beside_its_reasons_is_not_added_to_them_when_these_are_withheld(folder, tmp_path):
    (folder / "flow.csv").write_text(FLOW + "excluded,,,3\n", encoding="utf-8")
    with pytest.raises(DeidentificationError, match="a row without a reason beside rows with reasons"):
        deidentify(folder, tmp_path / "clean", keep=["protocol"])
    assert not (tmp_path / "clean").exists()


def test_a_map_names_the_file_of_the_flow(tmp_path):
    rows = "".join(f"P{n},{protocol},4,0\n" for n, protocol in enumerate(PROTOCOLS))
    (tmp_path / "in").mkdir()
    (tmp_path / "in" / "people.csv").write_text(f"id,arm,pain,wk\n{rows}", encoding="utf-8")
    (tmp_path / "in" / "counts.csv").write_text(FLOW, encoding="utf-8")
    (tmp_path / "map.toml").write_text(MAP, encoding="utf-8")
    cohort = import_cohort(tmp_path / "in", tmp_path / "map.toml").cohort
    assert cohort.flow["patients"].sum() == 21
    assert check_cohort(cohort).passed

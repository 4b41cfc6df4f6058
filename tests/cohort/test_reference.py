"""The reference: named once, kept on every way a cohort takes, refused where no such protocol exists."""

import json
import tomllib
from dataclasses import replace

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
    suggest_map,
    to_scheduled_weeks,
    write_cohort,
)
from analysis.cohort.files.data_package import load_with_findings
from analysis.cohort.reference import reference_protocol
from analysis.cohort.schedule import VisitSchedule
from analysis.errors import CohortError, ModelError
from synthetic_cohort import generate_cohort, list_scenarios, load_scenario

MAP = """
{reference}
[patients]
patient_id = "id"
protocol = {{ column = "arm", recode = {{ A = "early", P = "placebo" }} }}
[week]
column = "week"
[[values]]
measure = "ikdc"
column = "score"
"""


@pytest.fixture
def trial(tmp_path):
    """A file that begins with the active arm, and a map of it."""
    rows = [(f"P{i}", "AP"[i % 2], week, 40 + i + week) for i in range(6) for week in (0, 12)]
    pd.DataFrame(rows, columns=["id", "arm", "week", "score"]).to_csv(tmp_path / "trial.csv", index=False)

    def make(reference):
        (tmp_path / "trial.toml").write_text(MAP.format(reference=reference))
        return import_cohort(tmp_path / "trial.csv", tmp_path / "trial.toml").cohort

    return make


def test_the_map_names_it(trial):
    assert trial("").reference is None
    named = trial('reference = "placebo"')
    assert named.protocols == ["early", "placebo"]
    assert named.reference == "placebo"


@pytest.mark.parametrize("wrong", ["P", "usual", ""])
def test_a_reference_that_is_no_protocol_is_refused_with_those_that_are(trial, wrong):
    with pytest.raises(FailedCheckError, match=f"the reference '{wrong}' is not one of the protocols: early, placebo"):
        trial(f'reference = "{wrong}"')
    with pytest.raises(
        CohortError, match=r"The reference 'usual' is not one of the protocols\.\n  where: .*early, placebo"
    ):
        replace(trial(""), reference="usual")
    with pytest.raises(CohortError, match="In the map, reference should be a text in quotation marks, not 2"):
        trial("reference = 2")


@pytest.mark.parametrize("file_format", ["csv", "parquet"])
def test_the_folder_keeps_it(cohort, tmp_path, file_format):
    folder = write_cohort(replace(cohort, reference="early"), tmp_path / "cohort", file_format=file_format)
    assert json.loads((folder / "datapackage.json").read_text())["kneecurve"]["reference"] == "early"
    assert load_cohort(folder).reference == "early"
    again = write_cohort(load_cohort(folder), tmp_path / "again")
    assert load_with_findings(again)[0].reference == "early"
    assert load_cohort(write_cohort(cohort, tmp_path / "none")).reference is None


def test_a_folder_that_somebody_changed(cohort, tmp_path):
    folder = write_cohort(replace(cohort, reference="early"), tmp_path / "cohort")
    path = folder / "datapackage.json"
    path.write_text(path.read_text().replace('"reference": "early"', '"reference": "earlier"'))
    findings = check_folder(folder).findings
    assert "the reference 'earlier' is not one of the protocols: usual, early" in findings["problem"].tolist()
    with pytest.raises(FailedCheckError, match="the reference 'earlier' is not one of the protocols: usual, early"):
        load_cohort(folder)
    assert load_with_findings(folder)[0].reference is None
    path.write_text(path.read_text().replace('"reference": "earlier"', '"reference": 3'))
    with pytest.raises(CohortError, match="The reference should be a text, not 3"):
        load_cohort(folder)


def test_a_reference_that_nobody_had_is_a_warning(cohort):
    early = cohort.patients[cohort.patients["protocol"] == "early"]
    visits = cohort.visits[cohort.visits["patient_id"].isin(early["patient_id"])]
    findings = check_cohort(Cohort(early, visits, reference="usual")).findings
    hit = findings[findings["problem"] == "no patient had the reference 'usual'"]
    assert hit["severity"].tolist() == ["warning"]


def test_deidentification_and_the_schedule_keep_it(cohort, tmp_path):
    named = replace(cohort, reference="early")
    deidentify(write_cohort(named, tmp_path / "cohort"), tmp_path / "clean")
    assert load_cohort(tmp_path / "clean").reference == "early"
    moved, _ = to_scheduled_weeks(named, VisitSchedule.halfway([0, 6, 12]))
    assert moved.reference == "early"


@pytest.mark.parametrize("name", sorted({name.split(",")[0] for name in list_scenarios()}))
def test_invented_cohorts_name_it(name):
    scenario, made = load_scenario(name), generate_cohort(name, patients=20, seed=1)
    assert made.observed.reference == made.complete.reference == scenario.reference
    assert not any(effect.protocol == scenario.reference for effect in scenario.effects)
    assert made.truth.protocol_differences["reference"].unique().tolist() == [scenario.reference]


def test_a_suggested_map_has_a_line_to_name_it(tmp_path, trial):
    trial("")
    file = tmp_path / "trial.csv"
    file.write_text(file.read_text().replace("score", "ikdc", 1))
    suggest_map(file, tmp_path / "suggested.toml")
    text = (tmp_path / "suggested.toml").read_text()
    line = next(one for one in text.splitlines() if "reference" in one)
    assert line == '# reference = ...  # the protocol that the others are compared with, one of "A", "P"'
    assert import_cohort(file, tmp_path / "suggested.toml").cohort.reference is None
    named = text.replace("# reference = ...", 'reference = "P"')
    assert tomllib.loads(named)["reference"] == "P"
    (tmp_path / "named.toml").write_text(named)
    assert import_cohort(file, tmp_path / "named.toml").cohort.reference == "P"


def test_one_function_decides(cohort):
    """Named for the comparison, then the cohort's, then the first; where one protocol is left nothing is compared."""
    protocol, named = cohort.patients["protocol"], replace(cohort, reference="early")
    assert reference_protocol(cohort, protocol) == "usual"
    assert reference_protocol(named, protocol) == "early"
    assert reference_protocol(named, protocol, "usual") == "usual"
    usual = protocol[protocol == "usual"]
    assert reference_protocol(named, usual) == "usual"
    with pytest.raises(ModelError, match=r"There is no protocol 'early' to compare with\.\n  where: .*: usual"):
        reference_protocol(named, usual, "early")
    three = pd.Series(["a", "b"], dtype="category")
    with pytest.raises(ModelError, match="Nobody compared here followed 'early', the reference of the cohort"):
        reference_protocol(named, three)
    with pytest.raises(ModelError, match="No patient has a protocol"):
        reference_protocol(named, protocol.iloc[:0])

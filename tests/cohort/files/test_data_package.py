"""Cohort folders: round trip, whole or not at all, other programs' folders, folders that somebody changed."""

import json
import os
import shutil
import sys

import pandas as pd
import pytest

from analysis.cohort import Cohort, FailedCheckError, check_folder, load_cohort, write_cohort
from analysis.cohort.files.data_package import load_with_findings
from analysis.errors import CohortError
from analysis.writing import owners


def everything_under(folder):
    return sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*"))


@pytest.fixture(scope="module")
def kept():
    return {}


@pytest.fixture
def folder(cohort, tmp_path, tmp_path_factory, kept):
    """Give the folder of the cohort, to be changed at will; it is written once and then copied."""
    if not kept:
        kept["folder"] = write_cohort(cohort, tmp_path_factory.mktemp("written") / "cohort")
    return shutil.copytree(kept["folder"], tmp_path / "cohort")


@pytest.fixture
def descriptor(folder):
    """Change the descriptor of the folder."""

    def change(function):
        path = folder / "datapackage.json"
        data = json.loads(path.read_text())
        function(data)
        path.write_text(json.dumps(data))
        return folder

    return change


@pytest.mark.parametrize("file_format", ["csv", "parquet"])
def test_every_table_comes_back_exactly(cohort, tmp_path, file_format):
    again = load_cohort(write_cohort(cohort, tmp_path / "cohort", file_format=file_format))
    for (name, left), (other, right) in zip(cohort.tables(), again.tables(), strict=True):
        assert name == other
        pd.testing.assert_frame_equal(left, right, check_exact=True)
    assert again.provenance == cohort.provenance
    assert dict(again.measures) == dict(cohort.measures)
    assert len(again.events) == 0


def test_the_same_cohort_gives_the_same_bytes(cohort, tmp_path):
    first, second = (write_cohort(cohort, tmp_path / name) for name in "ab")
    for path in first.iterdir():
        assert path.read_bytes() == (second / path.name).read_bytes()


@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize("file_format", ["csv", "parquet"])
def test_frictionless_finds_our_folders_valid(cohort, tmp_path, file_format):
    import frictionless

    folder = write_cohort(cohort, tmp_path / "cohort", file_format=file_format)
    report = frictionless.validate(str(folder / "datapackage.json"))
    assert report.valid, report.flatten(["type", "note", "fieldName"])
    assert {task.name for task in report.tasks} >= {"patients", "visits"}


@pytest.mark.filterwarnings("ignore")
def test_we_read_a_folder_that_frictionless_wrote(tmp_path):
    import frictionless

    ids = [f"P{i}" for i in range(1, 7)]
    people = pd.DataFrame({"patient_id": ids, "protocol": ["usual", "early"] * 3, "smoker": [True, False] * 3})
    people.assign(bmi=[22.5, None, 24.0, 31.5, 27.0, 25.5]).to_csv(tmp_path / "patients.csv", index=False)
    visits = pd.DataFrame({"patient_id": ["P1", "P2"], "week": 0, "measure": "pain", "limb": "none", "value": [4, 5.5]})
    visits.to_csv(tmp_path / "visits.csv", index=False, sep=";")
    package = frictionless.Package(
        basepath=str(tmp_path),
        resources=[frictionless.Resource(name=name, path=f"{name}.csv") for name in ("patients", "visits")],
    )
    package.infer(stats=True)
    package.to_json(str(tmp_path / "datapackage.json"))
    cohort = load_cohort(tmp_path)
    assert cohort.visits["value"].tolist() == [4, 5.5]
    assert cohort.patients.dtypes.astype(str).to_dict() == {
        "patient_id": "str", "protocol": "category", "smoker": "boolean", "bmi": "float64"
    }  # fmt: skip
    assert cohort.provenance.steps == ("Read from a data package of another program.",)


def test_a_protocol_written_nan_is_refused_and_never_one_of_the_protocols(folder):
    """Another program wrote nan where a patient has no protocol, and the descriptor says nothing of it."""
    file = folder / "patients.csv"
    lines = file.read_text(encoding="utf-8").splitlines()
    lines[2] = lines[2].replace("usual", "nan")
    file.write_text("\n".join(lines), encoding="utf-8")
    with pytest.raises(FailedCheckError, match=r"row 3, patient P2, protocol = nan: stands for no protocol"):
        load_cohort(folder)
    cohort, _ = load_with_findings(folder)
    assert cohort.protocols == ["usual", "early"]
    assert cohort.patients["protocol"].isna().tolist() == [False, True, False]


def test_a_cohort_with_errors_is_not_written_and_leaves_nothing(cohort, tmp_path):
    bad = Cohort(cohort.patients, cohort.visits.assign(value=999.0))
    with pytest.raises(FailedCheckError, match="45 errors"):
        write_cohort(bad, tmp_path / "cohort")
    assert everything_under(tmp_path) == []


def test_a_write_that_breaks_off_leaves_what_was_there(cohort, folder, tmp_path, monkeypatch):
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    monkeypatch.setattr("analysis.cohort.files.data_package.own_part", lambda *_: 1 / 0)
    with pytest.raises(ZeroDivisionError):
        write_cohort(cohort, folder, overwrite=True)
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == before
    assert everything_under(tmp_path)[0] == "cohort"
    assert len(list(tmp_path.iterdir())) == 1


@pytest.mark.skipif(sys.platform == "win32", reason="there a folder that is read-only says nothing of its files")
def test_a_read_only_folder_is_not_replaced(cohort, folder, tmp_path):
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    folder.chmod(0o555)
    try:
        with pytest.raises(CohortError, match="read-only, and is left as it is") as caught:
            write_cohort(cohort, folder, overwrite=True)
        assert "another folder" in caught.value.what_to_do
        assert {path.name: path.read_bytes() for path in folder.iterdir()} == before
        assert [path.name for path in tmp_path.iterdir()] == ["cohort"]
    finally:
        folder.chmod(0o755)


def test_only_cohorts_of_the_kit_are_replaced_and_only_when_told(cohort, folder, tmp_path):
    with pytest.raises(CohortError, match="a cohort in that folder already"):
        write_cohort(cohort, folder)
    write_cohort(cohort, folder, file_format="parquet", overwrite=True)
    assert "visits.csv" not in everything_under(folder)
    (folder / "notes.txt").write_text("mine")
    with pytest.raises(CohortError, match="holds files that are not of a cohort") as caught:
        write_cohort(cohort, folder, overwrite=True)
    assert "notes.txt" in caught.value.where
    (tmp_path / "file").write_text("x")
    with pytest.raises(CohortError, match="a file of that name"):
        write_cohort(cohort, tmp_path / "file")
    with pytest.raises(CohortError, match="cannot be written"):
        write_cohort(cohort, tmp_path / "file" / "cohort")
    with pytest.raises(CohortError, match="no file format 'xlsx'"):
        write_cohort(cohort, tmp_path / "x", file_format="xlsx")


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda d: d["resources"][1].update(path="../visits.csv"), "leads out of the folder"),
        (lambda d: d["resources"][1].update(path="/etc/passwd"), "leads out of the folder"),
        (lambda d: d["resources"][1].update(path="https://example.org/visits.csv"), "leads out of the folder"),
        (lambda d: d["resources"][1].update(path="..\\visits.csv"), "leads out of the folder"),
        (lambda d: d["resources"][1].pop("path"), "leads out of the folder"),
        (lambda d: d["resources"].pop(1), "the table is missing"),
        (lambda d: d["resources"].append({"name": "pictures", "path": "x"}), "not a known one"),
        (lambda d: d["kneecurve"].update(privacy="none"), "no privacy level 'none'"),
    ],
)
def test_descriptors_that_somebody_changed(descriptor, change, said):
    assert said in check_folder(descriptor(change)).to_text()


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda d: d.pop("resources"), "lists no resources"),
        (lambda d: d["kneecurve"].update(format_version=99), "format version 99"),
        (lambda d: d["kneecurve"].update(measures=[]), "measures cannot be read"),
        (lambda d: d["kneecurve"].update(provenance=7), "provenance of the cohort cannot be read"),
        (lambda d: d["kneecurve"]["measures"]["pain"].update(colour="red"), "The key 'colour' is not known"),
    ],
)
def test_descriptors_that_cannot_be_read(descriptor, change, said):
    with pytest.raises(CohortError, match=said):
        check_folder(descriptor(change))


def test_a_descriptor_that_is_no_json_a_folder_without_one_and_no_folder(folder, tmp_path):
    (folder / "datapackage.json").write_text("{")
    with pytest.raises(CohortError, match="no valid JSON"):
        check_folder(folder)
    (folder / "datapackage.json").unlink()
    with pytest.raises(CohortError, match="it has no datapackage"):
        check_folder(folder)
    with pytest.raises(CohortError, match="no such folder"):
        check_folder(tmp_path / "nowhere")


@pytest.mark.parametrize("name", ["visits.csv", "datapackage.json"])
def test_a_link_inside_the_folder_is_refused(folder, tmp_path, name):
    (folder / name).rename(tmp_path / name)
    (folder / name).symlink_to(tmp_path / name)
    with pytest.raises(CohortError, match="is a link"):
        load_cohort(folder)


def test_a_file_changed_by_hand_is_named(folder):
    text = (folder / "visits.csv").read_text()
    (folder / "visits.csv").write_text(text.replace("P2", "P1", 1))
    report = check_folder(folder)
    assert "changed after the folder was written" in report.to_text()
    assert not report.passed


def test_a_hundred_errors_in_the_message_are_five_and_a_number(folder):
    visits = pd.read_csv(folder / "visits.csv")
    visits.assign(value=999).to_csv(folder / "visits.csv", index=False)
    with pytest.raises(FailedCheckError, match="45 errors") as caught:
        load_cohort(folder)
    assert "and 40 more" in caught.value.where
    assert len(caught.value.report.findings) >= 45


def test_a_table_that_cannot_be_read_is_one_finding_not_a_missing_table_too(folder):
    (folder / "visits.csv").write_bytes(b"")
    errors = check_folder(folder).findings.query("severity == 'error'")
    assert errors[["table", "problem"]].to_numpy().tolist() == [["visits", "The file is empty. (visits.csv)"]]


def test_a_cohort_whose_replacement_was_cut_off_between_its_steps_is_read_again(cohort, folder, tmp_path):
    dead = f"{owners._system()}-{os.getpid()}-1-00000000"  # this process, had it started with the system
    if not owners.is_dead(owners.mark_in(dead)):
        pytest.skip("this system does not tell when a process started")
    shutil.copytree(folder, tmp_path / f".cohort.part-{dead}")
    folder.rename(tmp_path / f".cohort.old-{dead}")
    load_cohort(folder)
    assert sorted(path.name for path in tmp_path.iterdir()) == [f".cohort.old-{dead}", "cohort"]
    write_cohort(cohort, folder, overwrite=True)
    assert [path.name for path in tmp_path.iterdir()] == ["cohort"]

"""Cohort folders in parts: what comes back, what is found in them as of the whole, and parts that somebody changed."""

import json
import shutil

import numpy as np
import pandas as pd
import pyarrow.parquet as arrow_parquet
import pytest

from analysis.cohort import (
    Cohort,
    FailedCheckError,
    check_cohort,
    check_folder,
    cohort_parts,
    load_cohort,
    write_cohort,
)
from analysis.cohort.deidentification.deidentify import cohort_tables
from analysis.errors import CohortError
from synthetic_cohort import generate_cohort


def with_quarters(cohort, seed=1):
    """Give patients quarters, two of them without one, so that neither patients nor rows stand in the order of the parts."""
    random = np.random.default_rng(seed)
    quarters = pd.Series(random.choice(["2026-Q2", "2026-Q1"], len(cohort.patients)))
    quarters[[1, 4]] = None
    patients = cohort.patients.assign(quarter=quarters)
    flow = pd.DataFrame({"step": ["assessed"], "protocol": None, "reason": None, "patients": [len(patients) + 5]})
    return Cohort(
        patients, cohort.visits, cohort.sessions, cohort.brace_limits, cohort.events, flow, cohort.measures,
        cohort.provenance, reference=cohort.protocols[0],
    )  # fmt: skip


@pytest.fixture(scope="module")
def whole():
    return with_quarters(generate_cohort(patients=60, seed=3).observed)


@pytest.fixture(scope="module")
def kept(whole, tmp_path_factory):
    place = tmp_path_factory.mktemp("parts")
    return {by: write_cohort(whole, place / by, file_format="parquet", partition=by) for by in ("site", "quarter")}


@pytest.fixture
def folder(kept, tmp_path):
    """Give the folder cut by quarter, to be changed at will."""
    return shutil.copytree(kept["quarter"], tmp_path / "cohort")


def of_patients(cohort, ids, columns=None):
    """Give the tables of some patients, their rows numbered anew."""
    tables = {name: frame for name, frame in cohort.tables() if name != "flow"}
    return {name: frame[frame["patient_id"].isin(ids)].reset_index(drop=True) for name, frame in tables.items()}


def assert_same_tables(tables, expected):
    assert list(tables) == list(expected)
    for name, frame in tables.items():
        pd.testing.assert_frame_equal(frame, expected[name], check_exact=True)


def by_part(cohort, column):
    """Give the tables of a cohort in the order of its parts: by the values of a column of patients, none last."""
    place = cohort.patients[column].cat.codes.where(cohort.patients[column].notna(), 99)
    of = dict(zip(cohort.patients["patient_id"], place, strict=True))
    return {
        name: frame.iloc[
            np.argsort(frame["patient_id"].map(of).fillna(place.iloc[-1]).to_numpy(), kind="stable")
        ].reset_index(drop=True)
        if "patient_id" in frame
        else frame
        for name, frame in cohort.tables()
    }


@pytest.mark.parametrize("by", ["site", "quarter"])
def test_everything_comes_back_exactly_part_by_part(whole, kept, by):
    again = load_cohort(kept[by])
    assert_same_tables(dict(again.tables()), by_part(whole, by))
    assert (again.reference, again.provenance, dict(again.measures)) == (
        whole.reference,
        whole.provenance,
        dict(whole.measures),
    )


def test_each_table_of_patients_has_a_numbered_file_for_each_value_and_one_for_those_without(whole, kept):
    folder = kept["quarter"]
    descriptor = json.loads((folder / "datapackage.json").read_text())
    partition = descriptor["kneecurve"]["partition"]
    assert partition["by"] == "quarter"
    assert [part["value"] for part in partition["parts"]] == [*whole.patients["quarter"].cat.categories, None]
    assert {path.name for path in folder.iterdir()} == {
        "datapackage.json", "flow.parquet",
        *(f"{name}-{n:04}.parquet" for name, frame in whole.tables() if name != "flow" for n in (1, 2, 3)),
    }  # fmt: skip
    assert next(one["path"] for one in descriptor["resources"] if one["name"] == "visits") == [
        "visits-0001.parquet", "visits-0002.parquet", "visits-0003.parquet",
    ]  # fmt: skip
    without = arrow_parquet.read_table(folder / "patients-0003.parquet")["patient_id"].to_pylist()
    assert without == whole.patients["patient_id"].iloc[[1, 4]].tolist()


def test_numbers_take_the_smallest_type_that_keeps_them_in_every_part(kept):
    for number in (1, 2, 3):
        types = arrow_parquet.read_schema(kept["quarter"] / f"visits-000{number}.parquet")
        assert str(types.field("week").type) == "int8"
        assert str(types.field("value").type) == "double"  # torque of two decimals
        assert str(types.field("patient_id").type).startswith("dictionary")


def test_minus_zero_halves_and_large_numbers_come_back_bit_by_bit(tmp_path):
    ids = [f"P{i}" for i in range(6)]
    patients = pd.DataFrame({"patient_id": ids, "protocol": "usual"})
    visits = pd.DataFrame({"patient_id": ids, "week": [0, -0.0, 0.5, 300, 6, 7], "measure": "pain", "limb": "none"})
    visits["value"] = [0.1, 0.5, np.nan, -0.0, 9.0, 10.0]
    cohort = Cohort(patients.assign(site=["b", "a", "b", "a", "b", "b"]), visits)
    again = load_cohort(write_cohort(cohort, tmp_path / "c", file_format="parquet", partition="site"))
    sorted_ids = ["P0", "P2", "P4", "P5", "P1", "P3"]
    for name in ("week", "value"):
        before = cohort.visits.set_index("patient_id").loc[sorted_ids, name].to_numpy()
        assert again.visits[name].to_numpy().tobytes() == before.tobytes()


@pytest.mark.filterwarnings("ignore")
def test_frictionless_finds_the_folder_valid_and_reads_each_file(kept):
    import frictionless

    folder = kept["site"]
    report = frictionless.validate(str(folder / "datapackage.json"))
    assert report.valid, report.flatten(["type", "note", "fieldName"])
    package = json.loads((folder / "datapackage.json").read_text())
    read = 0
    for resource in package["resources"]:
        for path in resource["path"] if isinstance(resource["path"], list) else [resource["path"]]:
            schema = {key: value for key, value in resource["schema"].items() if key != "foreignKeys"}
            one = frictionless.Resource(
                path=path, basepath=str(folder), schema=frictionless.Schema.from_descriptor(schema)
            )
            assert one.validate().valid
            read += len(one.read_rows()) if resource["name"] == "patients" else 0
    assert read == 60
    alone = frictionless.Package(str(folder / "datapackage.json")).get_resource("patients").read_rows()
    assert len(alone) == len(arrow_parquet.read_table(folder / "patients-0001.parquet"))  # as the README says


def test_patients_are_chosen_with_all_their_rows_and_only_their_parts_are_opened(whole, kept, folder):
    chosen = whole.patients[(whole.patients["quarter"] == "2026-Q1") & (whole.patients["sex"] == "female")][
        "patient_id"
    ]
    for path in folder.glob("*-0001.parquet"):
        path.unlink()  # of 2026-Q2, which nobody asks for
    some = load_cohort(folder, where={"quarter": ["2026-Q1"], "sex": ["female"]})
    assert_same_tables(dict(some.tables()), of_patients(whole, chosen))
    assert some.provenance.steps[-1] == "Read in part: patients with quarter '2026-Q1' and sex 'female'."
    with pytest.raises(FailedCheckError):
        load_cohort(folder, where={"sex": ["female"]})
    none = load_cohort(kept["quarter"], where={"quarter": [None]})
    assert none.patients["patient_id"].tolist() == whole.patients["patient_id"].iloc[[1, 4]].tolist()


@pytest.mark.parametrize("file_format", ["csv", "parquet"])
def test_folders_without_parts_are_chosen_from_too(whole, tmp_path, file_format):
    folder = write_cohort(whole, tmp_path / "c", file_format=file_format)
    old = whole.patients["patient_id"][whole.patients["age_years"].isin([21, 22, 23, 24])]
    some = load_cohort(
        folder, where={"age_years": [21, 22, 23, 24]}, columns={"sessions": ["minutes_done"], "events": []}
    )
    expected = of_patients(whole, old)
    expected["sessions"] = expected["sessions"][["patient_id", "week", "modality", "minutes_done"]]
    expected["events"] = expected["events"][["patient_id", "week", "event"]]
    assert_same_tables(dict(some.tables()), expected)


def test_columns_are_read_beside_key_and_required_ones(whole, kept):
    some = load_cohort(kept["site"], columns={"patients": ["sex"], "visits": []}, where={"site": "site B"})
    assert list(some.patients.columns) == ["patient_id", "protocol", "sex"]
    assert list(some.visits.columns) == ["patient_id", "week", "measure", "limb", "value"]
    assert "minutes_done" in some.sessions
    assert some.provenance.steps[-1].endswith("of patients the columns sex; of visits the columns of its key.")
    assert len(some.patients) == (whole.patients["site"] == "site B").sum()


@pytest.mark.parametrize(
    ("asked", "said", "listed"),
    [
        ({"columns": {"pictures": ["x"]}}, "no table 'pictures'", "patients, visits, sessions"),
        ({"columns": {"visits": ["limbs"]}}, "table visits has no column 'limbs'", "patient_id, week, measure, limb, value"),
        ({"where": {"clinic": ["A"]}}, "table patients has no column 'clinic'", "protocol, site"),
        ({"where": {"site": ["site D"]}}, "No patient has 'site D' in the column 'site'", "'site A', 'site B', 'site C'"),
        ({"where": {"quarter": ["2025-Q1"]}}, "No patient has '2025-Q1'", "'2026-Q2', '2026-Q1', no value"),
        ({"where": {"age_years": [7]}}, "No patient has 7 in the column 'age_years'", "There are: 17, 18, 19"),
        ({"where": {"site": ["site A"], "age_years": [21], "quarter": [None]}}, "No patient has all of these values", "fewer"),
        ({"where": {"site": {"a": 1}}}, "What should be chosen by 'site' cannot be read", "list of values"),
    ],
)  # fmt: skip
@pytest.mark.parametrize("form", ["quarter", "csv"])
def test_what_is_not_there_is_said_with_what_is(whole, kept, tmp_path, asked, said, listed, form):
    folder = kept["quarter"] if form == "quarter" else write_cohort(whole, tmp_path / "c")
    with pytest.raises(CohortError, match=said) as caught:
        load_cohort(folder, **asked)
    assert listed in caught.value.what_to_do


def test_parts_come_one_by_one_and_are_together_the_whole(whole, kept):
    parts = list(cohort_parts(kept["quarter"], columns={"brace_limits": []}))
    assert len(parts) == 3
    assert all(part.protocols == whole.protocols and part.flow is None for part in parts)
    expected = by_part(whole, "quarter")
    for name in ("patients", "visits", "sessions"):
        together = pd.concat([getattr(part, name) for part in parts], ignore_index=True)
        pd.testing.assert_frame_equal(together, expected[name], check_exact=True)
    assert list(parts[0].brace_limits.columns) == ["patient_id", "week"]


def test_a_folder_without_parts_is_one(whole, tmp_path):
    (only,) = cohort_parts(write_cohort(whole, tmp_path / "c"))
    assert len(only.patients) == len(whole.patients)


def changed(folder, name, change):
    """Change a file of a part."""
    path = folder / name
    change(pd.read_parquet(path)).to_parquet(path, index=False)


def found(folder):
    return check_folder(folder).findings[["severity", "table", "problem"]].drop_duplicates().to_numpy().tolist()


def test_a_part_that_is_missing(folder):
    (folder / "visits-0002.parquet").unlink()
    (error,) = [one for one in found(folder) if one[0] == "error"]
    assert error[1] == "visits"
    assert "visits-0002.parquet" in error[2]
    with pytest.raises(FailedCheckError, match="visits-0002"):
        load_cohort(folder)
    assert [len(part.patients) > 0 for part in [next(cohort_parts(folder))]] == [True]


def test_a_part_that_was_changed_is_named(folder):
    changed(folder, "visits-0002.parquet", lambda frame: frame.iloc[:-1])
    assert found(folder)[0] == [
        "warning",
        "visits",
        "the file visits-0002.parquet was changed after the folder was written",
    ]


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda frame: frame.drop(columns="limb"), "a part of the table lacks the column limb (visits-0002.parquet)"),
        (lambda frame: frame.assign(note="x"), "a part of the table has the further column note (visits-0002.parquet)"),
        (lambda frame: frame.assign(week=frame["week"].astype(str)),
         "a part of the table holds text in the column week, where the others hold numbers (visits-0002.parquet)"),
    ],
)  # fmt: skip
def test_a_part_with_another_column_or_type(folder, change, said):
    changed(folder, "visits-0002.parquet", change)
    assert ["error", "visits", said] in found(folder)
    with pytest.raises(FailedCheckError):
        load_cohort(folder)


def test_a_patient_in_two_parts_is_an_error_wherever_the_rows_stand(whole, folder):
    first, second = (pd.read_parquet(folder / f"visits-000{n}.parquet") for n in (1, 2))
    moved = first["patient_id"].iloc[0]
    second = pd.concat([second, first[first["patient_id"] == moved].head(2)], ignore_index=True)
    second.astype({"patient_id": "str"}).to_parquet(folder / "visits-0002.parquet", index=False)
    report = check_folder(folder)
    told = report.findings[report.findings["problem"] == "the patient stands in several parts of the folder"]
    n_first = len(first)
    assert told[["severity", "table", "row", "patient_id"]].to_numpy().tolist() == [
        ["error", "visits", n_first + len(second) - 2 + 2, moved]
    ]
    with pytest.raises(FailedCheckError, match="several parts"):
        load_cohort(folder)
    both = pd.concat([pd.read_parquet(folder / f"patients-000{n}.parquet") for n in (1, 2)])
    twice = both[(both["patient_id"] == moved) | (both["quarter"] != "2026-Q2")].assign(quarter="2026-Q1")
    twice.to_parquet(folder / "patients-0002.parquet", index=False)
    report = check_folder(folder)
    told = report.findings[report.findings["problem"] == "the patient stands in several parts of the folder"]
    assert told["table"].tolist() == ["patients"]
    parts = cohort_parts(folder)
    next(parts)
    with pytest.raises(CohortError, match="1 patient of this part stands in an earlier one too"):
        next(parts)


def test_a_patient_in_the_part_of_another_value(folder):
    changed(folder, "patients-0001.parquet", lambda frame: frame.assign(quarter="2026-Q1"))
    assert ["error", "patients", "the patient stands in the part of those with '2026-Q2'"] in found(folder)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda d: d["resources"][1]["path"].pop(), "the table visits has other files in the parts than in its path"),
        (lambda d: d["kneecurve"]["partition"].update(parts=[]), "a value has no part, or comes twice"),
        (lambda d: d["kneecurve"]["partition"]["parts"][1].update(value=None), "a value has no part, or comes twice"),
        (lambda d: d["kneecurve"]["partition"]["parts"][1].update(value=[1]), "does not have the expected form"),
        (lambda d: d["kneecurve"]["partition"]["parts"][0]["files"].pop("patients"), "does not have the expected form"),
        (lambda d: d["kneecurve"]["partition"]["parts"][0]["files"]["visits"].update(rows=-1), "does not have the expected form"),
        (lambda d: d["kneecurve"]["partition"]["parts"][0]["files"]["visits"].update(rows=10**18), "does not have the expected form"),
    ],
)  # fmt: skip
def test_descriptors_of_parts_that_cannot_be_read(folder, change, said):
    data = json.loads((folder / "datapackage.json").read_text())
    change(data)
    (folder / "datapackage.json").write_text(json.dumps(data))
    with pytest.raises(CohortError, match=said):
        load_cohort(folder)


@pytest.mark.parametrize("path", ["../visits-0001.parquet", "/etc/passwd", "https://example.org/v.parquet", "a" * 300])
def test_a_part_outside_the_folder_is_refused(folder, path):
    shutil.copy(folder / "visits-0001.parquet", folder.parent)
    data = json.loads((folder / "datapackage.json").read_text())
    data["resources"][1]["path"][0] = path
    data["kneecurve"]["partition"]["parts"][0]["files"]["visits"]["path"] = path
    (folder / "datapackage.json").write_text(json.dumps(data))
    said = "leads out of the folder" if len(path) < 100 else "name"
    assert any(said in problem for _, table, problem in found(folder) if table == "visits")
    with pytest.raises(FailedCheckError, match=said):
        load_cohort(folder)


def test_how_a_cohort_cannot_be_cut(whole, tmp_path):
    with pytest.raises(CohortError, match="as Parquet files only") as caught:
        write_cohort(whole, tmp_path / "c", partition="site")
    assert "file_format='parquet'" in caught.value.what_to_do
    with pytest.raises(CohortError, match="no column 'clinic'") as caught:
        write_cohort(whole, tmp_path / "c", file_format="parquet", partition="clinic")
    assert "protocol, site" in caught.value.what_to_do
    with pytest.raises(CohortError, match="cannot be those of single patients"):
        write_cohort(whole, tmp_path / "c", file_format="parquet", partition="patient_id")
    assert not list(tmp_path.iterdir())


def test_a_folder_in_parts_is_replaced_as_any_other(whole, kept, folder):
    again = write_cohort(whole, folder, file_format="parquet", partition="site", overwrite=True)
    assert {path.name: path.read_bytes() for path in again.iterdir()} == {
        path.name: path.read_bytes() for path in kept["site"].iterdir()
    }
    write_cohort(whole, folder, overwrite=True)
    assert not list(folder.glob("*.parquet"))
    shutil.rmtree(folder)
    shutil.copytree(kept["site"], folder)
    (folder / "visits-0009.parquet").write_bytes(b"mine")
    with pytest.raises(CohortError, match="files that are not of a cohort"):
        write_cohort(whole, folder, overwrite=True)


def test_what_reads_tables_as_they_are_reads_all_parts(whole, kept):
    tables = cohort_tables(kept["site"])[0]
    assert {name: len(frame) for name, frame in tables.items()} == {name: len(frame) for name, frame in whole.tables()}


def broken(cohort):
    """Plant what is wrong with single rows, and what only the whole tells, in several parts."""
    visits = cohort.visits.copy()
    visits.loc[[3, 700, 1500], "value"] = 900.0
    visits.loc[visits["measure"] == "ikdc", "value"] = np.nan
    visits.loc[[20, 1200], "week"] = -3.0
    visits.loc[[30, 31], "week"] = 45_000.0
    again = visits.iloc[[40, 1300]]
    visits = pd.concat([visits[visits["patient_id"] != "p0009"], again], ignore_index=True)
    sessions = cohort.sessions.copy()
    sessions.loc[[5, 900], ["sessions_done", "minutes_done"]] = [0.0, 30.0]
    late = sessions["week"] > sessions["week"].max() - 3
    sessions.loc[late & sessions["modality"].str.startswith("exercise"), ["sessions_done", "minutes_done"]] = 0.0
    events = cohort.events.assign(note=[f"call {i}" for i in range(len(cohort.events))])
    flow = pd.DataFrame({"step": ["allocated"], "protocol": [cohort.protocols[0]], "reason": None, "patients": [3]})
    patients = cohort.patients.assign(
        site=cohort.patients["site"].astype("str").where(cohort.patients.index != 7, "Site a")
    )
    patients.loc[11, "patient_id"] = "P0013"
    return Cohort(patients, visits, sessions, cohort.brace_limits, events, flow, cohort.measures)


@pytest.mark.parametrize("by", ["quarter", "protocol"])
def test_findings_of_parts_are_those_of_the_whole(whole, monkeypatch, tmp_path, by):
    """The rows are those of the files one after the other; nothing is said once a part that belongs to the whole."""
    cohort = broken(whole)
    monkeypatch.setattr("analysis.cohort.files.data_package.raise_on_errors", lambda *_: None)
    folder = write_cohort(cohort, tmp_path / "c", file_format="parquet", partition=by)
    expected = check_cohort(Cohort(**by_part(cohort, by), measures=cohort.measures))
    report = check_folder(folder)
    assert report.counts == expected.counts
    assert report.n_identifiers == expected.n_identifiers
    pd.testing.assert_frame_equal(report.findings, expected.findings)
    assert {"error", "warning"} == set(report.findings["severity"])


def test_a_table_of_several_files_of_another_program_is_read_with_its_rows_counted_on(tmp_path):
    (tmp_path / "patients.csv").write_text("patient_id,protocol\nP1,usual\nP2,early\n")
    (tmp_path / "first.csv").write_text("patient_id,week,measure,limb,value\nP1,0,pain,none,4\nP1,6,pain,none\n")
    (tmp_path / "second.csv").write_text("patient_id,week,measure,limb,value\nP2,0,pain,none,60\n")
    resources = [{"name": "patients", "path": "patients.csv"}, {"name": "visits", "path": ["first.csv", "second.csv"]}]
    (tmp_path / "datapackage.json").write_text(json.dumps({"resources": resources}))
    errors = check_folder(tmp_path).findings.query("severity == 'error'")
    assert errors[["row", "patient_id", "value"]].to_numpy().tolist() == [[3, "", ""], [4, "P2", "60"]]
    (tmp_path / "first.csv").write_text("patient_id,week,measure,limb,value\nP1,0,pain,none,4\n")
    (tmp_path / "second.csv").write_text("patient_id,week,measure,limb,value\nP2,0,pain,none,6\n")
    assert load_cohort(tmp_path).visits["value"].tolist() == [4, 6]


def test_a_descriptor_that_says_too_many_or_too_few_rows_changes_nothing_but_their_numbers(whole, folder):
    for rows in (0, 1_000_000_000):
        data = json.loads((folder / "datapackage.json").read_text())
        for part in data["kneecurve"]["partition"]["parts"]:
            part["files"]["visits"]["rows"] = rows
        (folder / "datapackage.json").write_text(json.dumps(data))
        assert_same_tables(dict(load_cohort(folder).tables()), by_part(whole, "quarter"))

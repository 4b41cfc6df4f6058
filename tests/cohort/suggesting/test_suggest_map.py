"""A first map: it reads, says where it is not sure, names no identifier, and never overwrites."""

import tomllib

import numpy as np
import openpyxl
import pandas as pd
import pytest

from analysis.cohort import import_cohort, suggest_map, visit_frame
from analysis.cohort.importing.map_file import read_map
from analysis.cohort.recognition.header_words import header_words
from analysis.cohort.recognition.recognise_columns import recognise
from analysis.errors import CohortError
from analysis.report.comparison.parameters import usual_measure


@pytest.fixture
def suggested(tmp_path):
    def run(content, name="data.csv"):
        path = tmp_path / name
        if isinstance(content, pd.DataFrame):
            content.to_csv(path, index=False)
        else:
            path.write_bytes(content if isinstance(content, bytes) else content.encode())
        questions = suggest_map(path, tmp_path / "map.toml")
        text = (tmp_path / "map.toml").read_text()
        assert text.count("# not sure") == questions
        return path, text

    return run


def test_a_long_clinic_file_with_dates_decimal_commas_and_identifiers(suggested, tmp_path):
    path, text = suggested(
        "Patient ID;Arm;Name;SurgeryDate;VisitDate;Quad Nm/kg involved;Quad Nm/kg uninvolved;VAS pain;Sex;smoker;mood\n"
        "a;x;Q;2024-01-01;2024-01-01;1,5;2,0;5,5;m;y;3\na;x;Q;2024-01-01;2024-02-12;1,9;2,0;2,5;m;y;5\n"
        "b;y;R;2024-01-01;2024-01-01;1,4;2,0;5,0;f;n;3\nb;y;R;2024-01-01;2024-02-12;1,7;2,0;2,0;f;n;2\n"
    )
    mapped = read_map(tmp_path / "map.toml")
    assert (mapped.layout, mapped.file.delimiter, mapped.file.decimal) == ("long", ";", ",")
    assert (mapped.week.date, mapped.week.start) == ("VisitDate", "SurgeryDate")
    assert [(entry.measure, entry.limb) for entry in mapped.value_columns] == [
        ("quadriceps_torque", "involved"), ("quadriceps_torque", "uninvolved"), ("pain", "none")
    ]  # fmt: skip
    assert "Name: a name, (A) names; it must not go into a cohort" in text
    assert '# measure = "mood"' in text
    assert '# smoker = "smoker"  # labels: y, n' in text
    cohort = import_cohort(path, tmp_path / "map.toml").cohort
    assert sorted(cohort.visits["week"].unique()) == [0, 6]


@pytest.mark.parametrize(("name", "questions"), [("BtheB", 1), ("Wong", 3), ("Orthodont", 3)])
def test_real_files(real_files, tmp_path, name, questions):
    path, _ = real_files[name]
    assert suggest_map(path, tmp_path / "map.toml") == questions
    data = tomllib.loads((tmp_path / "map.toml").read_text())
    if name == "BtheB":
        assert data["values"][0]["columns"] == {"bdi.pre": 0, "bdi.2m": 2, "bdi.4m": 4, "bdi.6m": 6, "bdi.8m": 8}
        assert data["week"]["unit"] == "months"
        assert len(import_cohort(path, tmp_path / "map.toml").cohort.visits) == 380
    if name == "Wong":
        assert data["week"] == {"column": "days", "unit": "days"}


def test_wide_files_with_and_without_units_in_the_names(suggested, tmp_path):
    suggested(pd.DataFrame({"id": ["a", "b"], "koos_pain_1": [1, 2], "koos_pain_2": [3, 4], "group": ["x", "y"]}))
    mapped = read_map(tmp_path / "map.toml")
    assert mapped.value_columns[0].times == {"koos_pain_1": 1, "koos_pain_2": 2}
    assert "perhaps the number of a visit" in (tmp_path / "map.toml").read_text()


@pytest.mark.parametrize(
    ("name", "stem", "time", "unit"),
    [
        ("koos_6w", "koos", 6, "weeks"), ("KOOS.Pain.W12", "koos_pain", 12, "weeks"), ("w6_flexion", "flexion", 6, "weeks"),
        ("pain_3mo", "pain", 3, "months"), ("pain_preop", "pain", 0, None), ("baseline_pain", "pain", 0, None),
        ("torque_v2", "torque", 2, None), ("ikdc_1yr", "ikdc", 1, "years"), ("pain_d14", "pain", 14, "days"),
    ],
)  # fmt: skip
def test_names_taken_apart(name, stem, time, unit):
    column = header_words(name)
    assert (column.stem, column.time, column.unit) == (stem, time, unit)


def test_names_without_a_time():
    assert header_words("flexion").time is None
    assert header_words("pain_at_rest").time is None


@pytest.mark.parametrize(
    ("name", "values", "role"),
    [
        ("Subject", ["a"], "patient"), ("record_id", [1], "patient"), ("Treatment Group", ["x", "y"], "protocol"),
        ("age", [40.0], "covariate"), ("visit_week", [6], "week"), ("seen", ["2024-01-01"], "date"),
        ("surgery", ["2024-01-01"], "start"), ("ikdc", [50.0], "measure"), ("e-mail", ["a@b.org"], "identifier"),
        ("minutes_done", [20], "home"), ("shoe", [44], "unknown"),
    ],
)  # fmt: skip
def test_roles(name, values, role):
    assert recognise(pd.Series(values), name).role == role


def test_values_out_of_range_are_a_doubt(suggested):
    _, text = suggested(
        pd.DataFrame({"id": list("aabb"), "arm": list("xxyy"), "week": [0, 6, 0, 6], "pain": [50, 20, 40, 30]})
    )
    assert 'measure = "pain"  # not sure: 100% of the values are outside 0 to 10 points' in text


def test_an_existing_map_stays(suggested, tmp_path):
    (tmp_path / "map.toml").write_text("mine")
    with pytest.raises(CohortError, match="never overwritten"):
        suggested("id,arm,week,pain\na,x,0,1\n")
    assert (tmp_path / "map.toml").read_text() == "mine"


def test_odd_names_make_a_map_that_reads(suggested, tmp_path):
    frame = pd.DataFrame(
        {'i"d\\': ["a", "b"], "tab\there": [1, 2], "Größe\u2028": [3, 4], "pain": [1.0, np.nan], "week": [0, 6]}
    )
    suggested(frame)
    assert tomllib.loads((tmp_path / "map.toml").read_text())["patients"]["patient_id"] == 'i"d\\'


def test_a_windows_file_and_a_workbook_with_two_sheets(suggested, tmp_path):
    _, text = suggested("id,arm,week,pain\nZo\xeb,x,0,1\n".encode("cp1252"))
    assert 'encoding = "cp1252"' in text
    (tmp_path / "map.toml").unlink()
    book = openpyxl.Workbook()
    book.active.append(["id", "arm"])
    book.active.append(["a", "x"])
    book.create_sheet("visits")
    book.save(tmp_path / "b.xlsx")
    assert suggest_map(tmp_path / "b.xlsx", tmp_path / "map.toml") >= 1
    assert "# not sure: the sheet: the workbook has Sheet, visits" in (tmp_path / "map.toml").read_text()


def test_a_folder_lists_its_tables(tmp_path):
    (tmp_path / "in").mkdir()
    (tmp_path / "in" / "a.csv").write_text("x,y\n1,2\n")
    with pytest.raises(
        CohortError, match="for one file, or for a folder with one file of patients and visits"
    ) as caught:
        suggest_map(tmp_path / "in", tmp_path / "map.toml")
    assert "a.csv" in caught.value.where
    (tmp_path / "in" / "b.csv").write_text("id,arm,week,pain\na,x,0,2\n")
    with pytest.raises(CohortError, match="for one file"):  # two of visits
        suggest_map(tmp_path / "in", tmp_path / "map.toml")
    assert not (tmp_path / "map.toml").exists()


def test_a_folder_of_visits_and_a_log_becomes_one_map(tmp_path):
    (tmp_path / "in").mkdir()
    visits = "".join(
        f"{one};{arm};2024-01-08;2024-0{month}-08;{7 - month},5\n" for one, arm in ("ax", "by") for month in (1, 2)
    )
    (tmp_path / "in" / "visits.csv").write_text("id;arm;surgery date;visit date;pain\n" + visits)
    log = "".join(f"{one},2024-01-1{day},{('EMS', 'exercises')[day % 2]},20\n" for one in "ab" for day in (1, 2, 4))
    (tmp_path / "in" / "log.csv").write_text("patient,session date,mode of use,minutes\n" + log)
    assert suggest_map(tmp_path / "in", tmp_path / "map.toml") == 0
    data = tomllib.loads((tmp_path / "map.toml").read_text())
    form = {"file": "visits.csv", "delimiter": ";", "decimal": ","}
    assert data["files"] == {"patients": form, "visits": form, "session_log": "log.csv"}
    assert data["session_log"]["modality"] == "mode of use"  # by its cells
    cohort = import_cohort(tmp_path / "in", tmp_path / "map.toml").cohort
    assert cohort.sessions["sessions_done"].sum() == 6
    assert sorted(cohort.visits["value"]) == [5.5, 5.5, 6.5, 6.5]


@pytest.mark.parametrize(
    ("mass", "said"), [(True, "and reports take that"), (False, "with body_mass_kg under [patients]")]
)
def test_torque_in_newton_metres_is_mapped_as_such_and_the_map_says_what_becomes_of_it(suggested, tmp_path, mass, said):
    rows = "a,x,80,0,120\na,x,80,6,140\nb,y,60,0,70.5\nb,y,60,6,99\n"
    path, text = suggested("id,arm,weight,week,quad_involved\n" + rows if mass else
                           "id,arm,bmi,week,quad_involved\n" + rows)  # fmt: skip
    assert 'measure = "quadriceps_torque_nm"  # N·m by its values; ' in text
    assert said in text
    cohort = import_cohort(path, tmp_path / "map.toml").cohort
    assert usual_measure(cohort) == ("quadriceps_torque" if mass else "quadriceps_torque_nm")
    assert any("N·m/kg" in step for step in cohort.provenance.steps) is mass
    if mass:
        assert visit_frame(cohort, "quadriceps_torque")["value"].tolist() == [1.5, 1.75, 1.175, 1.65]


def test_a_body_mass_of_every_visit_is_mapped_and_its_first_value_taken(suggested, tmp_path):
    rows = {"id": list("aabb"), "week": [0, 6] * 2, "quad (Nm)": [100, 120, 90, 80], "weight (kg)": [70, 71.5, 80, 79]}
    _, text = suggested(pd.DataFrame(rows))
    assert 'body_mass_kg = "weight (kg)"  # changes within patients: the first value is taken\n' in text
    found = import_cohort(tmp_path / "data.csv", tmp_path / "map.toml")
    assert found.cohort.patients["body_mass_kg"].tolist() == [70, 80]
    assert found.checked.findings["problem"].tolist()[-2:] == ["differs from the first value of the patient"] * 2

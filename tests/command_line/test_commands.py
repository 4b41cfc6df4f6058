"""Each command does one thing, says what it did, and explains what went wrong without a traceback."""

from pathlib import Path

import pandas as pd
import pytest

from analysis import Cohort, load_cohort, write_cohort
from analysis.cohort import load_catalogue
from analysis.report import ReportFiles
from synthetic_cohort import generate_cohort

WIDE_MAP = """
layout = "wide"

[patients]
patient_id = "id"
protocol = "treatment"

[[values]]
measure = "koos_pain"
columns = { koos_pre = 0, koos_6w = 6, koos_12w = 12 }
"""
WIDE = pd.DataFrame(
    {
        "id": ["P1", "P2", "P3", "P4"],
        "treatment": ["usual", "early", "usual", "early"],
        "koos_pre": [44, 51, 39, 48],
        "koos_6w": [58, 60, None, 66],
        "koos_12w": [70, 75, 68, 72],
    }
)


def everything_under(folder):
    return sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*"))


@pytest.fixture
def wide(tmp_path):
    """A file with one row a patient, and its map."""
    file, map_file = tmp_path / "scores.csv", tmp_path / "score.toml"
    WIDE.to_csv(file, index=False)
    map_file.write_text(WIDE_MAP, encoding="utf-8")
    return file, map_file


def test_without_words_it_shows_what_it_can_do(kneecurve):
    answer = kneecurve()
    for command in ("demo", "import", "check", "report", "notebooks"):
        assert command in answer.out + answer.err


def test_import_then_check_of_the_example_in_the_readme(kneecurve, wide, tmp_path):
    file, map_file = wide
    answer = kneecurve("import", file, "--map", map_file, "--out", tmp_path / "cohort")
    assert answer.code == 0, answer.err
    assert "4 patients and 11 measured values" in answer.out
    cohort = load_cohort(tmp_path / "cohort")
    assert cohort.protocols == ["usual", "early"]
    checked = kneecurve("check", tmp_path / "cohort")
    assert checked.code == 0, checked.out


def test_import_refuses_to_overwrite_until_told(kneecurve, wide, tmp_path):
    file, map_file = wide
    words = ("import", file, "--map", map_file, "--out", tmp_path / "cohort")
    assert kneecurve(*words).code == 0
    again = kneecurve(*words)
    assert again.code == 1
    assert "--overwrite" in again.err
    assert kneecurve(*words, "--overwrite").code == 0


def test_import_of_a_column_that_the_file_lacks_lists_what_is_there(kneecurve, wide, tmp_path):
    file, map_file = wide
    map_file.write_text(WIDE_MAP.replace("koos_12w", "koos_3m"), encoding="utf-8")
    answer = kneecurve("import", file, "--map", map_file, "--out", tmp_path / "cohort")
    assert answer.code == 1
    assert "koos_3m" in answer.err
    assert "koos_12w" in answer.err
    assert "Traceback" not in answer.err
    assert not (tmp_path / "cohort").exists()


@pytest.mark.parametrize(
    ("content", "said"),
    [
        pytest.param(b"", "empty", id="empty"),
        pytest.param(b"id;treatment;koos_pre;koos_6w;koos_12w\nP1;usual;44;58;70\n", "delimiter", id="semicolons"),
        pytest.param(b"\x89PNG\r\n\x1a\n\x00\x00", "", id="not a table"),
        pytest.param(b'id,treatment,koos_pre,koos_6w,koos_12w\nP1,usual,"44,5",58,70\n', "decimal", id="decimal comma"),
        pytest.param(
            b"id,treatment,koos_pre,koos_6w,koos_12w\nP1,usual,good,58,70\n", "koos_pre", id="text in numbers"
        ),
        pytest.param(b"id,treatment,koos_pre,koos_6w,koos_12w\nP1,usual,inf,58,70\n", "infinite", id="infinite"),
    ],
)
def test_a_bad_file_gets_one_clear_message_and_nothing_is_written(kneecurve, wide, tmp_path, content, said):
    file, map_file = wide
    file.write_bytes(content)
    before = everything_under(tmp_path)
    answer = kneecurve("import", file, "--map", map_file, "--out", tmp_path / "cohort")
    shown = answer.out + answer.err
    assert answer.code == 1
    assert said in shown
    assert "what to do" in shown or "what_to_do" in shown
    assert "Traceback" not in shown
    assert everything_under(tmp_path) == before


def test_import_of_identifiers_is_refused(kneecurve, wide, tmp_path):
    file, map_file = wide
    WIDE.assign(email=[f"{name}@clinic.example" for name in "abcd"]).to_csv(file, index=False)
    map_file.write_text(WIDE_MAP.replace('protocol = "treatment"', 'protocol = "treatment"\nemail = "email"'), "utf-8")
    answer = kneecurve("import", file, "--map", map_file, "--out", tmp_path / "cohort")
    assert answer.code == 1
    assert "email" in answer.out + answer.err
    assert not (tmp_path / "cohort").exists()


def test_check_of_a_bad_cohort_shows_every_problem_and_ends_with_1(kneecurve, tmp_path):
    cohort = generate_cohort("ligament reconstruction", patients=24, seed=1).observed
    folder = write_cohort(cohort, tmp_path / "cohort")
    visits = pd.read_csv(folder / "visits.csv")
    visits.loc[0, "value"] = 9_999
    pd.concat([visits, visits.iloc[[5]]]).to_csv(folder / "visits.csv", index=False)
    answer = kneecurve("check", folder)
    assert answer.code == 1
    assert "9999" in answer.out.replace(",", "")
    assert "same patient_id, week, measure, limb" in answer.out
    assert "Traceback" not in answer.out + answer.err


def test_a_cohort_without_quasi_identifiers_is_deidentified_and_ends_with_0(kneecurve, tmp_path):
    patients = pd.DataFrame({"patient_id": ["P1", "P2"], "protocol": ["usual", "early"]})
    visits = pd.DataFrame({"patient_id": ["P1", "P2"], "week": 0, "measure": "pain", "limb": "none", "value": [4, 6]})
    folder = write_cohort(Cohort(patients, visits), tmp_path / "in" / "cohort")
    answer = kneecurve("deidentify", folder, "--out", tmp_path / "out" / "cohort")
    assert (answer.code, answer.err) == (0, "")
    assert "the patients have none of age_band" in answer.out
    assert len(load_cohort(tmp_path / "out" / "cohort").patients) == 2


def test_check_of_a_folder_that_is_not_there(kneecurve, tmp_path):
    answer = kneecurve("check", tmp_path / "nowhere")
    assert answer.code == 1
    assert "nowhere" in answer.out + answer.err
    assert "Traceback" not in answer.out + answer.err


def test_an_output_folder_that_cannot_be_written(kneecurve, wide, tmp_path):
    file, map_file = wide
    (tmp_path / "in_the_way").write_text("a file, not a folder")
    answer = kneecurve("import", file, "--map", map_file, "--out", tmp_path / "in_the_way" / "cohort")
    assert answer.code == 1
    assert "in_the_way" in answer.err
    assert "what to do" in answer.err
    assert "Traceback" not in answer.err


def test_a_report_parameter_without_a_value(kneecurve, tmp_path):
    answer = kneecurve("report", "protocol_comparison", tmp_path, "--out", tmp_path / "out", "--set", "primary_week")
    assert answer.code == 1
    assert "name=value" in answer.err


def test_an_unknown_report_parameter_is_an_error_that_lists_the_known_ones(kneecurve, tmp_path):
    folder = write_cohort(generate_cohort(patients=24, seed=1).observed, tmp_path / "cohort")
    words = ("report", "protocol_comparison", folder, "--out", tmp_path / "out", "--set", "primry_week=26")
    answer = kneecurve(*words)
    assert answer.code == 1
    assert "primry_week" in answer.err
    assert "primary_week" in answer.err
    assert not (tmp_path / "out").exists()


def test_an_unknown_report_lists_the_known_ones(kneecurve, tmp_path):
    folder = write_cohort(generate_cohort(patients=24, seed=1).observed, tmp_path / "cohort")
    answer = kneecurve("report", "no_such_report", folder, "--out", tmp_path / "out")
    assert answer.code == 1
    assert "protocol_comparison" in answer.err


def test_an_unknown_form_of_report_lists_the_known_ones(kneecurve, tmp_path):
    folder = write_cohort(generate_cohort(patients=24, seed=1).observed, tmp_path / "cohort")
    answer = kneecurve(
        "report", "protocol_comparison", folder, "--out", tmp_path / "out", "--format", "html,no_such_form"
    )
    assert answer.code == 1
    assert "no_such_form" in answer.err
    assert "pptx" in answer.err
    assert not (tmp_path / "out").exists()


@pytest.mark.slow
def test_demo_writes_a_report_then_refuses_then_overwrites(kneecurve, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    first = kneecurve("demo", "--patients", "36")
    assert first.code == 0, first.err
    reports = list((tmp_path / "kneecurve_demo").rglob("*.html"))
    assert len(reports) == 1
    assert str(reports[0]) in first.out.replace("\n", "")
    before = reports[0].stat().st_mtime_ns
    second = kneecurve("demo", "--patients", "36")
    assert second.code == 1
    assert "kneecurve_demo" in second.err
    assert reports[0].stat().st_mtime_ns == before
    asked = []

    def make(name, folder, out, *, overwrite, progress):
        asked.append((name, Path(folder).name, Path(out).name, overwrite))
        return ReportFiles(html=reports[0], notebook=reports[0], record=reports[0])

    monkeypatch.setattr("analysis.report.make_report", make, raising=False)
    third = kneecurve("demo", "--patients", "36", "--overwrite")
    assert third.code == 0, third.err
    assert "Overwriting" in third.out
    assert asked == [("protocol_comparison", "cohort", "report", True)]


def test_the_demo_ends_with_what_to_do_with_data_of_ones_own(kneecurve, tmp_path, monkeypatch):
    page = tmp_path / "page.html"
    files = ReportFiles(html=page, notebook=page, record=page)
    monkeypatch.setattr("analysis.report.make_report", lambda *_, **__: files, raising=False)
    answer = kneecurve("demo", "--patients", "12", "--out", tmp_path / "demo")
    assert answer.code == 0, answer.err
    assert answer.out.splitlines()[-7:] == [
        "Open it in a web browser. Next, your own data: at a terminal, import asks what the columns leave open, and writes",
        "the map (FILE_map.toml) and the cohort folder (FILE_cohort):",
        "  kneecurve import FILE",
        "with a map that is written already:",
        "  kneecurve import FILE --map MAP.toml --out FOLDER",
        "or work in notebooks:",
        "  kneecurve notebooks --to DIR",
    ]


def test_the_map_reference_and_the_measures_are_printed(kneecurve):
    answer = kneecurve("map-reference")
    assert answer.code == 0
    assert answer.out == (Path(__file__).resolve().parents[2] / "docs" / "map-reference.md").read_text(encoding="utf-8")
    answer = kneecurve("measures")
    assert (answer.code, answer.out) == (0, load_catalogue().to_text() + "\n" + answer.out.splitlines()[-1] + "\n")
    assert "MIC: a change that matters" in answer.out


def test_export_parts_what_is_asked_and_refuses_before_anything_runs(kneecurve, tmp_path):
    words = ("export", tmp_path, "--out", tmp_path / "out")
    unknown = kneecurve(*words, "--figures", "svg, eps")
    assert (unknown.code, "There is no form 'eps'." in unknown.err, "what to do: " in unknown.err) == (1, True, True)
    assert "Neither figures nor tables" in kneecurve(*words, "--figures", "none", "--tables", "none").err
    assert "'2' names no figure" in kneecurve(*words, "--only", "figure-1,2").err
    assert "There is no report in the folder." in kneecurve(*words, "--width", "17.8cm").err
    assert everything_under(tmp_path) == []

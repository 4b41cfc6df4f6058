"""A class from its progress files: who, what, which mistakes; planted, and found again."""

import shutil

import pytest

from analysis.errors import ReportError
from analysis.lessons import Progress, class_summary, start_lesson
from analysis.lessons.source import lesson_outlines


def rows_of(table, column):
    cells = table.cells()
    return {row[column]: row for row in cells.to_dict("records")}


@pytest.fixture
def class_folder(tmp_path):
    """Three learners: blue and green in sub-folders, red as a file."""
    for name, answers in {
        "blue": (90.0, 76.5), "green": (90.0, 90.0, 105.9, 76.5), "red": (75.0, 76.5),
    }.items():  # fmt: skip
        folder = tmp_path / "class" / name
        folder.mkdir(parents=True)
        lesson = start_lesson(1, folder=folder)
        for answer in answers:
            lesson.check("old_limb", answer)
        lesson.check("one_point_over", "c")
        if name == "green":
            lesson.solution("symmetry")
            lesson.check("symmetry", lesson.exercises["symmetry"].truth)
            start_lesson(2, folder=folder).guess("patients", 60)
            asked = start_lesson(2, folder=folder).recall()
            asked.check(1, asked.questions[1].exercise.right)
    shutil.move(tmp_path / "class" / "red" / "progress.json", tmp_path / "class" / "red.json")
    return tmp_path / "class"


def test_each_learner_is_told_with_what_was_done_alone_and_guessed(class_folder):
    rows = rows_of(class_summary(class_folder).learners, "Learner")
    assert list(rows) == ["blue", "green", "red"]
    assert [rows[name]["Lesson 1"] for name in rows] == ["2 of 7 (2, 0)", "3 of 7 (2, 0)", "2 of 7 (2, 0)"]
    assert [rows[name]["Lesson 2"] for name in rows] == ["–", "1 of 5 (0, 1)", "–"]
    assert [rows[name]["Recall"] for name in rows] == ["–", "1 of 1", "–"]
    assert {rows[name]["Quiz"] for name in rows} == {"–"}


def test_each_exercise_is_told_with_first_tries_and_the_most_frequent_mistake(class_folder):
    rows = rows_of(class_summary(class_folder).exercises, "Exercise")
    assert list(rows) == ["1.1 old limb", "1.2 symmetry", "1.7 one point over", "2.1 patients"]
    first = rows["1.1 old limb"]
    assert (first["Answered"], first["Right at the first try"]) == ("3", "0 of 3")
    (mistake,) = (words for heading, words in first.items() if heading.startswith("Most frequent mistake"))
    # two learners took the index itself, one of them twice; one subtracted, one divided
    assert mistake == "2: That is the index itself. But its denominator has shrunk to 85 %."
    assert rows["1.2 symmetry"]["Looked at the solution"] == "1 of 1"
    assert rows["1.7 one point over"]["Right at the first try"] == "3 of 3"
    assert rows["2.1 patients"]["Right at the first try"] == "guess"


def test_a_damaged_file_is_named_and_the_others_are_read(class_folder):
    (class_folder / "odd\x1b[31m.json").write_text("{", encoding="utf-8")
    summary = class_summary(class_folder)
    assert summary.headline == "Progress of 3 learners. Not read, as the file is damaged: odd\\x1b[31m."
    assert "\x1b" not in repr(summary) + summary._repr_html_()


def test_names_and_texts_of_others_are_shown_as_text(tmp_path):
    name = "<b>red"
    Progress(tmp_path).keep(1, "old_limb", "wrong", seed=1, answer=1.0, mistake="<script>alert(1)</script>\x07")
    (tmp_path / "progress.json").rename(tmp_path / f"{name}.json")
    summary = class_summary(tmp_path)
    page = summary._repr_html_()
    assert "&lt;b&gt;red" in page
    assert "<script>" not in page
    assert "\x07" not in repr(summary) + page


def test_a_folder_without_learners_is_refused(tmp_path):
    with pytest.raises(ReportError, match="There is no progress of learners here"):
        class_summary(tmp_path)
    with pytest.raises(ReportError, match="There is no such folder"):
        class_summary(tmp_path / "nowhere")
    Progress(tmp_path / ".").keep(1, "old_limb", "right", seed=1)  # the instructor's own folder says of no learner
    with pytest.raises(ReportError, match="There is no progress of learners here"):
        class_summary(tmp_path)


def test_one_name_for_two_learners_is_refused(class_folder):
    (class_folder / "blue.json").write_text("{}", encoding="utf-8")
    with pytest.raises(ReportError, match="'blue' has a sub-folder and a file"):
        class_summary(class_folder)


def test_a_class_of_one_that_did_all(tmp_path):
    (tmp_path / "blue").mkdir()
    for outline in lesson_outlines():
        for name in outline.exercises:
            Progress(tmp_path / "blue").keep(outline.number, name, "right", seed=1)
    summary = class_summary(tmp_path)
    assert summary.headline == "Progress of 1 learner."
    assert len(summary.exercises.data) == sum(len(outline.exercises) for outline in lesson_outlines())
    cells = summary.exercises.cells()
    assert set(cells["Right at the first try"]) == {"1 of 1"}
    assert set(cells.iloc[:, -1]) == {"–"}


def test_the_command_prints_both_tables(class_folder):
    from typer.testing import CliRunner

    from analysis.__main__ import app

    told = CliRunner().invoke(app, ["lessons", "--summary", str(class_folder)])
    assert told.exit_code == 0, told.output
    assert "Progress of 3 learners." in told.output
    assert "3 of 7 (2, 0)" in told.output
    assert "That is the index itself." in told.output
    assert "Begin with" not in told.output

"""The folder of a learner: the lessons, progress that survives, the certificate page, the command."""

import json

import pytest

from analysis.errors import ReportError
from analysis.lessons import Progress, copy_lessons, start_lesson, write_certificate
from analysis.lessons.feedback import NotAnsweredYet
from analysis.lessons.source import course_sources

from .lesson_runs import NUMBERS


def test_lessons_are_written_once_and_progress_stays(tmp_path):
    written = copy_lessons(tmp_path)
    assert [path.stem for path in written] == [*course_sources(), "glossary"]
    assert [int(path.name[0]) for path in written if path.name[1] == "_"] == NUMBERS
    written[0].write_text("mine", encoding="utf-8")
    (tmp_path / "progress.json").write_text("{}", encoding="utf-8")
    with pytest.raises(ReportError, match="writing them again would undo your answers"):
        copy_lessons(tmp_path)
    assert written[0].read_text(encoding="utf-8") == "mine"
    copy_lessons(tmp_path, overwrite=True)
    assert json.loads(written[0].read_text(encoding="utf-8"))["cells"]
    assert (tmp_path / "progress.json").read_text(encoding="utf-8") == "{}"


@pytest.mark.parametrize("versions", [("learner", "instructor"), ("instructor", "learner")])
def test_two_versions_in_one_folder_are_refused(tmp_path, versions):
    copy_lessons(tmp_path, version=versions[0])
    before = sorted(path.name for path in tmp_path.iterdir())
    for overwrite in (False, True):
        with pytest.raises(ReportError, match=f"The {versions[0]}'s lessons are in this folder"):
            copy_lessons(tmp_path, version=versions[1], overwrite=overwrite)
    assert sorted(path.name for path in tmp_path.iterdir()) == before


def test_the_answers_of_the_instructor_are_kept_apart(tmp_path):
    start_lesson(1, folder=tmp_path, whose="instructor").check("old_limb", 76.5)
    assert Progress(tmp_path).of(1) == {}
    assert Progress(tmp_path, "instructor").of(1)["old_limb"]["right"]
    start_lesson(1, folder=tmp_path, whose="instructor").finish()
    assert sorted(path.name for path in tmp_path.iterdir()) == [
        "certificate_instructor.html",
        "progress_instructor.json",
    ]


def test_a_folder_that_cannot_be_written_is_an_error(tmp_path):
    (tmp_path / "file").write_text("", encoding="utf-8")
    with pytest.raises(ReportError, match="The lessons cannot be written"):
        copy_lessons(tmp_path / "file" / "inside")


def test_progress_counts_tries_and_right_stays_right(tmp_path):
    lesson = start_lesson(1, folder=tmp_path)
    for answer in (90, 75, 76.5, 1):
        lesson.check("old_limb", answer)
    kept = Progress(tmp_path).of(1)["old_limb"]
    told = [lesson.exercises["old_limb"].judge(answer).hint for answer in (90, 75)]
    assert kept == {"tries": 3, "right": True, "seed": 1, "answer": 1.0, "mistakes": dict.fromkeys(told, 1)}
    assert start_lesson(1, seed=5, folder=tmp_path).progress.of(1)["old_limb"]["right"]


def test_two_open_notebooks_do_not_undo_each_other(tmp_path):
    first, second = Progress(tmp_path), Progress(tmp_path)
    first.keep(1, "a", "right", seed=1)
    second.keep(1, "b", "wrong", seed=1)
    assert set(Progress(tmp_path).of(1)) == {"a", "b"}


DAMAGED = (
    "", "[]", "{}", '{"lessons": {"1": {"a": {}}}}', '{"lessons": 3}',
    '{"lessons": {"1": {"a": {"tries": 1, "right": true, "mistakes": ["x"]}}}}',
)  # fmt: skip


@pytest.mark.parametrize("text", DAMAGED)
def test_a_damaged_file_is_explained_and_left_alone(tmp_path, text):
    path = tmp_path / "progress.json"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(ReportError, match="The file with your progress cannot be read"):
        Progress(tmp_path)
    assert path.read_text(encoding="utf-8") == text


def test_the_certificate_tells_what_was_done(tmp_path):
    lesson = start_lesson(1, folder=tmp_path)
    lesson.check("old_limb", 90)
    page = write_certificate(tmp_path).read_text(encoding="utf-8")
    assert "<td>begun</td><td>7</td><td>0</td><td>0</td><td>0</td><td>1</td>" in page
    for name, exercise in lesson.exercises.items():
        lesson.check(name, getattr(exercise, "truth", None) or exercise.right)
    assert "7 of 7 exercises done" in lesson.finish().hint
    page = write_certificate(tmp_path).read_text(encoding="utf-8")
    assert "<td>finished</td><td>7</td><td>7</td><td>0</td><td>0</td><td>8</td>" in page
    assert "<script" not in page
    assert "http" not in page


def test_the_command_writes_the_lessons_and_says_how_to_open_them(tmp_path):
    from typer.testing import CliRunner

    from analysis.__main__ import app

    told = CliRunner().invoke(app, ["lessons", "--to", str(tmp_path / "mine")])
    assert told.exit_code == 0, told.output
    assert "lab" in told.output
    assert "Begin with 00_start.ipynb" in told.output
    assert (tmp_path / "mine" / "1_what_did_we_measure.ipynb").is_file()


def test_a_guess_counts_as_a_guess_and_an_answer_after_the_solution_as_that(tmp_path):
    lesson = start_lesson(1, folder=tmp_path)
    lesson.guess("old_limb", 76.5)
    lesson.check("symmetry", 1)
    assert "The answer is" in lesson.solution("symmetry").hint
    lesson.check("symmetry", lesson.exercises["symmetry"].truth)
    name = list(lesson.exercises)[2]
    lesson.check(name, getattr(lesson.exercises[name], "truth", None) or lesson.exercises[name].right)
    lesson.solution(name)  # looked at after the answer: nothing is noted
    page = write_certificate(tmp_path).read_text(encoding="utf-8")
    assert "<td>begun</td><td>7</td><td>1</td><td>1</td><td>1</td>" in page
    assert "Of 60 exercises 1 was answered rightly without the solution, and a guess was made in 1." in page


def test_a_lesson_is_resumed_where_it_was_left(tmp_path):
    lesson = start_lesson(1, folder=tmp_path)
    assert "7 exercises wait for you" in lesson.resume().hint
    lesson.guess("old_limb", 90)
    again = start_lesson(1, folder=tmp_path)
    assert again.resume().hint == "Welcome back: 1 of 7 exercises done. Go on with exercise 2."
    assert "You guessed 90" in again.look_back("old_limb").hint
    with pytest.raises(NotAnsweredYet):
        start_lesson(1, seed=2, folder=tmp_path).look_back("old_limb")

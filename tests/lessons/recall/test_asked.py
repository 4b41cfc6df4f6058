"""Questions on earlier lessons and the quiz: drawn by seed, clicked, counted apart from the exercises."""

import re

import pytest

from analysis.errors import ReportError
from analysis.lessons import Progress, lesson_notebook, start_lesson, start_quiz, write_certificate
from analysis.lessons.feedback import NotAnsweredYet
from analysis.lessons.recall.bank import question_bank
from analysis.lessons.recall.draw import ABOUT, IN_THE_QUIZ, quiz_questions, recall_questions
from analysis.lessons.source import course_sources, lesson_outlines, read_cells
from analysis.report.running.notebooks import run_notebook


@pytest.mark.parametrize("seed", range(1, 21))
def test_lessons_and_quiz_ask_no_question_twice_and_lessons_only_of_earlier_ones(seed):
    drawn = [question for lesson in ABOUT for question in recall_questions(lesson, seed)]
    drawn += quiz_questions(seed)
    assert len(drawn) == len({question.name for question in drawn}) == 3 * 7 + 20
    for lesson in ABOUT:
        assert tuple(question.lesson for question in recall_questions(lesson, seed)) == ABOUT[lesson]
        assert max(ABOUT[lesson]) == lesson - 1
    quiz = [question.lesson for question in quiz_questions(seed)]
    assert {lesson: quiz.count(lesson) for lesson in IN_THE_QUIZ} == IN_THE_QUIZ


def test_another_seed_draws_others_and_the_same_seed_the_same():
    assert quiz_questions(3) == quiz_questions(3)
    assert len({tuple(one.name for one in quiz_questions(seed)) for seed in range(1, 11)}) == 10
    reached = {one.name for seed in range(1, 41) for one in quiz_questions(seed)}
    assert reached == {one.name for one in question_bank()}


def test_the_first_lesson_asks_nothing_of_earlier_ones(tmp_path):
    with pytest.raises(ReportError, match="There is no lesson with questions on earlier ones 1"):
        start_lesson(1, folder=tmp_path).recall()


@pytest.mark.parametrize("outline", lesson_outlines(), ids=lambda one: str(one.number))
def test_every_lesson_from_the_second_on_opens_with_them(outline):
    source = list(course_sources().values())[outline.number]
    codes = [cell.text for cell in read_cells(source.read_text(encoding="utf-8")) if cell.kind == "code"]
    assert [place for place, code in enumerate(codes) if code == "lesson.recall()"] == (
        [1] if outline.number > 1 else []
    )


def test_a_click_is_counted_apart_from_the_exercises(tmp_path):
    lesson = start_lesson(2, folder=tmp_path)
    boxes = lesson.recall().widget().children
    assert len(boxes) == 3
    question = recall_questions(2)[0]
    words, buttons, answer, said = boxes[0].children
    assert question.exercise.question in words.value
    wrong = next(letter for letter in question.exercise.options if letter != question.exercise.right)
    for letter in (wrong, question.exercise.right):
        buttons.value = letter
        answer.click()
    assert "Right." in said.value
    kept = Progress(tmp_path)
    assert list(kept.of("recall")) == [f"{question.name}, seed 1"]
    (one,) = kept.of("recall").values()
    assert (one["tries"], one["right"]) == (2, True)
    assert kept.of(2) == {}
    assert "5 exercises wait for you" in lesson.resume().hint
    page = write_certificate(tmp_path).read_text(encoding="utf-8")
    assert "<td>begun</td>" not in page
    assert start_lesson(2, folder=tmp_path).recall().widget().children[0].children[1].value == question.exercise.right


def test_a_wrong_answer_is_told_the_lesson_and_not_the_solution(tmp_path):
    asked = start_lesson(3, folder=tmp_path).recall()
    question = asked.questions[3]
    wrong = next(letter for letter in question.exercise.options if letter != question.exercise.right)
    told = asked.check(3, wrong)
    assert told.helps[-1] == "Lesson 1 tells."
    assert told.solution == asked.check(3, question.exercise.right).solution == ""
    assert asked.check(3, "z").verdict == "absurd"
    assert Progress(tmp_path).of("recall")[f"{question.name}, seed 1"]["tries"] == 2
    with pytest.raises(ReportError, match="There is no question 4"):
        asked.check(4, "a")
    with pytest.raises(NotAnsweredYet):
        asked.check(1, "")


def test_without_widgets_the_questions_and_what_to_write_are_shown(tmp_path, monkeypatch, capsys):
    asked = start_lesson(2, folder=tmp_path).recall(7)
    monkeypatch.setitem(__import__("sys").modules, "ipywidgets", None)
    asked._ipython_display_()
    shown = capsys.readouterr().out
    for number, question in asked.questions.items():
        assert f"{number}. {question.exercise.question}" in shown
        assert f'lesson.recall(7).check({number}, "a")' in shown


def answer(quiz, number, *, right):
    exercise = quiz.drawn[number - 1].exercise
    letter = exercise.right if right else next(one for one in exercise.options if one != exercise.right)
    return quiz.questions(number, number).check(number, letter)


def test_the_quiz_says_how_many_were_right_at_the_first_try_and_what_to_look_at_again(tmp_path):
    quiz = start_quiz(seed=2, folder=tmp_path)
    assert quiz.finish().hint == "None of the 20 questions is answered yet."
    for number in range(1, 19):
        answer(quiz, number, right=number not in (4, 9))
    answer(quiz, 4, right=True)
    again = sorted({quiz.drawn[3].lesson, quiz.drawn[8].lesson})
    assert len(again) == 2
    assert quiz.finish().hint == (
        "16 of 20 questions were right at the first try. Not answered yet: questions 19, 20. "
        f"Look again at lessons {again[0]}, {again[1]}."
    )
    answer(quiz, 19, right=True)
    answer(quiz, 20, right=True)
    assert start_quiz(seed=2, folder=tmp_path).finish().hint.startswith("18 of 20 questions")
    assert "Not answered" not in quiz.finish().hint
    assert all(Progress(tmp_path).of(lesson) == {} for lesson in IN_THE_QUIZ)


def test_the_quiz_with_another_seed_does_not_count_answers_of_the_first(tmp_path):
    quiz = start_quiz(seed=2, folder=tmp_path)
    for number in range(1, 21):
        answer(quiz, number, right=True)
    assert quiz.finish().hint == "20 of 20 questions were right at the first try."
    other = start_quiz(seed=3, folder=tmp_path)
    assert other.finish().hint == "None of the 20 questions is answered yet."
    again = next(number for number, one in enumerate(other.drawn, start=1) if one in quiz.drawn)
    answer(other, again, right=False)
    assert other.finish().hint.startswith("0 of 20 questions")
    assert quiz.finish().hint.startswith("20 of 20 questions")


@pytest.mark.slow
@pytest.mark.parametrize("version", ["learner", "instructor"])
def test_the_quiz_runs_from_top_to_bottom(tmp_path, version):
    notebook, failure = run_notebook(lesson_notebook(course_sources()["quiz"], version), {}, working_folder=tmp_path)
    assert failure is None
    numbers = [tuple(map(int, one)) for one in re.findall(r"questions\((\d+), (\d+)\)", str(notebook.cells))]
    assert numbers == [(1, 5), (6, 10), (11, 15), (16, 20)]

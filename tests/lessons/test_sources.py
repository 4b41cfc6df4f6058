"""The sources: derived by tags, plain words, short sentences, terms explained, the fifteen errors where they belong."""

import ast
import re

import pytest

from analysis.errors import ReportError
from analysis.lessons import lesson_notebook
from analysis.lessons.course.lesson_list import LESSONS
from analysis.lessons.glossary import glossary
from analysis.lessons.source import lesson_outlines, read_cells

from .lesson_runs import NUMBERS, cells_of, exercises_of, source_of, text_of

#: Which of the fifteen errors of residents is met in which lesson.
ERRORS = {1: (4, 13, 14), 2: (9,), 3: (10, 11), 4: (1, 2, 3), 5: (6, 7, 8), 6: (5,), 7: (12,), 8: (15,)}

#: Longest sentence, and longest mean of a lesson, in words.
LONGEST, LONGEST_MEAN = 30, 14


def sentences(number):
    text = re.sub(r"`[^`]*`", "code", text_of(number))
    text = re.sub(r"[*#>]|^- ?|<!--.*?-->", " ", text, flags=re.MULTILINE)
    found = [one for part in re.split(r"\n\s*\n|\n", text) for one in re.split(r"(?<=[.?!:])\s+", part)]
    return [one.split() for one in found if one.split()]


def test_every_source_has_its_lesson():
    assert sorted(LESSONS) == NUMBERS


def test_all_fifteen_errors_are_shared_out_once():
    assert sorted(ERRORS) == NUMBERS
    assert sorted(number for numbers in ERRORS.values() for number in numbers) == list(range(1, 16))


@pytest.mark.parametrize("number", NUMBERS)
def test_the_common_errors_are_where_they_belong(number):
    met = [int(one) for one in re.findall(r"\*\*Common error (\d+) of 15: ", text_of(number))]
    assert sorted(met) == sorted(ERRORS[number])


@pytest.mark.parametrize("number", NUMBERS)
def test_the_learner_has_no_answers(number):
    cells = lesson_notebook(source_of(number)).cells
    assert not any({"solution", "teaching-note"} & set(cell.metadata.get("tags", [])) for cell in cells)
    for cell in cells_of(number):
        if "solution" in cell.tags:
            assert not any(cell.text in one.source for one in cells)


@pytest.mark.parametrize("number", NUMBERS)
def test_the_instructor_has_solutions_notes_and_timing(number):
    cells = lesson_notebook(source_of(number), "instructor").cells
    tags = [tag for cell in cells for tag in cell.metadata.get("tags", [])]
    assert "exercise" not in tags
    assert tags.count("solution") == sum(
        "exercise" in cell.tags or "lesson.choose" in cell.text for cell in cells_of(number)
    )
    assert "Timing:" in text_of(number)
    assert "Timing:" not in text_of(number, notes=False)


@pytest.mark.parametrize("number", NUMBERS)
def test_the_instructor_has_two_questions_to_discuss_with_what_to_expect(number):
    cells = lesson_notebook(source_of(number), "instructor").cells
    (note,) = (cell.source for cell in cells if "To discuss:" in cell.source)
    assert re.findall(r"^> (\d)\. .+\? \*Expected:\* .+\.$", note, flags=re.MULTILINE) == ["1", "2"]
    assert all(line.startswith(">") for line in note.splitlines())
    assert "*Expected:*" not in str(lesson_notebook(source_of(number)).cells)


def test_numbers_of_the_expected_answers_are_right():
    assert f"at least one false alarm in {100 * (1 - 0.95**5):.0f} of 100 trials" in text_of(4)
    lower, upper = (100 * (0.6 + sign * 3 * (0.6 * 0.4 / 40) ** 0.5) for sign in (-1, 1))
    assert f"Around 60 % they lie near {lower:.0f} % and {upper:.0f} %" in text_of(8)


@pytest.mark.parametrize("number", NUMBERS)
def test_every_exercise_of_the_lesson_is_asked_in_order_and_has_a_solution(number):
    asked = {"exercise": [], "solution": []}
    for cell in cells_of(number):
        chosen = re.findall(r'lesson\.choose\("(\w+)"', cell.text)
        asked["exercise"] += chosen
        for tag in set(asked) & set(cell.tags):
            asked[tag] += re.findall(r'lesson\.(?:check|guess)\("(\w+)"', cell.text)
    assert asked["exercise"] == asked["solution"] == list(exercises_of(number))


@pytest.mark.parametrize("number", NUMBERS)
def test_cells_are_short_and_plain(number):
    for cell in cells_of(number):
        if cell.kind == "code":
            assert len(cell.text.splitlines()) <= 6
            heavy = (ast.FunctionDef, ast.ClassDef, ast.For, ast.While, ast.Try, ast.With, ast.Lambda)
            assert not any(isinstance(node, heavy) for node in ast.walk(ast.parse(cell.text))), cell.text


@pytest.mark.parametrize("number", NUMBERS)
def test_sentences_are_short(number):
    lengths = [len(words) for words in sentences(number)]
    longest = max(sentences(number), key=len)
    assert len(longest) <= LONGEST, " ".join(longest)
    assert sum(lengths) / len(lengths) <= LONGEST_MEAN


@pytest.mark.parametrize("number", NUMBERS)
def test_every_term_is_explained_where_it_first_comes_up_and_in_the_glossary(number):
    text = re.sub(r"`[^`]*`", "code", text_of(number, notes=False))
    bold = set(re.findall(r"\*\*([^*]+)\*\*", text))
    terms = {term.name for term in glossary() if term.lesson == number}
    assert terms == {one for one in bold if not re.match(r"Exercise|Common error|How it works|Begin here", one)}


def test_glossary_names_lessons_that_exist():
    assert {term.lesson for term in glossary()} <= set(NUMBERS)


@pytest.mark.parametrize("number", NUMBERS)
def test_a_caution_is_given(number):
    assert "treating clinician" in text_of(number, notes=False)


def test_a_source_that_is_not_closed_or_has_a_strange_tag_is_refused():
    with pytest.raises(ReportError, match="The last cell of code is not closed"):
        read_cells("```python\nanswer = 1")
    with pytest.raises(ReportError, match="The last teaching note is not closed"):
        read_cells("<!-- teaching-note -->\nwords")
    with pytest.raises(ReportError, match="There is no tag 'answer'"):
        read_cells("```python answer\n```", "7.md")
    with pytest.raises(ReportError, match="There is no version 'teacher'"):
        lesson_notebook(source_of(1), "teacher")


def test_outlines_are_those_of_the_lessons():
    said = [(lesson.number, lesson.title, lesson.exercises) for lesson in lesson_outlines()]
    assert said == [(number, lesson.title, exercises_of(number)) for number, lesson in LESSONS.items()]

"""The bank of questions: whole, one right answer each, all lessons, and numbers that are right."""

import re
from collections import Counter

import pytest

from analysis.lessons.course.lesson_list import LESSONS
from analysis.lessons.recall.bank import question_bank
from analysis.lessons.recall.draw import ABOUT, IN_THE_QUIZ

BANK = {question.name: question for question in question_bank()}

#: What the right option says, where it is a number that can be computed.
NUMBERS = {
    "share_of_a_share": 100 * 0.80 * 0.90,
    "share_between": 100 * 45 / (45 + 15),
    "after_the_bend": 4 + -3,
    "noise_of_a_change_score": 2 * (1 - 0.2),
    "twenty_looks": round(100 * (1 - 0.95**20)),
    "half_as_wide": 2**2,
    "intervals_that_miss": 100 - 95,
    "cost_of_a_split": 200 * 1.57,
    "denominator_of_responders": 100,
    "smallest_share": 100 * 60 / 200,
    "all_sessions_by_allocation": 0.12 / 0.60,
    "none_in_sixty": 100 * 3 / 60,
    "expected_of_its_patients": 40 * 0.75 + 60 * 0.50,
}


def test_the_bank_covers_every_lesson_with_more_than_is_asked():
    counts = Counter(question.lesson for question in BANK.values())
    assert len(BANK) >= 40
    assert set(counts) == set(LESSONS)
    asked = Counter(lesson for lessons in ABOUT.values() for lesson in lessons)
    assert all(counts[lesson] > asked[lesson] + IN_THE_QUIZ[lesson] for lesson in LESSONS)


def test_no_two_questions_are_alike():
    asked = [re.sub(r"\W+", " ", question.exercise.question.lower()) for question in BANK.values()]
    assert len(set(asked)) == len(asked)
    assert len({question.exercise.hint for question in BANK.values()}) == len(BANK)


@pytest.mark.parametrize("name", BANK)
def test_a_question_has_one_right_answer_and_says_something_to_each(name):
    exercise = BANK[name].exercise
    assert list(exercise.options) == list(exercise.said) == list("abcd")[: len(exercise.options)]
    assert len(exercise.options) >= 3
    assert len(set(exercise.options.values())) == len(set(exercise.said.values())) == len(exercise.options)
    assert [exercise.judge(letter).verdict for letter in exercise.said].count("right") == 1
    assert exercise.question.endswith(("?", ".")), exercise.question
    assert exercise.hint
    texts = (exercise.question, exercise.hint, *exercise.said.values())
    assert max(len(one.split()) for text in texts for one in re.split(r"(?<=[.?!])\s", text)) <= 30


def test_no_letter_is_the_right_one_too_often():
    right = Counter(question.exercise.right for question in BANK.values())
    assert max(right.values()) <= len(BANK) / 2
    assert min(right[letter] for letter in "abc") >= len(BANK) / 5


@pytest.mark.parametrize("name", NUMBERS)
def test_the_right_number_is_right_and_the_others_are_not(name):
    exercise = BANK[name].exercise
    found = {
        letter: float(re.search(r"[−-]?\d+(\.\d+)?", words)[0].replace("−", "-"))
        for letter, words in exercise.options.items()
        if re.search(r"\d", words)
    }
    near = [letter for letter, number in found.items() if number == pytest.approx(NUMBERS[name], rel=0.01)]
    assert near == [exercise.right]


def test_every_question_with_numbers_for_options_is_computed_here():
    numeric = {
        name
        for name, question in BANK.items()
        if sum(bool(re.match(r"[−-]?\d", words)) for words in question.exercise.options.values()) >= 2
    }
    assert numeric <= set(NUMBERS)

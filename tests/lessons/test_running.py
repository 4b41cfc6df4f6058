"""Notebooks run from a fresh kernel: the instructor's clean with any seed, the learner's to the first exercise."""

import re

import pytest

from analysis.lessons import Progress
from analysis.lessons.source import lesson_outlines

from .lesson_runs import LONG, NUMBERS, cells_of, run


def check_instructor(number, seed, folder):
    notebook, failure = run(number, "instructor", folder, seed)
    assert failure is None, failure
    check_digits(notebook)
    shown = [text for cell in notebook.cells if cell.cell_type == "code" for text in plain(cell)]
    assert not [text for text in shown if text.startswith(("≈", "!"))]
    done = Progress(folder, "instructor").of(number)
    assert set(done) == set(lesson_outlines()[number - 1].exercises)
    for one in done.values():
        assert (one["tries"], one["seed"], one["right"] or one["guess"]) == (1, seed, True), done
    assert not Progress(folder).path.exists()


def check_digits(notebook):
    """No cell shows numbers with more digits than a learner can read."""
    for cell in notebook.cells:
        for output in cell.get("outputs", []):
            for kind in ("text/plain", "text/html"):
                text = re.sub(r"data:image[^\"]+|<[^>]+>", " ", output.get("data", {}).get(kind, ""))
                assert not LONG.search(text), (cell.source, LONG.search(text))


def plain(cell):
    return [one["data"].get("text/plain", "") for one in cell.outputs if "data" in one]


@pytest.mark.slow
@pytest.mark.parametrize(("number", "seed"), [(n, s) for n in NUMBERS for s in (1, 2, 3)])
def test_every_lesson_runs_clean_for_the_instructor(tmp_path, number, seed):
    check_instructor(number, seed, tmp_path)


@pytest.mark.slow
@pytest.mark.parametrize("number", NUMBERS)
def test_the_learner_gets_to_the_first_exercise_and_is_asked_kindly(tmp_path, number):
    notebook, failure = run(number, "learner", tmp_path)
    assert failure.error == "NotAnsweredYet"
    assert failure.message.startswith("Your turn. ")
    stopped = next(
        cell for cell in notebook.cells if any(one.output_type == "error" for one in cell.get("outputs", []))
    )
    waits = ("look_back" in cell.text or "exercise" in cell.tags for cell in cells_of(number))
    first = next(cell for cell, may_stop in zip(cells_of(number), waits, strict=True) if may_stop)
    assert stopped.source == first.text
    (error,) = (one for one in stopped.outputs if one.output_type == "error")
    assert " ".join(error.traceback) == failure.message
    assert max(map(len, error.traceback)) <= 72
    (box,) = (one.data["text/html"] for one in stopped.outputs if "data" in one)
    assert "Your turn." in box
    assert "kneecurve-turn" in box

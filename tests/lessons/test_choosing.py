"""Questions answered by a click: options, keys, what is kept."""

import pytest

from analysis.errors import ReportError
from analysis.lessons import Progress, start_lesson
from analysis.lessons.feedback import NotAnsweredYet


def test_a_click_is_judged_and_kept_like_an_answer_in_words(tmp_path):
    lesson = start_lesson(1, folder=tmp_path)
    buttons, answer, said = lesson.choose("one_point_over").widget().children
    assert buttons.value is None
    answer.click()
    assert "Choose one first." in said.value
    assert Progress(tmp_path).of(1) == {}
    buttons.value = "a"
    answer.click()
    assert "Not yet." in said.value
    assert "You gave a." in said.value
    buttons.value = "c"
    answer.click()
    assert "Right." in said.value
    kept = Progress(tmp_path).of(1)["one_point_over"]
    assert (kept["tries"], kept["right"], kept["answer"]) == (2, True, "c")


def test_the_option_chosen_before_is_there_again(tmp_path):
    start_lesson(1, folder=tmp_path).check("one_point_over", "b")
    assert start_lesson(1, folder=tmp_path).choose("one_point_over").widget().children[0].value == "b"
    assert start_lesson(1, seed=2, folder=tmp_path).choose("one_point_over").widget().children[0].value is None


def test_a_guess_by_click_is_noted_and_not_judged(tmp_path):
    lesson = start_lesson(3, folder=tmp_path)
    with pytest.raises(NotAnsweredYet, match="Choose above, press Answer, and run this cell again"):
        lesson.look_back("worst")
    buttons, answer, said = lesson.choose("worst", guess=True).widget().children
    buttons.value = "b"
    answer.click()
    assert "Your guess is b." in said.value
    assert Progress(tmp_path).of(3)["worst"]["guess"]


def test_without_widgets_the_options_and_what_to_write_are_shown(tmp_path, monkeypatch, capsys):
    monkeypatch.setitem(__import__("sys").modules, "ipywidgets", None)
    start_lesson(1, folder=tmp_path).choose("one_point_over")._ipython_display_()
    shown = capsys.readouterr().out
    assert "c. The step is inside the error" in shown
    assert 'lesson.check("one_point_over", "a")' in shown


def test_a_number_cannot_be_chosen(tmp_path):
    with pytest.raises(ReportError, match="is a number"):
        start_lesson(1, folder=tmp_path).choose("old_limb")

"""Sliders: moved where widgets are, a still picture always."""

import re
import sys
from functools import cache

import pytest

SLIDERS = {
    2: "partial_pooling_slider",
    4: "interval_slider",
    5: "threshold_slider",
    6: "mechanism_slider",
    7: "following_slider",
    8: "quarter_size_slider",
}


@pytest.fixture(scope="module")
def slider_of(lesson_of):
    """Give the slider of a lesson; each is made once."""
    return cache(lambda number: getattr(lesson_of(number), SLIDERS[number])())


@pytest.mark.parametrize("number", [pytest.param(one, marks=pytest.mark.slow if one > 4 else ()) for one in SLIDERS])
def test_moving_the_slider_redraws_the_picture_and_the_sentence(slider_of, number):
    slider = slider_of(number)
    moved, picture, sentence = slider.widget().children
    before, words = bytes(picture.value), sentence.value
    moved.value = slider.values[-1]
    assert bytes(picture.value) != before
    assert bytes(picture.value).startswith(b"\x89PNG")
    assert sentence.value != words
    assert str(slider.values[-1]) in sentence.value


@pytest.mark.parametrize("number", [pytest.param(one, marks=pytest.mark.slow if one > 4 else ()) for one in SLIDERS])
def test_the_still_picture_is_shown_with_and_without_widgets(slider_of, number, monkeypatch):
    shown = []
    monkeypatch.setattr("IPython.display.display", shown.append)
    slider = slider_of(number)
    slider._ipython_display_()
    assert len(shown) == 2
    assert "All steps in one still picture" in shown[1].data
    shown.clear()
    monkeypatch.setitem(sys.modules, "ipywidgets", None)
    slider._ipython_display_()
    assert shown == [slider.still]


@pytest.mark.parametrize("number", SLIDERS)
def test_the_sentence_of_the_still_picture_names_every_step(slider_of, number):
    slider = slider_of(number)
    alt = re.sub(r"[,.;]", " ", slider.still.alt)
    assert all(f" with {value} " in alt or f" ({value}) " in alt for value in slider.values)

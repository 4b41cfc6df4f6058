"""Sliders: moved where widgets are, a still picture always."""

import base64
import io
import re
import sys
from functools import cache

import pytest
from PIL import Image

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
    moved, picture = slider.widget().children
    before, sentence = picture_of(picture), sentence_of(picture)
    moved.value = slider.values[-1]
    assert picture_of(picture) != before
    assert picture_of(picture).startswith(b"\x89PNG")
    assert sentence_of(picture) != sentence
    assert str(slider.values[-1]) in sentence_of(picture)
    assert sentence_of(picture) in picture.value.split(">")[0]  # the alternative text of the picture


def test_pictures_of_a_slider_are_twice_as_sharp_as_those_of_a_report(slider_of):
    slider = slider_of(2)
    sharp = Image.open(io.BytesIO(picture_of(slider.widget().children[1])))
    plain = Image.open(io.BytesIO(slider.draw(slider.values[slider.start]).png()))
    assert sharp.size == (2 * plain.width, 2 * plain.height)


def picture_of(box):
    return base64.b64decode(re.search(r"base64,([^\"]+)", box.value)[1])


def sentence_of(box):
    return re.search(r"<p role=\"status\">(.*?)</p>", box.value)[1]


@pytest.mark.parametrize("number", [pytest.param(one, marks=pytest.mark.slow if one > 4 else ()) for one in SLIDERS])
def test_the_still_picture_is_shown_with_and_without_widgets(slider_of, number, monkeypatch):
    shown, waited = [], []

    class Waiting:
        update = staticmethod(lambda page: waited.append(page.data))

    monkeypatch.setattr("IPython.display.display", lambda one, display_id=False: shown.append(one) or Waiting())
    slider = slider_of(number)
    slider._ipython_display_()
    assert len(shown) == 4
    assert len(waited) == len(slider.values) + 1
    assert f"drawn: {len(slider.values)} of {len(slider.values)}." in waited[-2]
    assert waited[-1] == ""
    assert "aria-valuetext" in shown[2].data
    assert f'" {slider.unit}"' in shown[2].data.replace("'", '"') or not slider.unit
    assert "All steps in one still picture" in shown[3].data
    shown.clear()
    monkeypatch.setitem(sys.modules, "ipywidgets", None)
    slider._ipython_display_()
    assert shown == [slider.still]


@pytest.mark.parametrize("number", SLIDERS)
def test_the_sentence_of_the_still_picture_names_every_step(slider_of, number):
    slider = slider_of(number)
    alt = re.sub(r"[,.;]", " ", slider.still.alt)
    assert all(f" with {value} " in alt or f" ({value}) " in alt for value in slider.values)

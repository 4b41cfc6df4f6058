"""Parts that figures share: how panels and the axis of weeks are laid out."""

import pytest

from analysis.report.parts.axes import panel_grid, week_axis
from analysis.report.parts.look import new_drawing


@pytest.mark.parametrize(
    ("n", "width", "shape", "height"),
    [(1, "wide", (1, 1), 2.5), (3, "wide", (1, 3), 2.5), (4, "wide", (2, 3), 4.5), (4, "narrow", (4, 1), 8.5)],
)
def test_panels_stand_in_rows_and_places_left_over_stay_empty(n, width, shape, height):
    drawing, panels = panel_grid(n, width, above=0.5, height=2.0)
    assert panels.shape == shape
    assert drawing.get_figheight() == height
    assert [axes.axison for axes in panels.flat] == [True] * n + [False] * (panels.size - n)


def test_a_day_that_is_no_whole_week_has_its_name_on_the_axis():
    drawing = new_drawing("wide", 2)
    axes = drawing.add_subplot()
    week_axis(axes, [0, 3 / 7, 10 / 7, 2.5, 6], inches=6.5)
    assert [label.get_text() for label in axes.get_xticklabels()] == ["0", "day\n3", "day\n10", "2.5", "6"]

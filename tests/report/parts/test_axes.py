"""Parts that figures share: how panels are laid out."""

import pytest

from analysis.report.parts.axes import panel_grid


@pytest.mark.parametrize(
    ("n", "width", "shape", "height"),
    [(1, "wide", (1, 1), 2.5), (3, "wide", (1, 3), 2.5), (4, "wide", (2, 3), 4.5), (4, "narrow", (4, 1), 8.5)],
)
def test_panels_stand_in_rows_and_places_left_over_stay_empty(n, width, shape, height):
    drawing, panels = panel_grid(n, width, above=0.5, height=2.0)
    assert panels.shape == shape
    assert drawing.get_figheight() == height
    assert [axes.axison for axes in panels.flat] == [True] * n + [False] * (panels.size - n)

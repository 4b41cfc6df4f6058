"""Figures of the lessons: the look of the reports, with a sentence and a table that say the same."""

from collections.abc import Callable
from typing import Any

import pandas as pd

from analysis.lessons.lesson_table import LessonTable, lesson_table
from analysis.report.parts.figures import Figure
from analysis.report.parts.look import Width, new_drawing, quiet_grid


def lesson_figure(
    title: str,
    alt: str,
    data: pd.DataFrame,
    draw: Callable[[Any], None],
    *,
    caption: str = "",
    height: float = 3.0,
    panels: int = 1,
) -> Figure:
    """Make a figure from a function that draws on axes.

    Parameters
    ----------
    title : str
        What is drawn.
    alt : str
        A sentence that states, with numbers, what is seen.
    data : pandas.DataFrame
        The numbers drawn; a table made by :func:`analysis.lessons.lesson_table.lesson_table` keeps its units.
    draw : callable
        Takes the axes, or the array of axes where there are several panels.
    caption : str
        What a reader must know.
    height : float
        Inches, of one panel.
    panels : int
        Panels, side by side on a desk and below each other on a phone.

    Returns
    -------
    Figure
        It shows itself in a notebook.
    """

    def drawing(width: Width) -> Any:
        wide = width == "wide"
        made = new_drawing(width, height if wide or panels == 1 else height * panels * 0.8)
        axes: Any = made.subplots(1, panels) if wide else made.subplots(panels, 1)
        for one in [axes] if panels == 1 else axes:
            quiet_grid(one)
        draw(axes)
        return made

    numbers = data.copy() if isinstance(data, LessonTable) else lesson_table(data, "", {})
    numbers.caption = f"Numbers of: {title}."
    return Figure(title.lower().replace(" ", "_"), title, caption, alt, numbers.as_table(), drawing)

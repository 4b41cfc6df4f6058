"""Tables and numbers as learners see them: with their unit and few digits. The numbers themselves are not rounded."""

from __future__ import annotations

import sys
from collections.abc import Callable, Mapping
from typing import Any

import pandas as pd

from analysis.report.parts import numbers
from analysis.report.parts.tables import Column, Table


class LessonTable(pd.DataFrame):
    """A data frame that shows itself with a caption, units and few digits; made by :func:`lesson_table`.

    Columns keep their names, so that code works on it as on any data frame; only what is shown differs.
    """

    _metadata = ["caption", "shown"]  # noqa: RUF012 - the name and kind pandas asks for
    caption: str
    shown: dict[str, tuple[str, int]]

    @property
    def _constructor(self) -> Callable[..., LessonTable]:
        return LessonTable

    def as_table(self) -> Table:
        """Return the table as text cells, headed by the names of the columns and their units."""
        shown = getattr(self, "shown", None) or {}
        texts: dict[str, list[str]] = {}
        columns = []
        for name in map(str, self.columns):
            unit, decimals = shown.get(name, ("", None))
            values = self[name]
            words = pd.api.types.is_numeric_dtype(values) and not pd.api.types.is_bool_dtype(values)
            texts[name] = [_cell(value, name, decimals) for value in values]
            columns.append(Column(name, f"{name} ({unit})" if unit else name, "right" if words else "text"))
        return Table(pd.DataFrame(texts), getattr(self, "caption", None) or "", tuple(columns))

    def _repr_mimebundle_(self, include: object = None, exclude: object = None) -> dict[str, str]:  # noqa: ARG002
        table = self.as_table()
        # notebooks set every cell to the right; words read better from the left
        page = table.to_html().replace('class="left"', 'class="left" style="text-align:left"')
        page = page.replace("<caption>", '<caption style="text-align:left;white-space:nowrap">')
        return {"text/plain": str(table), "text/html": page}


def lesson_table(
    frame: pd.DataFrame, caption: str, units: Mapping[str, str], decimals: int | Mapping[str, int] = 1
) -> LessonTable:
    """Give a data frame a caption, units and a number of decimals for a learner.

    Parameters
    ----------
    frame : pandas.DataFrame
        The numbers.
    caption : str
        What is in it, a short sentence.
    units : mapping of str to str
        Unit of each column of numbers; empty for none. Other columns are shown as they are, with four digits at most.
    decimals : int or mapping of str to int
        Decimals of the columns with units.

    Returns
    -------
    LessonTable
        The same numbers; parts of it (``head``, ``query``) keep caption and units.

    Examples
    --------
    >>> table = lesson_table(pd.DataFrame({"change": [-1.23456]}), "Changes.", {"change": "points"})
    >>> print(table.as_table())
    Changes.
    change (points)
               -1.2
    >>> table["change"].item()
    -1.23456
    """
    made = LessonTable(frame)
    made.caption = caption
    made.shown = {
        name: (unit, decimals if isinstance(decimals, int) else decimals.get(name, 1)) for name, unit in units.items()
    }
    return made


def few_digits(value: float) -> str:
    """Show a number with four digits, or as a whole number where it is large.

    Examples
    --------
    >>> few_digits(0.40573484), few_digits(12345.6), few_digits(54.0)
    ('0.4057', '12346', '54')
    """
    return f"{value:.0f}" if 1e4 <= abs(value) < 1e15 else f"{value:.4g}"


def show_few_digits() -> None:
    """Let the notebook of a learner show numbers with few digits; elsewhere nothing is changed."""
    shell = sys.modules["IPython"].get_ipython() if "IPython" in sys.modules else None
    formatter = getattr(shell, "display_formatter", None)
    if formatter is None:
        return
    import numpy as np

    plain = formatter.formatters["text/plain"]
    for kind in (float, np.float64):
        plain.for_type(kind, lambda value, printer, _cycle: printer.text(few_digits(value)))
    pd.set_option("display.precision", 3)


def _cell(value: Any, name: str, decimals: int | None) -> str:
    if numbers.is_missing(value):
        return numbers.MISSING
    if name == "p_value":
        return numbers.p_value(value)
    if not isinstance(value, float) or isinstance(value, bool):
        return str(value)
    # a plain hyphen, so that a number can be copied into a cell of code
    return few_digits(value) if decimals is None else f"{value:.{decimals}f}"

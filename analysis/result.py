"""What every result shares: it shows itself, as text and in a notebook, by a headline, a short table and notes."""

import html
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
import pandas as pd

from analysis.counted import counted, form
from analysis.foreign_text import visible

#: Rows shown of a table at most, and of all tables of a result together; the tables themselves are whole.
_ROWS_SHOWN, _ROWS_IN_ALL = 12, 16
_NOTES_SHOWN = 8
#: Cells are cut to this length in plain text, where a long one would push all others out of sight.
_LONGEST_CELL = 100
#: Columns that are said once, below the table, where all rows agree.
_SAID_ONCE = ("level", "method", "adjust")


class Result:
    """Base of the results.

    Subclasses are frozen data classes (with ``repr=False``); their fields that are data frames are shown under their
    names, in the order of definition, apart from the names in ``hidden``: of the first one twelve rows, and the others
    whole where they are short; one that does not fit is named with its number of rows. Notes are shown below.
    """

    #: Frames with one row a patient, which a result does not show by itself.
    hidden = ("patients", "people")

    def _headline(self) -> str:
        return type(self).__name__

    def _shown_tables(self) -> Mapping[str, pd.DataFrame]:
        """Give the tables by what is typed after the dot to have them whole."""
        named = {one.name: getattr(self, one.name) for one in fields(self) if one.name not in self.hidden}  # type: ignore[arg-type]
        return {name: value for name, value in named.items() if isinstance(value, pd.DataFrame)}

    def _shown_notes(self) -> Sequence[str]:
        return ()

    def __repr__(self) -> str:
        shown, named = _chosen(self._shown_tables())
        lines = [visible(self._headline())]
        for caption, cells in shown:
            text = cells.map(lambda cell: cell if len(cell) <= _LONGEST_CELL else f"{cell[: _LONGEST_CELL - 3]}...")
            lines += ["", caption, text.to_string(index=False)]
        below = [*named, *_first(self._shown_notes())]
        return "\n".join([*lines, *([""] if shown and below else []), *(visible(line) for line in below)])

    def _repr_html_(self) -> str:
        shown, named = _chosen(self._shown_tables())
        tables = "".join(_html_table(caption, cells) for caption, cells in shown)
        below = "".join(f"<li>{html.escape(visible(line))}</li>" for line in [*named, *_first(self._shown_notes())])
        return (
            f"<section><p><strong>{html.escape(visible(self._headline()))}</strong></p>{tables}"
            f"{f'<ul>{below}</ul>' if below else ''}</section>"
        )


@dataclass(frozen=True, eq=False, repr=False, kw_only=True)
class ResultWithNotes(Result):
    """Base of the results that hold sentences which belong beside their numbers.

    Attributes
    ----------
    notes : tuple of str
        What was counted or fitted, what was assumed and left out, why numbers are missing, cautions.
    """

    notes: tuple[str, ...]

    def _shown_notes(self) -> Sequence[str]:
        return self.notes


def patients_have(count: int, total: int, what: str) -> str:
    """Say how many of the patients have something, in a sentence; one of them has it.

    Examples
    --------
    >>> patients_have(1, 12, "no entry"), patients_have(2, 1200, "no entry")
    ('Of 12 patients 1 has no entry.', 'Of 1,200 patients 2 have no entry.')
    """
    if total == 1:
        return f"The one patient has {what}."
    return f"Of {total:,} patients {count:,} {form(count, 'has')} {what}."


def _chosen(tables: Mapping[str, pd.DataFrame]) -> tuple[list[tuple[str, pd.DataFrame]], list[str]]:
    """Give the tables shown, as caption and cells, and a line for each that has no room."""
    shown: list[tuple[str, pd.DataFrame]] = []
    named, room = [], _ROWS_IN_ALL
    for name, table in tables.items():
        rows = len(table)
        if not rows or (shown and rows > room):
            named.append(f"{name}: {counted(rows, 'row')}")
            continue
        once = [
            column
            for column in _SAID_ONCE
            if column in table and rows > 1 and (table[column] == table[column].iloc[0]).all()
        ]
        rest = table.drop(columns=once).head(_ROWS_SHOWN)
        said = [f"{column} {_cell(table[column].iloc[0])}" for column in once]
        count = f": {_ROWS_SHOWN} of {rows:,} rows" if rows > _ROWS_SHOWN else ""
        shown.append(("; ".join([f"{name}{count}", *said]), _as_text(rest)))
        room -= min(rows, _ROWS_SHOWN)
    return shown, named


def _first(notes: Sequence[str]) -> list[str]:
    more = len(notes) - _NOTES_SHOWN
    return [*notes[:_NOTES_SHOWN], *([f"and {more} more of these notes"] if more > 0 else [])]


def _as_text(table: pd.DataFrame) -> pd.DataFrame:
    """Write every cell as a reader sees it; an index with a name becomes the first columns."""
    table = table.reset_index(drop=table.index.names == [None])
    cells = [[_cell(value) for value in row] for row in table.itertuples(index=False, name=None)]
    return pd.DataFrame(cells, columns=[visible(str(name)) for name in table.columns], dtype="str")


def _cell(value: Any) -> str:
    if isinstance(value, float | np.floating):
        return _number(float(value))
    if value is None or value is pd.NA or value is pd.NaT:
        return "-"
    if isinstance(value, tuple | list):
        return ", ".join(_cell(one) for one in value)
    return visible(str(value))


def _number(value: float) -> str:
    if np.isnan(value):
        return "-"
    if value.is_integer() and abs(value) < 1e15:
        return f"{value:.0f}"
    return f"{value:.1f}" if abs(value) >= 1000 else f"{value:.4g}"


def _html_table(caption: str, cells: pd.DataFrame) -> str:
    head = "".join(f'<th scope="col">{html.escape(name)}</th>' for name in cells.columns)
    body = "".join(
        f'<tr><th scope="row">{html.escape(first)}</th>{"".join(f"<td>{html.escape(cell)}</td>" for cell in rest)}</tr>'
        for first, *rest in cells.itertuples(index=False, name=None)
    )
    return (
        f"<table><caption>{html.escape(caption)}</caption><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"
    )

"""How tables and pictures stand on paper: widths of columns, tables too wide for it, pictures too tall."""

import struct
from dataclasses import replace

from analysis.report.parts.tables import Table

#: A picture that begins so is PNG.
PNG = b"\x89PNG"
#: A longer cell wraps, in parts of the row.
_LONGEST_CELL = 0.34
#: What the space beside a cell takes, in characters.
_ROUND_A_CELL = 3.0
#: What a word of a heading is wider, in characters.
_BOLD = 2.0
#: Characters in a row of a table on paper at the usual size.
USUAL_WIDTH = 100.0
#: Letters in a row of a table on paper, at the smallest size; a wider table of many columns is cut into parts.
_WIDEST, _FEWEST_TO_CUT = 143, 8
#: A taller picture would not leave room for its caption on a page, in widths of the text.
_TALLEST = 1.2


def column_widths(table: Table, letters: float = USUAL_WIDTH) -> list[float]:
    """Share the width of so many letters by the longest cell of each column; text wraps before words are broken.

    Gives weights. Columns of numbers, and the longest word of every column, keep their width.
    """
    wanted, least = _wanted(table, letters), _least(table, letters)
    room, spare = letters - sum(least), sum(wanted) - sum(least)
    if room >= spare:
        return wanted
    share = max(room, 0.0) / spare if spare else 0.0
    return [low + (high - low) * share for low, high in zip(least, wanted, strict=True)]


def fits(table: Table, letters: float) -> bool:
    """Say whether a table stands in a width of so many letters without a broken word or number."""
    return sum(_least(table, letters)) <= letters


def _least(table: Table, letters: float) -> list[float]:
    """Give the width that each column needs, in characters."""
    wanted, rows = _wanted(table, letters), table.rows()
    least = []
    for position, column in enumerate(table.columns):
        words = [float(len(word)) for row in rows for word in row[position].split()]
        words += [len(word) + _BOLD for word in column.label.split()]
        longest = max(words, default=1) + _ROUND_A_CELL
        least.append(max(longest, wanted[position]) if column.numeric else min(longest, wanted[position]))
    return least


def in_parts(table: Table) -> list[Table]:
    """Cut a table that is too wide for paper into parts side by side; each repeats the first column."""
    wanted = _wanted(table, USUAL_WIDTH)
    if sum(wanted) <= _WIDEST or len(wanted) < _FEWEST_TO_CUT:
        return [table]
    count = -(-int(sum(wanted[1:])) // int(_WIDEST - wanted[0]))
    size = -(-(len(wanted) - 1) // count)
    starts = range(1, len(wanted), size)
    return [
        replace(
            table,
            caption=f"{table.caption} Part {number} of {len(starts)}.",
            columns=(table.columns[0], *table.columns[start : start + size]),
        )
        for number, start in enumerate(starts, start=1)
    ]


def width_on_paper(picture: bytes) -> float:
    """Give the share of the width of the text at which a PNG fits on a page with its caption; 1 for other pictures."""
    width, height = struct.unpack(">II", picture[16:24]) if picture[:4] == PNG else (1, 1)
    return min(1.0, _TALLEST * width / height)


def _wanted(table: Table, letters: float) -> list[float]:
    """Give the longest cell of each column, within bounds, in characters, with the space beside it."""
    wanted, rows = [], table.rows()
    for position, column in enumerate(table.columns):
        words = max((len(word) + _BOLD for word in column.label.split()), default=1.0)
        longest = max([words, len(column.label) / 2, *(len(row[position]) for row in rows)])
        wanted.append(min(longest, _LONGEST_CELL * letters) + _ROUND_A_CELL)
    return wanted

"""Headers of several rows: how many rows they have, and the one name that each column gets from them."""

from __future__ import annotations

import re
from collections.abc import Sequence

#: Rows that a header may have, at most (design choice).
MOST_HEADER_ROWS = 5
_NUMBER = re.compile(r"\s*[<>≤≥]?\s*[+-]?\d+(?:[.,]\d+)?\s*")
#: Of the cells of a column below a header so many are numbers, where it is a column of numbers (design choice).
_MOSTLY = 0.6


def joined_header(rows: Sequence[Sequence[str]]) -> list[str]:
    """Join the rows of a header into one name a column, with a blank between its parts.

    An empty cell is one merged with its left neighbour, where none of the rows above begins a new one there; in the last row an
    empty cell adds nothing.

    Examples
    --------
    >>> joined_header([["id", "Week 6", "", "Age"], ["", "pain", "flexion", ""]])
    ['id', 'Week 6 pain', 'Week 6 flexion', 'Age']
    """
    width = max(map(len, rows))
    own = [[cell.strip() for cell in row] + [""] * (width - len(row)) for row in rows]
    carried = [list(row) for row in own]
    for depth, row in enumerate(carried[:-1]):
        for i in range(1, width):
            if (
                not row[i]
                and not any(above[i] for above in own[:depth])
                and any(below[i] for below in own[depth + 1 :])
            ):
                row[i] = row[i - 1]
    parts = [dict.fromkeys(row[i] for row in carried if row[i]) for i in range(width)]
    return [" ".join(part) for part in parts]


def count_header_rows(rows: Sequence[Sequence[str]]) -> int:
    """Say how many of the first rows of a table are its header, from what stands below them: one, where nothing tells more.

    A row belongs to the header where columns of numbers have a text in it, and none of them a number.

    Examples
    --------
    >>> count_header_rows([["id", "Week 6", ""], ["", "pain", "flexion"], ["a", "3", "90"], ["b", "4", "95"]])
    2
    """
    count = 1
    for i in range(1, min(MOST_HEADER_ROWS, len(rows) - 1)):
        below = [row for row in rows[i + 1 :] if row]
        columns = [
            j for j in range(len(rows[0]))
            if (cells := [row[j] for row in below if j < len(row) and row[j].strip()])
            and sum(_NUMBER.fullmatch(cell) is not None for cell in cells) >= _MOSTLY * len(cells)
        ]  # fmt: skip
        here = [rows[i][j].strip() if j < len(rows[i]) else "" for j in columns]
        texts = [cell for cell in here if any(letter.isalpha() for letter in cell) and not _is_missing(cell)]
        if (
            any(_NUMBER.fullmatch(cell) for cell in here)
            or not texts
            or 2 * len(texts) < sum(bool(cell) for cell in here)
        ):
            break
        count = i + 1
    return count


def _is_missing(cell: str) -> bool:
    return re.match(r"n\W?a\b|n\W?d\b|not |missing|null|nan\b|unknown|refused", cell, re.IGNORECASE) is not None

"""What reading one file may take: time, memory, cells and unpacked bytes, each from the size of the file.

Every number is a design choice; its reason stands beside it. A file that needs more is damaged, or made to fill the memory.
CSV files are read as a stream, in this process: time and memory grow with their bytes alone, but for what is limited here.
"""

from __future__ import annotations

from dataclasses import dataclass

from analysis.errors import CohortError

#: Most cells of one table, whatever the size of its file.
MOST_CELLS = 1 << 31
#: Rows of a CSV file whose cells do not fit the header, kept to name them: 300 bytes each, where an empty line is one byte.
MOST_RAGGED = 2_000_000
#: Most bytes of a map, a descriptor, rules or a record: texts written by hand or a line a column, of a few kilobytes.
MOST_SETTINGS_BYTES = 16 << 20
#: Tables within tables of such a text; the descriptor of a cohort has seven.
DEEPEST_SETTINGS = 100
#: A column of one value packs to nearly nothing, so a small file may hold much: as much as any laptop has free.
_MEMORY, _UNPACKED, _SECONDS = 1 << 30, 16 << 20, 60.0
#: Beyond that for each byte: a cell takes a byte or more in SPSS, Stata and SAS files that are not packed, and 32 bytes as a
#: number of Python; Parquet packed 26 million whole numbers below 100 by 5.
_MEMORY_A_BYTE = 64
#: A workbook packed sheets of numbers by 6 to 16; the packing could do 1,000 (zlib's manual, from memory).
_UNPACKED_A_BYTE = 100
#: No workbook unpacks to more, whatever its size: 1,048,576 rows of 30 numbers take about 1 GB.
_MOST_UNPACKED = 2 << 30
#: A megabyte of a workbook took 2 to 6 seconds, one of the other formats 0.2 at most; slow machines take five times as long.
_SECONDS_A_MEGABYTE = 30.0
#: A cell takes at least so many bytes in a table.
_BYTES_A_CELL = 8


@dataclass(frozen=True)
class Limits:
    """What reading may take: ``memory`` in bytes, beside that of the program itself, ``unpacked`` in bytes of an archive."""

    seconds: float
    memory: int
    cells: int
    unpacked: int


def limits_of(size: int) -> Limits:
    """Give what reading a file of so many bytes may take.

    Examples
    --------
    >>> limits_of(1 << 20)
    Limits(seconds=90.0, memory=1140850688, cells=142606336, unpacked=121634816)
    """
    memory = _MEMORY + _MEMORY_A_BYTE * size
    return Limits(
        seconds=_SECONDS + _SECONDS_A_MEGABYTE * size / (1 << 20),
        memory=memory,
        cells=min(MOST_CELLS, memory // _BYTES_A_CELL),
        unpacked=min(_MOST_UNPACKED, _UNPACKED + _UNPACKED_A_BYTE * size),
    )


def too_many_cells(place: str, rows: int, columns: int) -> CohortError:
    """Give the error for a table of more cells than a file of its size may hold."""
    return CohortError(
        f"The file says that it holds {rows:,} rows of {columns:,} columns, more than the kit reads of a file of its size.",
        where=place,
        what_to_do="Check where the file comes from; export the columns and rows that are needed.",
    )

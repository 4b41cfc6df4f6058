"""What runs in a process of its own: it reads a file with the library of its format, and hands the cells over in portions.

:mod:`analysis.cohort.files.reading_apart` starts it by its path and talks with it through pipes, in pickles. It imports
nothing of the kit, so that it starts in a quarter of a second, and it writes nothing anywhere.
"""

from __future__ import annotations

import datetime as dt
import importlib
import math
import os
import pickle
import signal
import sys
import time
import warnings
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from pathlib import Path
from threading import Timer
from typing import Any, BinaryIO

#: Seconds without a request after which the process ends (design choice).
_IDLE = 60.0
#: Cells of a portion, roughly (design choice): 160 MB as objects of Python.
_PORTION = 4_000_000
#: Rows of a worksheet, at most (ECMA-376 names no limit; that of the program most of them come from, from memory).
_MOST_ROWS = 1 << 20
_MOST_WARNINGS = 20
_STATISTICS = {
    ".sav": "read_sav",
    ".zsav": "read_sav",
    ".dta": "read_dta",
    ".sas7bdat": "read_sas7bdat",
    ".xpt": "read_xport",
}


class Refusal(Exception):  # noqa: N818 - the kit makes an error of it
    """The file is not read, for a reason that the kit puts into words."""


def parquet(file: str, *, further: Sequence[str] = (), columns: list[str] | None, cells: int) -> Iterator[bytes]:
    """Give the rows of a file, and of further ones, as Arrow streams; of each file the first stream has no row, all others have.

    Of ``columns`` those that there are are read, or all.
    """
    import pyarrow as pa
    from pyarrow import parquet as arrow_parquet

    for one in (file, *further):
        with arrow_parquet.ParquetFile(one) as source:
            schema = source.schema_arrow
            chosen = [name for name in schema.names if columns is None or name in columns]
            schema = schema if columns is None else pa.schema([schema.field(name) for name in chosen])
            width = max(1, len(schema))
            _refuse_too_many(source.metadata.num_rows, width, cells)
            cells -= source.metadata.num_rows * width
            nested = [field.name for field in schema if pa.types.is_nested(field.type)]
            if nested:
                raise Refusal("nested", nested[0])
            yield _stream(schema.empty_table())
            at_once = max(1, min(1 << 18, _PORTION // width))
            for batch in source.iter_batches(at_once, columns=None if columns is None else chosen):
                table = pa.Table.from_batches([batch])
                table.validate(full=True)
                if len(table):
                    yield _stream(table)


def _stream(table: Any) -> bytes:
    import pyarrow as pa

    sink = pa.BufferOutputStream()
    with pa.ipc.new_stream(sink, table.schema) as writer:
        writer.write_table(table)
    return bytes(sink.getvalue().to_pybytes())


def workbook(file: str, *, sheet: str | None, cells: int) -> Iterator[Any]:
    """Give the names of the sheets, then rows with a cell, each with its number from 1; no row where none is chosen."""
    import openpyxl

    with Path(file).open("rb") as stream:
        book = openpyxl.load_workbook(stream, read_only=True, data_only=True, keep_links=False)
        try:
            names = [one.title for one in book.worksheets]
            yield names
            name = names[0] if sheet is None and len(names) == 1 else sheet
            if name in names:
                table = book[name]
                table.reset_dimensions()
                yield from _rows(table.iter_rows(values_only=True), cells)
        finally:
            book.close()


def _rows(rows: Iterator[tuple[Any, ...]], most: int) -> Iterator[list[tuple[int, tuple[Any, ...]]]]:
    held: list[tuple[int, tuple[Any, ...]]] = []
    widest = kept = cells = 0
    for number, row in enumerate(rows, 1):
        if number > _MOST_ROWS:
            raise Refusal("rows", number)
        width = next((i for i in range(len(row), 0, -1) if row[i - 1] is not None), 0) if row else 0
        if not width:
            continue
        kept, widest, cells = kept + 1, max(widest, width), cells + width
        _refuse_too_many(kept, widest, most)
        held.append((number, row[:width]))
        if cells > _PORTION:
            yield held
            held, cells = [], 0
    yield held


def sheets(file: str, *, cells: int) -> Iterator[list[str]]:
    """Give the names of the sheets of a workbook."""
    yield next(workbook(file, sheet=None, cells=cells))


def statistics(file: str, *, encoding: str | None, catalog: str | None, cells: int) -> Iterator[Any]:
    """Give the columns by name, a portion of rows after the other; at the end the value labels."""
    import pyreadstat

    ending = Path(file).suffix.lower()
    read = getattr(pyreadstat, _STATISTICS[ending])
    _, header = read(file, metadataonly=True, encoding=encoding, output_format="dict")
    rows, columns = header.number_rows or 0, max(1, len(header.column_names))
    _refuse_too_many(rows, columns, cells)
    options = {"catalog_file": catalog} if catalog is not None and ending == ".sas7bdat" else {}
    at_once = max(1, _PORTION // columns)
    whole = rows <= at_once  # or it is not said how many there are
    labels: dict[str, dict[Any, str]] = {}
    for start in range(0, max(1, rows), max(1, rows) if whole else at_once):
        data, about = read(
            file, dates_as_pandas_datetime=True, encoding=encoding, output_format="dict", row_offset=start,
            row_limit=0 if whole else at_once, **options,
        )  # fmt: skip
        labels = about.variable_value_labels
        yield {str(name): _packed(values, about.readstat_variable_types.get(name, "")) for name, values in data.items()}
    yield labels


def _packed(values: list[Any], kind: str) -> Any:
    """Put numbers and times into arrays; texts, and times of the day without a date, stay a list."""
    import numpy as np

    first = next((value for value in values if value is not None), None)
    if kind == "string" or isinstance(first, str | dt.time):
        return values
    if isinstance(first, dt.datetime | dt.date):
        return np.array(values, dtype="datetime64[us]")
    if first is None:
        return np.full(len(values), np.nan)
    whole = kind.startswith("int") and None not in values
    return np.array(values, dtype=np.int64 if whole else np.float64)


def _refuse_too_many(rows: int, columns: int, cells: int) -> None:
    if rows * max(1, columns) > cells:
        raise Refusal("cells", rows, columns)


_KINDS: dict[str, tuple[str, Callable[..., Iterator[Any]]]] = {
    "parquet": ("pyarrow.parquet", parquet),
    "workbook": ("openpyxl", workbook),
    "sheets": ("openpyxl", sheets),
    "statistics": ("pyreadstat", statistics),
}


def answer(request: dict[str, Any], send: Callable[[Any], None]) -> None:
    """Read a file, and send its portions and how it ended: a word, and what belongs to it."""
    library, read = _KINDS[request["kind"]]
    sent = 0
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("default")
        try:
            importlib.import_module(library)
            restrict(request["memory"], request["seconds"])
            for portion in read(request["file"], cells=request["cells"], **request["options"]):
                pickled = pickle.dumps(("portion", portion), protocol=pickle.HIGHEST_PROTOCOL)
                sent += len(pickled)
                if sent > request["memory"]:
                    raise MemoryError
                send(pickled)
            end = ("read", list(dict.fromkeys(str(one.message) for one in caught))[:_MOST_WARNINGS])
        except Refusal as refusal:
            end = ("refused", list(refusal.args))
        except MemoryError:
            end = ("memory", [])
        except Exception as error:  # the libraries raise whatever they meet
            end = ("damaged", [str(error), type(error).__name__])
    send(pickle.dumps(end))


def restrict(memory: int, seconds: float) -> None:
    """Limit memory and processor time from now on, where the system can; where it cannot, the kit's clock has to do."""
    with suppress(ImportError, OSError, ValueError):
        import resource

        _, hard = resource.getrlimit(resource.RLIMIT_CPU)
        resource.setrlimit(resource.RLIMIT_CPU, (math.ceil(time.process_time() + seconds), hard))
        used = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[0]) * resource.getpagesize()
        _, hard = resource.getrlimit(resource.RLIMIT_AS)
        resource.setrlimit(resource.RLIMIT_AS, (used + memory, hard))


def serve(requests: BinaryIO, replies: BinaryIO) -> None:
    """Answer requests until there are no more, or none has come for a while."""

    def send(pickled: bytes) -> None:
        replies.write(pickled)
        replies.flush()

    sys.path[:] = pickle.load(requests)
    while True:
        idle = Timer(_IDLE, os._exit, (0,))
        idle.daemon = True
        idle.start()
        try:
            request = pickle.load(requests)
        except EOFError:
            return
        finally:
            idle.cancel()
        answer(request, send)


if __name__ == "__main__":
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # who is interrupted is the kit, and it ends this process
    own_replies = os.fdopen(os.dup(1), "wb")
    os.dup2(os.open(os.devnull, os.O_WRONLY), 1)  # what a library prints is no reply
    serve(sys.stdin.buffer, own_replies)

"""Visits in parts, whole patients in each: frames one after the other, or Parquet files by row group."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path

import pandas as pd

from analysis.errors import ModelError

#: Visits in parts: frames, or a Parquet file or a folder of them.
VisitParts = Iterable[pd.DataFrame] | str | Path


def columns_of(parts: VisitParts) -> list[str] | None:
    """Give the columns of Parquet files without reading them; None where the parts are frames.

    Raises
    ------
    ModelError
        There is no such file, or it is no Parquet file.
    """
    return None if not isinstance(parts, str | Path) else list(_opened(_files(Path(parts))[0]).schema_arrow.names)


def frames_of(parts: VisitParts, columns: list[str], patient: str) -> Iterator[pd.DataFrame]:
    """Give one frame after the other, with the columns asked for.

    Of Parquet files one row group is read at a time; rows of its last patient wait for the next one of the file, so that no patient is
    cut in two where the rows of each stand together.

    Raises
    ------
    ModelError
        There is no such file, it is no Parquet file, or it lacks a column.
    """
    if not isinstance(parts, str | Path):
        yield from parts
        return
    for path in _files(Path(parts)):
        file = _opened(path)
        lacking = [name for name in columns if name not in file.schema_arrow.names]
        if lacking:
            raise ModelError(
                f"The file has no column {', '.join(map(repr, lacking))}.",
                where=str(path),
                what_to_do="Write the same columns into every file.",
            )
        waiting = pd.DataFrame()
        for group in range(file.num_row_groups):
            frame = file.read_row_group(group, columns=columns).to_pandas()
            if len(waiting):
                frame = pd.concat([waiting, frame], ignore_index=True)
            last = frame[patient].iloc[-1] if len(frame) else None
            whole = group == file.num_row_groups - 1
            waiting = frame.iloc[:0] if whole else frame[frame[patient] == last]
            yield frame if whole else frame[frame[patient] != last]


def _files(path: Path) -> list[Path]:
    found = sorted(path.glob("**/*.parquet")) if path.is_dir() else [path]
    if not found:
        raise ModelError(
            "The folder holds no Parquet file.", where=str(path), what_to_do="Give a folder with files *.parquet."
        )
    return found


def _opened(path: Path):  # type: ignore[no-untyped-def]  # pyarrow has no types
    from pyarrow import ArrowException
    from pyarrow.parquet import ParquetFile

    try:
        return ParquetFile(path)
    except (OSError, ArrowException) as error:
        raise ModelError(
            "This is no Parquet file that can be read.", where=str(path), what_to_do="Give the path of a Parquet file."
        ) from error

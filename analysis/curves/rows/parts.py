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
        for number, part in enumerate(parts, start=1):
            if not isinstance(part, pd.DataFrame):
                raise ModelError(
                    f"Part {number} is no data frame but {type(part).__name__}.",
                    what_to_do="Give a list of data frames, or the path of one Parquet file or of one folder.",
                )
            yield part
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
            frame = _row_group(file, group, columns, path)
            if len(waiting):
                frame = pd.concat([waiting, frame], ignore_index=True)
            if group == file.num_row_groups - 1:
                yield frame
                break
            known = frame[patient].dropna()  # rows without a patient are nobody's, and wait for nobody
            wait = (frame[patient] == known.iloc[-1]).fillna(False) if len(known) else pd.Series(False, frame.index)
            waiting = frame[wait.astype(bool)]
            yield frame[~wait.astype(bool)]


def _row_group(file, group: int, columns: list[str], path: Path) -> pd.DataFrame:  # type: ignore[no-untyped-def]  # pyarrow has no types
    """Read a row group: an index of the file is a column, and a truth value stays one where a value is missing."""
    from pyarrow import ArrowException, bool_

    try:
        table = file.read_row_group(group, columns=columns)
    except (OSError, ArrowException) as error:
        raise ModelError(
            f"Row group {group + 1} of this Parquet file cannot be read: {error}",
            where=str(path),
            what_to_do="Write the file again, or get another copy of it.",
        ) from error
    frame: pd.DataFrame = table.to_pandas(types_mapper={bool_(): pd.BooleanDtype()}.get)
    return frame if frame.index.names == [None] else frame.reset_index()


def _files(path: Path) -> list[Path]:
    found = sorted(one for one in path.glob("**/*.parquet") if one.is_file()) if path.is_dir() else [path]
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

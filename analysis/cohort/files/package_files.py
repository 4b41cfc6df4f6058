"""The files of a cohort folder: written whole or not at all, read without following anything out of the folder."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path, PurePosixPath
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as arrow_csv
import pyarrow.parquet as arrow_parquet

from analysis.cohort.files.conversion import RawTable
from analysis.cohort.files.package_schema import DESCRIPTOR, OWN_PART, delimiter_of, missing_values
from analysis.cohort.files.paths import refuse_impossible_name
from analysis.cohort.files.readers import read_table
from analysis.cohort.files.settings_files import read_json
from analysis.cohort.text_columns import join_columns
from analysis.errors import CohortError
from analysis.writing.swaps import finish, written_beside

#: Counts of the flow, which a person may put into the folder; the descriptor need not name it.
FLOW_FILE = "flow.csv"
#: Rows of a group of a Parquet file (design choice): what is read at once.
_ROWS_OF_A_GROUP = 1 << 18
_NEEDS_QUOTES = r'[",\r\n]|^\s|\s$'


@contextmanager
def whole_folder(folder: Path, *, overwrite: bool) -> Iterator[Path]:
    """Give an empty folder beside ``folder`` to write into; at the end, without an error, it takes its place.

    With ``overwrite`` a cohort folder that is there is replaced; a folder with anything else in it never is.

    Raises
    ------
    CohortError
        The folder is there, is read-only, holds what we did not write, or cannot be written.
    """
    refuse_impossible_name(folder)
    finish(folder)
    _refuse_to_replace(folder, overwrite=overwrite)
    try:
        with written_beside(folder) as part:
            yield part
    except OSError as error:
        raise CohortError(
            f"The folder cannot be written: {error.strerror or error}.",
            where=str(folder),
            what_to_do="Choose a folder that you may write to, with enough space.",
        ) from None


def write_csv(frame: pd.DataFrame, path: Path) -> None:
    """Write a table as CSV: UTF-8, a comma, missing as nothing, numbers in the fewest digits that give them back.

    Text stands as it is, in quotation marks only where some text of the table needs them.
    """
    table = _plain(frame)
    quoted = any(_needs_quotes(values) for _, values in frame.items()) or any(
        any(mark in name for mark in '",\r\n') for name in table.column_names
    )
    with pa.OSFile(str(path), "wb") as stream:
        header = ",".join(_quote(name) for name in table.column_names)
        stream.write(header.encode("utf-8") + b"\n")
        options = arrow_csv.WriteOptions(include_header=False, quoting_style="needed" if quoted else "none")
        arrow_csv.write_csv(table, stream, write_options=options)


def storage_types(frame: pd.DataFrame) -> dict[str, pa.DataType]:
    """Give the Parquet types of a table's numbers and texts: the smallest that hold every value exactly.

    Texts of which each comes twice or more, on average, are kept once and named by number, as categories are.
    """
    types: dict[str, pa.DataType] = {}
    for name, values in frame.items():
        if pd.api.types.is_float_dtype(values.dtype):
            types[str(name)] = _smallest(values.to_numpy(dtype="float64"))
        elif pd.api.types.is_string_dtype(values.dtype):
            texts = pa.array(values, type=pa.large_string(), from_pandas=True)
            if 2 * pc.count_distinct(texts).as_py() <= len(values):
                types[str(name)] = pa.dictionary(pa.int32(), pa.large_string())
    return types


def write_parquet(frame: pd.DataFrame, path: Path, types: Mapping[str, pa.DataType]) -> None:
    """Write a table, or a part of it, as Parquet; ``types`` are the :func:`storage_types` of the whole table.

    Each group of rows has the texts of its own, so that no group holds those of all.
    """
    table = pa.Table.from_pandas(frame, preserve_index=False)
    schema = pa.schema(
        [field.with_type(types.get(field.name, field.type)) for field in table.schema], table.schema.metadata
    )
    with arrow_parquet.ParquetWriter(path, schema) as writer:
        for begin in range(0, max(1, len(frame)), _ROWS_OF_A_GROUP):
            group = table.slice(begin, _ROWS_OF_A_GROUP).combine_chunks()
            columns = [
                column.dictionary_encode() if pa.types.is_dictionary(wanted) and not pa.types.is_dictionary(column.type)
                else column.cast(wanted)
                for column, wanted in zip(group.columns, schema.types, strict=True)
            ]  # fmt: skip
            writer.write_table(pa.Table.from_arrays(columns, schema=schema))


def read_descriptor(folder: Path) -> dict[str, Any]:
    """Read ``datapackage.json`` of a folder.

    Raises
    ------
    CohortError
        There is no such folder or descriptor, or it is no JSON object with a list of resources.
    """
    path = folder / DESCRIPTOR
    refuse_impossible_name(path)
    finish(folder)
    if not folder.is_dir():
        raise CohortError(
            "This is a file, not a cohort folder." if folder.exists() else "There is no such folder.",
            where=str(folder),
            what_to_do="Make a cohort folder of a file with: kneecurve import FILE --map MAP.toml --out FOLDER",
        )
    if not path.exists():
        raise CohortError(
            f"The folder is no cohort folder: it has no {DESCRIPTOR}.",
            where=str(folder),
            what_to_do="Make a cohort folder with: kneecurve import FILE --map MAP.toml --out FOLDER",
        )
    _refuse_link(folder, path)
    try:
        descriptor = read_json(path)
    except (OSError, ValueError) as error:
        raise CohortError(
            f"The descriptor is no valid JSON: {error}.", where=str(path), what_to_do="Import the source again."
        ) from None
    resources = descriptor.get("resources") if isinstance(descriptor, dict) else None
    if not isinstance(resources, list) or not all(isinstance(one, dict) and "name" in one for one in resources):
        raise CohortError("The descriptor lists no resources.", where=str(path), what_to_do="Import the source again.")
    return dict(descriptor)


def files_of(resource: dict[str, Any]) -> list[str]:
    """Give the paths of a resource, as they stand in the descriptor: one, or a list of files of one table."""
    given = resource.get("path")
    return [str(path) for path in given] if isinstance(given, list) and given else [str(given or "")]


def file_in(folder: Path, table: object, path: str) -> Path:
    """Give the path of a file of a table; one that leads out of the folder is refused.

    Raises
    ------
    CohortError
        It is missing, absolute, an address, goes up or is a link.
    """
    parts = PurePosixPath(path).parts
    if not parts or ".." in parts or ":" in parts[0] or "\\" in path or PurePosixPath(path).is_absolute():
        raise CohortError(
            f"The path {path!r} of the table {table!r} leads out of the folder.",
            where=str(folder / DESCRIPTOR),
            what_to_do="Put the file into the folder.",
        )
    file = folder.joinpath(*parts)
    refuse_impossible_name(file)
    _refuse_link(folder, file)
    return file


def read_file(folder: Path, resource: dict[str, Any], path: str, columns: Sequence[str] | None = None) -> RawTable:
    """Read one file of a resource as the descriptor says that it is written; of a Parquet file only ``columns``, where given.

    Raises
    ------
    CohortError
        The path leads out of the folder, or the file cannot be read.
    """
    encoding = resource.get("encoding")
    return read_table(
        file_in(folder, resource.get("name"), path),
        delimiter=delimiter_of(resource),
        encoding=str(encoding) if encoding else None,
        missing=missing_values(resource),
        columns=columns,
    )


def resources_of(folder: Path, descriptor: dict[str, Any]) -> list[dict[str, Any]]:
    """Give the resources of a descriptor, and :data:`FLOW_FILE` where a person has put that file beside them."""
    named: list[dict[str, Any]] = descriptor["resources"]
    if (folder / FLOW_FILE).is_file() and all(one["name"] != "flow" for one in named):
        return [*named, {"name": "flow", "path": FLOW_FILE}]
    return named


def table_of(folder: Path, resource: dict[str, Any]) -> pd.DataFrame:
    """Give a table as its files hold it, without a look at what is in them.

    Raises
    ------
    CohortError
        A path leads out of the folder, or a file cannot be read.
    """
    frames = [read_file(folder, resource, path).frame for path in files_of(resource)]
    return frames[0] if len(frames) == 1 else below_each_other(frames)


def below_each_other(frames: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """Put files of one table below each other; a column that a file lacks is missing there."""
    names = list(dict.fromkeys(str(name) for frame in frames for name in frame.columns))
    whole = pd.DataFrame(
        {name: join_columns([frame.reindex(columns=names)[name] for frame in frames]) for name in names}
    )
    whole.index = pd.Index(np.concatenate([frame.index.to_numpy() for frame in frames]))
    return whole


def _refuse_link(folder: Path, path: Path) -> None:
    if path.exists() and Path(os.path.realpath(path)) != Path(os.path.realpath(folder)) / path.relative_to(folder):
        raise CohortError("The file is a link.", where=str(path), what_to_do="Put the file itself into the folder.")


def _refuse_to_replace(folder: Path, *, overwrite: bool) -> None:
    if not folder.exists() and not folder.is_symlink():
        return
    if not folder.is_dir() or folder.is_symlink():
        raise CohortError("There is a file of that name.", where=str(folder), what_to_do="Choose another folder.")
    there = sorted(path.name for path in folder.iterdir())
    if not there:
        return
    ours = {DESCRIPTOR}
    if DESCRIPTOR in there:
        descriptor = read_descriptor(folder)
        if OWN_PART in descriptor:
            ours |= {path for resource in descriptor["resources"] for path in files_of(resource)}
    foreign = [name for name in there if name not in ours]
    if foreign or ours == {DESCRIPTOR}:
        raise CohortError(
            "The folder holds files that are not of a cohort written by the kit; it is left as it is.",
            where=f"{folder}: {', '.join((foreign or there)[:5])}",
            what_to_do="Choose another folder.",
        )
    if not overwrite:
        raise CohortError(
            "There is a cohort in that folder already.",
            where=str(folder),
            what_to_do="Choose another folder, or ask for it to be overwritten (overwrite=True, --overwrite).",
        )
    _refuse_read_only(folder)


def _refuse_read_only(folder: Path) -> None:
    """Refuse a folder that somebody closed to writing, before anything is written: its files could not be removed."""
    if not folder.stat().st_mode & stat.S_IWUSR or not os.access(folder, os.W_OK):
        raise CohortError(
            "The folder is read-only, and is left as it is.",
            where=str(folder),
            what_to_do="Choose another folder, or allow writing in this one first.",
        )


def _plain(frame: pd.DataFrame) -> pa.Table:
    """Give a table of arrow, categories as plain text."""
    table = pa.Table.from_pandas(frame, preserve_index=False)
    for place, column in enumerate(table.columns):
        if pa.types.is_dictionary(column.type):
            table = table.set_column(place, table.field(place).name, pc.cast(column, pa.large_string()))
    return table


def _smallest(numbers: np.ndarray) -> pa.DataType:
    known = numbers[~np.isnan(numbers)]
    if not len(known):
        return pa.float64()
    lowest, highest = known.min(), known.max()
    whole = bool((known == np.trunc(known)).all()) and not bool(
        np.signbit(known[known == 0]).any()
    )  # -0 is no whole number
    for kind in (np.int8, np.int16, np.int32) if whole else ():
        if np.iinfo(kind).min <= lowest and highest <= np.iinfo(kind).max:
            return pa.from_numpy_dtype(kind)
    with np.errstate(over="ignore"):
        return pa.float32() if bool((known.astype(np.float32) == known).all()) else pa.float64()


def _needs_quotes(values: pd.Series) -> bool:
    if isinstance(values.dtype, pd.CategoricalDtype):
        values = pd.Series(values.cat.categories)
    if not pd.api.types.is_string_dtype(values.dtype):
        return False
    texts = pa.array(values, type=pa.large_string(), from_pandas=True)
    return bool(pc.any(pc.match_substring_regex(texts, _NEEDS_QUOTES)).as_py())


def _quote(name: str) -> str:
    return '"' + name.replace('"', '""') + '"' if any(mark in name for mark in '",\r\n') else name

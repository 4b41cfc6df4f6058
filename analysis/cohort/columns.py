"""Kinds of columns, and how a column is brought to its kind without losing or changing a value."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from analysis.cohort.text_columns import as_arrow, label_texts
from analysis.errors import CohortError
from analysis.foreign_text import shape

Kind = Literal["text", "category", "number", "boolean", "date"]

_TRUE = frozenset({"true", "yes", "y", "1", "1.0"})
_FALSE = frozenset({"false", "no", "n", "0", "0.0"})
_NUMBER = r"^(?:[+-]?(?:(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:e[+-]?[0-9]+)?|inf(?:inity)?)|nan)$"
_NAMED_ROWS = 5
_WHOLE_WITH_POINT, _FRACTION = r"^([+-]?[0-9]+)\.0+$", r"^[+-]?[0-9]*\.[0-9]*[1-9][0-9]*$"
#: Whole numbers below are written with all their digits; from here on they do not fit an int64.
_LARGEST_WHOLE = 2.0**63


@dataclass(frozen=True)
class Column:
    """What one column holds.

    Parameters
    ----------
    name : str
        Name of the column.
    kind : {"text", "category", "number", "boolean", "date"}
        What its values are: ``str``, ``category`` of text, ``float64``, ``boolean`` or ``datetime64``.
    meaning : str
        Half a sentence for people.
    unit : str
        Unit of a number.
    required : bool
        Whether the column must be there, without missing identifiers or keys.
    categories : tuple of str
        The only values allowed; empty where any is.
    lowest, highest : float
        Plausible range of a number, ends included.
    source : str
        Where the range comes from.
    """

    name: str
    kind: Kind
    meaning: str
    unit: str = ""
    required: bool = False
    categories: tuple[str, ...] = ()
    lowest: float = -math.inf
    highest: float = math.inf
    source: str = ""


def conform(values: pd.Series, column: Column, table: str) -> pd.Series:
    """Bring a series of any type to the kind of its column; ``table`` names the table in the message.

    Returns
    -------
    pandas.Series
        text: ``str``, where the empty text is missing; category: unordered categories of text, in the order given or of
        appearance; number: ``float64``; boolean: ``boolean``; date: ``datetime64[us]``.

    Raises
    ------
    CohortError
        Some values cannot be converted; the message names the first rows and the shape of what stands there.

    Examples
    --------
    >>> conform(pd.Series(["1", "2.5", None]), Column("value", "number", ""), "visits").tolist()
    [1.0, 2.5, nan]
    """
    converted, bad = convert(values, column)
    if len(bad):
        there = ", ".join(repr(shape(str(values.iloc[i]))) for i in bad[:_NAMED_ROWS])
        raise CohortError(
            f"The column {column.name!r} should hold {_IN_WORDS[column.kind]}; {len(bad):,} of {len(values):,} do not.",
            where=f"table {table}, {rows_in_words(bad)}: {there}",
            what_to_do="Correct or empty these cells.",
        )
    return converted


def convert(values: pd.Series, column: Column) -> tuple[pd.Series, np.ndarray]:
    """Bring a series to the kind of its column as far as possible: missing where a value could not be converted.

    The second of the two is the positions (from 0) of those values.
    """
    none = np.array([], dtype=np.intp)
    if column.kind == "text":
        return _as_text(values), none
    if column.kind == "category":
        return _as_category(values, column.categories), none
    if column.kind == "number":
        return _as_number(values)
    return _as_boolean(values) if column.kind == "boolean" else _as_date(values)


def read_numbers(values: pd.Series) -> tuple[pd.Series, np.ndarray]:
    """Bring a series to numbers, texts with a decimal comma too; gives what :func:`convert` gives.

    Examples
    --------
    >>> read_numbers(pd.Series(["1,5", "2"]))[0].tolist()
    [1.5, 2.0]
    """
    if not pd.api.types.is_numeric_dtype(values.dtype):
        values = values.astype("str").str.replace(",", ".", regex=False)
    return convert(values, Column("", "number", ""))


def as_identifiers(values: pd.Series) -> pd.Series:
    """Bring identifiers to text by which tables link, whatever program wrote them.

    Blanks around them go, and a number that is whole has no decimal point. In a column with fractions (1.0, 1.1) texts
    stay as they are.

    Examples
    --------
    >>> as_identifiers(pd.Series([1001.0, None])).tolist(), as_identifiers(pd.Series(["1001.0", "A7"])).tolist()
    (['1001', nan], ['1001', 'A7'])
    """
    text = _as_text(values).str.strip()
    text = text.mask(text == "")
    if text.str.contains(_FRACTION, regex=True).any():
        return text
    return text.str.replace(_WHOLE_WITH_POINT, r"\1", regex=True)


#: A date as text and a time of the day after it.
_DATE_AND_CLOCK = r"^(?P<day>.*\S)[T ]\s*(?P<clock>(?:[01]?\d|2[0-3]):[0-5]\d(?::[0-5]\d)?)\s*$"


def read_times(text: pd.Series, date_format: str | None = None) -> pd.Series:
    """Read dates and times of the day, by the clock of the place where they were written: offsets are left out.

    A text that does not fit ``date_format`` (year-month-day where there is none) is missing; a time of the day may stand after
    the date, and where no text of a column fits, year-month-day is read, since no order is in doubt there.

    Examples
    --------
    >>> read_times(pd.Series(["2024-01-01T10:00+01:00", "2024-07-01T10:00+02:00"])).dt.hour.tolist()
    [10, 10]
    """
    if date_format is not None and "%H" not in date_format:
        times = pd.to_datetime(text, errors="coerce", format=date_format)
        others = times.isna() & text.notna()
        if others.any():
            parts = text[others].str.extract(_DATE_AND_CLOCK)
            seconds = np.where(parts["clock"].str.count(":") == 2, "", ":00")
            clock = pd.to_timedelta(parts["clock"] + seconds, errors="coerce")
            times = times.fillna(pd.to_datetime(parts["day"], errors="coerce", format=date_format) + clock)
        if times.notna().any() or not others.any():
            return times
        date_format = None
    form = date_format or "ISO8601"
    try:
        times = pd.to_datetime(text, errors="coerce", format=form)
        return times.dt.tz_localize(None) if times.dt.tz is not None else times
    except ValueError:  # several time zones, which one column of pandas cannot hold
        distinct = {one: pd.to_datetime(one, errors="coerce", format=form) for one in text.dropna().unique()}
        local = {one: time.tz_localize(None) if time is not pd.NaT else time for one, time in distinct.items()}
        return pd.to_datetime(text.map(local)).astype("datetime64[us]")


def rows_in_words(positions: np.ndarray) -> str:
    """Name rows for a message: positions from 0 become row numbers from 1, the first five are listed.

    Examples
    --------
    >>> rows_in_words(np.array([0, 1, 2, 3, 4, 5]))
    'rows 1, 2, 3, 4, 5 and 1 more'
    """
    listed = ", ".join(str(position + 1) for position in positions[:_NAMED_ROWS])
    more = f" and {len(positions) - _NAMED_ROWS:,} more" if len(positions) > _NAMED_ROWS else ""
    return f"row{'' if len(positions) == 1 else 's'} {listed}{more}"


_IN_WORDS = {
    "text": "text",
    "category": "labels",
    "number": "numbers",
    "boolean": "true or false",
    "date": "dates as year-month-day",
}


def _as_text(values: pd.Series) -> pd.Series:
    if isinstance(values.dtype, pd.CategoricalDtype):
        texts = values.cat.categories.dtype == "str"
        values = label_texts(values) if texts else values.astype(values.cat.categories.dtype)
    if values.dtype == object:
        values = pd.Series([_whole(value) for value in values], index=values.index, name=values.name, dtype=object)
    try:
        text = values.astype("str")
    except UnicodeEncodeError:  # half of a surrogate pair, which no file can hold
        text = values.map(lambda value: str(value).encode("utf-8", "replace").decode(), na_action="ignore").astype(
            "str"
        )
    if pd.api.types.is_float_dtype(values.dtype):
        numbers = values.to_numpy(dtype="float64", na_value=np.nan)
        whole = (numbers == np.round(numbers)) & (np.abs(numbers) < _LARGEST_WHOLE)
        text = text.mask(whole, pd.Series(np.where(whole, numbers, 0), index=text.index).astype("int64").astype("str"))
    empty = text == ""
    return text.mask(empty) if empty.any() else text


def _whole(value: object) -> object:
    """Give a number that is whole as one; anything else as it is."""
    return int(value) if isinstance(value, float) and value.is_integer() and abs(value) < _LARGEST_WHOLE else value


def _as_category(values: pd.Series, categories: tuple[str, ...]) -> pd.Series:
    if isinstance(values.dtype, pd.CategoricalDtype):
        if _holds_labels(values, categories):
            return values
        names = _as_text(pd.Series(values.cat.categories))
        if names.notna().all() and names.is_unique:
            return _from_codes(values, values.cat.codes.to_numpy(), [str(name) for name in names], categories)
    encoded = as_arrow(_as_text(values)).dictionary_encode()
    codes = encoded.indices.fill_null(-1).to_numpy(zero_copy_only=False)
    return _from_codes(values, codes, encoded.dictionary.to_pylist(), categories)


def _holds_labels(values: pd.Series, categories: tuple[str, ...]) -> bool:
    """Say whether a categorical is as it should be already: unordered labels of text, those that are set first."""
    known = values.cat.categories
    if values.cat.ordered or known.dtype != "str" or known.name is not None:
        return False
    names = known.tolist()
    return "" not in names and names[: len(categories)] == list(categories)


def _from_codes(values: pd.Series, codes: np.ndarray, names: list[str], categories: tuple[str, ...]) -> pd.Series:
    """Make a categorical: categories that are set come first, in their order, then those that only the data have."""
    order = [*categories, *(name for name in names if name not in categories)] if categories else names
    if order != names:
        place = {name: i for i, name in enumerate(order)}
        codes = np.append(np.array([place[name] for name in names], dtype=np.int64), -1)[codes]
    dtype = pd.CategoricalDtype(pd.Index(order, dtype="str"), ordered=False)
    return pd.Series(pd.Categorical.from_codes(codes, dtype=dtype), index=values.index, name=values.name)


def _as_number(values: pd.Series) -> tuple[pd.Series, np.ndarray]:
    none = np.array([], dtype=np.intp)
    if pd.api.types.is_bool_dtype(values.dtype) or pd.api.types.is_datetime64_any_dtype(values.dtype):
        present = values.notna().to_numpy()
        return pd.Series(np.nan, index=values.index, name=values.name), np.flatnonzero(present)
    if pd.api.types.is_numeric_dtype(values.dtype):
        return values.astype("float64"), none
    trimmed = pc.utf8_trim_whitespace(as_arrow(_as_text(values)))
    try:
        numbers, bad = pc.cast(trimmed, pa.float64()), none
    except pa.ArrowInvalid:
        good = pc.match_substring_regex(trimmed, _NUMBER, ignore_case=True).fill_null(False)
        missing = pc.or_kleene(pc.is_null(trimmed), pc.equal(trimmed, "")).fill_null(True)
        numbers = pc.cast(pc.if_else(good, trimmed, None), pa.float64())
        bad = np.flatnonzero(pc.invert(pc.or_(good, missing)).to_numpy(zero_copy_only=False))
    answer = numbers.to_numpy(zero_copy_only=False)
    return pd.Series(answer.astype("float64"), index=values.index, name=values.name), bad


def _as_boolean(values: pd.Series) -> tuple[pd.Series, np.ndarray]:
    if pd.api.types.is_bool_dtype(values.dtype):
        return values.astype("boolean"), np.array([], dtype=np.intp)
    lowered = _as_text(values).str.strip().str.lower()
    lowered = lowered.mask(lowered == "")
    true, false = lowered.isin(_TRUE), lowered.isin(_FALSE)
    answer = true.astype("boolean").where(true | false)
    return answer, np.flatnonzero((lowered.notna() & ~true & ~false).to_numpy())


def _as_date(values: pd.Series) -> tuple[pd.Series, np.ndarray]:
    dates = read_times(values)
    return dates.astype("datetime64[us]"), np.flatnonzero((dates.isna() & values.notna()).to_numpy())

"""Kinds of columns, and how a column is brought to its kind without losing or changing a value."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd

from analysis.errors import CohortError

Kind = Literal["text", "category", "number", "boolean", "date"]

_TRUE = frozenset({"true", "yes", "y", "1", "1.0"})
_FALSE = frozenset({"false", "no", "n", "0", "0.0"})
_NAMED_ROWS = 5


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
    """Bring a series to the kind of its column.

    Parameters
    ----------
    values : pandas.Series
        Values of any type.
    column : Column
        The specification.
    table : str
        Name of the table, for the message.

    Returns
    -------
    pandas.Series
        text: ``str``, where the empty text is missing; category: unordered categories of text, in the order given or of
        appearance; number: ``float64``; boolean: ``boolean``; date: ``datetime64[us]``.

    Raises
    ------
    CohortError
        Some values cannot be converted; the message names the first rows and what stands there.

    Examples
    --------
    >>> conform(pd.Series(["1", "2.5", None]), Column("value", "number", ""), "visits").tolist()
    [1.0, 2.5, nan]
    """
    converted, bad = convert(values, column)
    if len(bad):
        there = ", ".join(repr(str(values.iloc[i])) for i in bad[:_NAMED_ROWS])
        raise CohortError(
            f"The column {column.name!r} should hold {_IN_WORDS[column.kind]}; {len(bad):,} of {len(values):,} do not.",
            where=f"table {table}, {rows_in_words(bad)}: {there}",
            what_to_do="Correct or empty these cells.",
        )
    return converted


def convert(values: pd.Series, column: Column) -> tuple[pd.Series, np.ndarray]:
    """Bring a series to the kind of its column as far as possible.

    Returns
    -------
    tuple of (pandas.Series, numpy.ndarray)
        The converted series, missing where a value could not be converted, and the positions (from 0) of those values.
    """
    none = np.array([], dtype=np.intp)
    if column.kind == "text":
        return _as_text(values), none
    if column.kind == "category":
        return _as_category(values, column.categories), none
    if column.kind == "number":
        return _as_number(values)
    return _as_boolean(values) if column.kind == "boolean" else _as_date(values)


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
    if pd.api.types.is_float_dtype(values.dtype):
        known = values.dropna()
        if len(known) and np.isfinite(known).all() and (known == known.round()).all():
            values = values.astype("Int64")
    if isinstance(values.dtype, pd.CategoricalDtype):
        values = values.astype(values.cat.categories.dtype)
    text = values.astype("str")
    return text.mask(text == "") if (text == "").any() else text


def _as_category(values: pd.Series, categories: tuple[str, ...]) -> pd.Series:
    if isinstance(values.dtype, pd.CategoricalDtype):
        names = _as_text(pd.Series(values.cat.categories))
        known = names.notna().all() and names.is_unique
        text = None if known else _as_text(values)
        order = [str(name) for name in names] if known else []
    else:
        text = _as_text(values)
        order = []
    if text is not None:
        order = [str(name) for name in text.dropna().unique()]
        if categories and set(order) <= set(categories):
            order = list(categories)
    dtype = pd.CategoricalDtype(pd.Index(order, dtype="str"), ordered=False)
    if text is not None:
        return text.astype(dtype)
    return pd.Series(
        pd.Categorical.from_codes(values.cat.codes.to_numpy(), dtype=dtype), index=values.index, name=values.name
    )


def _as_number(values: pd.Series) -> tuple[pd.Series, np.ndarray]:
    none = np.array([], dtype=np.intp)
    if pd.api.types.is_bool_dtype(values.dtype) or pd.api.types.is_datetime64_any_dtype(values.dtype):
        present = values.notna().to_numpy()
        return pd.Series(np.nan, index=values.index, name=values.name), np.flatnonzero(present)
    if pd.api.types.is_numeric_dtype(values.dtype):
        return values.astype("float64"), none
    return _text_as_number(_as_text(values))


def _text_as_number(text: pd.Series) -> tuple[pd.Series, np.ndarray]:
    stripped = text.str.strip()
    missing = (stripped.isna() | (stripped == "")).to_numpy()
    numeric = (
        stripped.str.fullmatch(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?").fillna(value=False).to_numpy(dtype=bool)
    )
    infinite = (
        stripped.str.lower().str.fullmatch(r"[+-]?inf(?:inity)?").fillna(value=False).to_numpy(dtype=bool) & ~numeric
    )
    good = numeric | infinite
    numbers = np.full(len(text), np.nan)
    if good.any():
        numbers[good] = stripped[good].to_numpy(dtype=object).astype("float64")
    return pd.Series(numbers, index=text.index, name=text.name), np.flatnonzero(~good & ~missing)


def _as_boolean(values: pd.Series) -> tuple[pd.Series, np.ndarray]:
    if pd.api.types.is_bool_dtype(values.dtype):
        return values.astype("boolean"), np.array([], dtype=np.intp)
    lowered = _as_text(values).str.strip().str.lower()
    lowered = lowered.mask(lowered == "")
    true, false = lowered.isin(_TRUE), lowered.isin(_FALSE)
    answer = true.astype("boolean").where(true | false)
    return answer, np.flatnonzero((lowered.notna() & ~true & ~false).to_numpy())


def _as_date(values: pd.Series) -> tuple[pd.Series, np.ndarray]:
    dates = pd.to_datetime(values, errors="coerce", format="ISO8601")
    return dates.astype("datetime64[us]"), np.flatnonzero((dates.isna() & values.notna()).to_numpy())

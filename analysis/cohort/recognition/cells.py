"""The cells of a column, read once: different texts, what says that there is no value, and numbers as people write them."""

from __future__ import annotations

import re
import unicodedata
from functools import cached_property

import numpy as np
import pandas as pd

from analysis.cohort.recognition.trade_words import MISSING_MARKS

#: A number as it is written: a bound before it, a sign, a decimal point or comma, an exponent, a unit of one word behind it.
_WRITTEN = re.compile(
    r"[<>≤≥]?\s*([+-]?(?:0|[1-9]\d*)?(?:[.,]\d+)?(?:e[+-]?\d+)?)\s*(?:%|°|nm|n·m|kg|cm|mm|deg|ma|min)?", re.IGNORECASE
)


class Cells:
    """What stands in a column of any type.

    Examples
    --------
    >>> cells = Cells(pd.Series(["12,5", "<20", "n/a", None]))
    >>> cells.distinct, cells.numbers.tolist(), int(cells.missing.sum())
    (['12,5', '<20'], [12.5, 20.0], 2)
    >>> Cells(pd.Series(["12", "see notes"])).numbers is None
    True
    """

    def __init__(self, column: pd.Series) -> None:
        self.column = column

    @cached_property
    def is_date(self) -> bool:
        """Whether the column is of dates by its type."""
        return bool(pd.api.types.is_datetime64_any_dtype(self.column.dtype))

    @cached_property
    def _is_number(self) -> bool:
        kind = self.column.dtype
        return bool(pd.api.types.is_numeric_dtype(kind) and not pd.api.types.is_bool_dtype(kind))

    @cached_property
    def _unique(self) -> pd.Series:
        return pd.Series(self.column.dropna().unique())

    @cached_property
    def distinct(self) -> list[str]:
        """The different cells as text, marks of a missing value left out."""
        texts = dict.fromkeys(str(cell).strip() for cell in self._unique)
        return [text for text in texts if text.casefold() not in MISSING_MARKS]

    @cached_property
    def missing(self) -> pd.Series:
        """Which rows have no value: empty, or a mark such as n/a."""
        if self.is_date or self._is_number:
            return self.column.isna()
        marks = [cell for cell in self._unique if str(cell).strip().casefold() in MISSING_MARKS]
        return self.column.isna() | self.column.isin(marks)

    @cached_property
    def numbers(self) -> pd.Series | None:
        """The different cells as numbers; None where one is no number, or there is none."""
        if self.is_date or not self.distinct:
            return None
        if self._is_number:
            return self._unique.astype("float64")
        found = [number_written(text) for text in self.distinct]
        return None if any(one is None for one in found) else pd.Series(found, dtype="float64")

    @cached_property
    def row_numbers(self) -> pd.Series:
        """The numbers row by row, missing where there is none."""
        if self._is_number:
            return self.column.astype("float64")
        if self.is_date:
            return pd.Series(np.nan, index=self.column.index)
        known = {cell: number_written(str(cell).strip()) for cell in self._unique}
        return pd.to_numeric(self.column.map(known), errors="coerce").astype("float64")


def number_written(text: str) -> float | None:
    """Give a text as a number; None where it is none.

    Examples
    --------
    >>> number_written("85 %"), number_written("1e-05"), number_written("007")
    (85.0, 1e-05, None)
    """
    found = _WRITTEN.fullmatch(text) or _WRITTEN.fullmatch(unicodedata.normalize("NFKC", text))
    if found is None or not re.search(r"\d", found[1]):
        return None
    try:
        return float(found[1].replace(",", "."))
    except ValueError:
        return None

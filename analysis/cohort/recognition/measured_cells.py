"""Cells of a measure as they stand in files: numbers, limits such as <20, and the reasons why there is none."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
import pandas as pd

from analysis.cohort.recognition.trade_words import MISSING_MARKS

_LIMIT = re.compile(r"\s*(?P<sign><=?|>=?|≤|≥)\s*(?P<number>[+-]?\d+(?:[.,]\d+)?)\s*")
#: How a cell begins that says that nothing was measured; the reason may follow. Common practice, no source.
_REASON = re.compile(
    r"(?:not|nicht|niet|non|no)\s+(?:done|assessed|measured|tested|performed|applicable|available|recorded|attended|possible|"
    r"erhoben|durchgeführt|durchführbar|gemacht|getestet|geprüft|gemessen|möglich|erschienen|"
    r"fait|effectuée?|réalisée?|mesurée?|hecho|realizad[oa]|medid[oa]|fatto|eseguito|misurato|gedaan|gemeten)\b"
    r"|(?:refused|declined|missing|missed|unable|nd|n/d|n\.?\s?d\.?|n/a|n\.\s?a\.)(?:$|[\s:,;(/-])",
    re.IGNORECASE,
)


@dataclass(frozen=True)
class MeasuredCells:
    """Cells as numbers may be read of them, limits without their sign; ``bound`` is below or above, ``reason`` a text."""

    cells: pd.Series
    bound: pd.Series
    reason: pd.Series


def measured_cells(cells: pd.Series) -> MeasuredCells:
    """Take limits and reasons out of a column of any type.

    Examples
    --------
    >>> found = measured_cells(pd.Series(["12", "<20", "≥ 140", "not done: pain", "x"]))
    >>> found.cells.tolist(), found.bound.tolist()[1:3], found.reason.tolist()[3]
    (['12', '20', '140', nan, 'x'], ['below', 'above'], 'not done: pain')
    """
    nothing = pd.Series(np.nan, index=cells.index, dtype="str")
    if not pd.api.types.is_string_dtype(cells.dtype):
        return MeasuredCells(cells, nothing, nothing)
    codes, texts = pd.factorize(cells)
    limits = {i: match for i, text in enumerate(texts) if (match := _LIMIT.fullmatch(text)) is not None}
    reasons = {i: text for i, text in enumerate(texts) if i not in limits and is_reason(text)}
    if not limits and not reasons:
        return MeasuredCells(cells, nothing, nothing)
    place = pd.Series(codes, index=cells.index)
    bound = place.map({i: "below" if match["sign"][0] in "<≤" else "above" for i, match in limits.items()})
    numbers = place.map({i: match["number"] for i, match in limits.items()})
    reason = place.map(reasons)
    without = cells.where(numbers.isna(), numbers).mask(reason.notna())
    return MeasuredCells(without.astype("str"), bound.astype("str"), reason.astype("str"))


def is_reason(text: str) -> bool:
    """Say whether a cell says that nothing was measured."""
    return text.strip().casefold() in MISSING_MARKS or _REASON.match(text.strip()) is not None

"""Values of a quarter's indicators as readers see them; what is hidden is said to be hidden."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

import pandas as pd

from analysis.report.parts import numbers
from analysis.report.parts.numbers import capitalised, decimals_for
from analysis.report.parts.tables import Column

if TYPE_CHECKING:
    from analysis.quarter import Indicator

HIDDEN = "hidden"
NOT_YET = "not yet due"
#: With more sites than this a funnel names only those beyond a limit.
MOST_NAMED_IN_FUNNEL = 12
HIDDEN_NOTE = (
    "Hidden: a count from 1 to 10, or a count that would give one away; zero may be shown (cell size suppression "
    "policy of the US Centers for Medicare & Medicaid Services)."
)


def value_shower(indicator: Indicator, values: Sequence[float] = ()) -> Callable[[float], str]:
    """Return a function that writes a value of an indicator with its unit.

    The function takes a share as 0 to 1 and a rate per patient; ``values`` of a mean say how many decimals are needed.

    Examples
    --------
    >>> from analysis.quarter import Indicator
    >>> harms = Indicator("harms", "Harms", "rate", "balancing", "lower", "harms", "started", "harms", "patients",
    ...                   unit="per 100 patients", per=100.0)
    >>> value_shower(harms)(0.25)
    '25.0 per 100 patients'
    """
    bare = bare_shower(indicator, values)
    if not indicator.unit_words:
        return bare
    return lambda value: numbers.MISSING if numbers.is_missing(value) else f"{bare(value)} {indicator.unit_words}"


def bare_shower(indicator: Indicator, values: Sequence[float] = ()) -> Callable[[float], str]:
    """Return the same without the unit; shares keep their sign of percent."""
    if indicator.kind == "share":
        return numbers.share
    decimals = decimals_for([indicator.per * value for value in values]) if len(values) else rate_decimals(indicator)
    return lambda value: numbers.number(value if numbers.is_missing(value) else indicator.per * value, decimals)


def rate_decimals(indicator: Indicator) -> int:
    """Give the decimals of a rate or a mean where no values say how many are needed: one more of events per single unit."""
    return 2 if indicator.kind == "rate" and indicator.per == 1 else 1


def axis_label(indicator: Indicator) -> str:
    """Name the axis of values: per cent, or the unit.

    Examples
    --------
    >>> from analysis.quarter import Indicator
    >>> axis_label(Indicator("a", "A", "share", "outcome", "higher", "n", "d", "n", "d"))
    'Patients (%)'
    """
    if indicator.kind == "share":
        return "Patients (%)"
    if indicator.kind == "rate" and not indicator.unit:
        return f"{capitalised(indicator.numerator_words)} {indicator.unit_words}"
    return capitalised(indicator.unit) or "Mean"


def axis_factor(indicator: Indicator) -> float:
    """Return what values are multiplied with when they are drawn."""
    return 100.0 if indicator.kind == "share" else indicator.per


def with_text(found: pd.DataFrame, indicator: Indicator) -> pd.DataFrame:
    """Add the columns that tables show: counts and value as text, or that they are hidden.

    ``found`` has numerator, denominator, value, hidden, and perhaps not_yet; numerator_text, denominator_text and value_text are
    added.

    Examples
    --------
    >>> from analysis.quarter import Indicator
    >>> one = Indicator("a", "A", "share", "outcome", "higher", "n", "d", "n", "d")
    >>> rows = pd.DataFrame({"numerator": [float("nan"), 20.0, 0.0], "denominator": [30.0, 40.0, 0.0],
    ...                      "value": [float("nan"), 0.5, float("nan")], "hidden": [True, False, False]})
    >>> with_text(rows, one)[["numerator_text", "value_text"]].values.tolist()
    [['hidden', 'hidden'], ['20', '50 %'], ['0', '–']]
    """
    show = bare_shower(indicator, found["value"].dropna().tolist())
    late = found["not_yet"] if "not_yet" in found else pd.Series(False, index=found.index)

    def text(name: str, places: int) -> list[str]:
        return [
            NOT_YET if due_later else HIDDEN if numbers.is_missing(value) and hidden else numbers.number(value, places)
            for value, hidden, due_later in zip(found[name], found["hidden"], late, strict=True)
        ]

    values = [
        NOT_YET if due_later else HIDDEN if hidden else show(value)
        for value, hidden, due_later in zip(found["value"], found["hidden"], late, strict=True)
    ]
    return found.assign(
        numerator_text=text("numerator", 1 if indicator.kind == "mean" else 0),
        denominator_text=text("denominator", 0),
        value_text=values,
    )


def text_columns(indicator: Indicator, value: str = "Value") -> tuple[Column, Column, Column]:
    """Return the columns that :func:`with_text` adds, as a table shows them; ``value`` heads the last one."""
    return (
        Column("numerator_text", capitalised(indicator.numerator_words), "right"),
        Column("denominator_text", capitalised(indicator.denominator_words), "right"),
        Column("value_text", value, "right"),
    )


def limits_text(lower: pd.Series, upper: pd.Series, show: Callable[[float], str]) -> list[str]:
    """Write limits of values, row by row, by a function of :func:`value_shower`; a dash where one is missing."""
    return [
        numbers.MISSING if numbers.is_missing(low) or numbers.is_missing(high) else f"{show(low)} to {show(high)}"
        for low, high in zip(lower, upper, strict=True)
    ]

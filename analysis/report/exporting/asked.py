"""What is asked of an export: forms, width, dots an inch, some figures and tables; all checked before anything runs."""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, TypeVar, get_args

from analysis.errors import ReportError
from analysis.report.parts.drawing_files import DrawingForm

TableForm = Literal["csv", "docx"]
Form = TypeVar("Form", bound=str)
#: From the narrowest column that letters of seven points can be read in to the width of a poster (design choices).
LEAST_MM, MOST_MM = 20.0, 400.0
#: Dots an inch: of a screen, and of line drawings in print.
LEAST_DPI, MOST_DPI = 72, 1200
#: A picture with more dots across takes gigabytes of memory to draw.
MOST_DOTS = 10_000
_MM = {"mm": 1.0, "cm": 10.0, "in": 25.4}
_WIDTH = re.compile(r"\s*(\d+(?:\.\d+)?)\s*(mm|cm|in)\s*")


@dataclass(frozen=True, order=True)
class Item:
    """A figure or a table by its number in the report.

    Examples
    --------
    >>> str(Item("figure", 2))
    'figure-2'
    """

    kind: Literal["figure", "table"]
    number: int

    def __str__(self) -> str:
        return f"{self.kind}-{self.number}"


def drawing_forms(names: Sequence[str]) -> tuple[DrawingForm, ...]:
    """Give the forms of figures that are named.

    Raises
    ------
    ReportError
        One is unknown.
    """
    return _known(names, get_args(DrawingForm), "forms of figures")


def table_forms(names: Sequence[str]) -> tuple[TableForm, ...]:
    """Give the forms of tables that are named.

    Raises
    ------
    ReportError
        One is unknown.
    """
    return _known(names, get_args(TableForm), "forms of tables")


def refuse_nothing(figures: Sequence[str], tables: Sequence[str]) -> None:
    """Refuse to export neither figures nor tables.

    Raises
    ------
    ReportError
        No form is named of either.
    """
    if not figures and not tables:
        raise ReportError(
            "Neither figures nor tables were asked for.",
            where="forms of figures and of tables",
            what_to_do="Name a form: --figures svg,pdf or --tables csv,docx (in Python figures=, tables=).",
        )


def refuse_paper_of_all(only: Sequence[str]) -> None:
    """Refuse a paper of which no figure or table is named: it would hold all of them.

    Raises
    ------
    ReportError
        None is named.
    """
    if not only:
        raise ReportError(
            "A paper holds the figures and tables that are named, and none is.",
            where="what is to be exported (only)",
            what_to_do="Name them in their order by the numbers of the report: --only table-2,figure-1.",
        )


def width_in_mm(text: str) -> float:
    """Read a width with its unit.

    Raises
    ------
    ReportError
        It has no number or unit, or is not within the limits.

    Examples
    --------
    >>> width_in_mm("85mm"), width_in_mm("17.8 cm")
    (85.0, 178.0)
    """
    found = _WIDTH.fullmatch(text)
    if found is None:
        raise ReportError(
            f"{text!r} is no width with a unit.",
            where="width of the figures",
            what_to_do=f"Write a number and one of {', '.join(_MM)}: a column of a journal is often 85mm, a page 178mm.",
        )
    width = float(found[1]) * _MM[found[2]]
    if not LEAST_MM <= width <= MOST_MM:
        raise ReportError(
            f"The figures would be {width:g} mm wide.",
            where="width of the figures",
            what_to_do=f"Choose a width from {LEAST_MM:g} mm to {MOST_MM:g} mm.",
        )
    return width


def refuse_dots(dpi: int, width_mm: float, forms: Sequence[str]) -> None:
    """Refuse numbers of dots an inch beyond the limits, and pictures that no memory would hold.

    Raises
    ------
    ReportError
        Names the limit.
    """
    if not LEAST_DPI <= dpi <= MOST_DPI:
        raise ReportError(
            f"The figures would have {dpi:,} dots an inch.",
            where="dpi of the figures",
            what_to_do=f"Choose a number from {LEAST_DPI} to {MOST_DPI:,}: journals ask for 300 to 600, of line drawings up "
            "to 1,200.",
        )
    across = round(width_mm / _MM["in"] * dpi)
    if across > MOST_DOTS and {"tiff", "png"} & set(forms):
        raise ReportError(
            f"The pictures would be {across:,} dots wide; at most {MOST_DOTS:,} can be drawn.",
            where="dpi and width of the figures",
            what_to_do="Choose fewer dots an inch or a smaller width, or svg and pdf, which need no dots.",
        )


def named_items(names: Sequence[str], figures: Sequence[str], tables: Sequence[str]) -> tuple[Item, ...]:
    """Give the figures and tables that are named, each once, in the order in which they are; none where all are meant.

    Raises
    ------
    ReportError
        A name is not of the form figure-2 or table-1, or no form was asked for its kind.
    """
    items: dict[Item, None] = {}
    for name in names:
        found = re.fullmatch(r"\s*(figure|table)-([1-9]\d{0,3})\s*", name)
        if found is None:
            raise ReportError(
                f"{name!r} names no figure and no table.",
                where="what is to be exported (only)",
                what_to_do="Write figure-2 or table-1, with the number in the report, and commas between.",
            )
        kind: Literal["figure", "table"] = "figure" if found[1] == "figure" else "table"
        if not {"figure": figures, "table": tables}[kind]:
            raise ReportError(
                f"{name.strip()} was asked for, but no form of {kind}s.",
                where=f"what is to be exported (only), and forms of {kind}s",
                what_to_do=f"Name a form: --{kind}s {'svg,pdf' if kind == 'figure' else 'csv,docx'} (in Python {kind}s=).",
            )
        items[Item(kind, int(found[2]))] = None
    return tuple(items)


def _known(names: Sequence[str], known: tuple[Form, ...], where: str) -> tuple[Form, ...]:
    unknown = [name for name in names if name not in known]
    if unknown:
        raise ReportError(
            f"There is no form {unknown[0]!r}.", where=where, what_to_do=f"Use some of: {', '.join(known)}; or none."
        )
    return tuple(one for one in known if one in names)

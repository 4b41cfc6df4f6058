"""A table of a report: numbers kept as they are, shown as text by column formats, the same in every form."""

import base64
import html
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, ClassVar, Literal, Self, get_args

import pandas as pd

from analysis.cohort.findings import not_run
from analysis.errors import ReportError
from analysis.report.parts import numbers
from analysis.report.parts.part import Part
from analysis.report.parts.table_page import Cell, InCell, body, head, in_text
from analysis.report.parts.typesetting import in_front, typeset

Format = Literal[
    "text", "count", "number", "signed", "share", "share with interval", "points", "points with interval",
    "number with interval", "signed with interval", "interval", "fraction", "fraction with share", "p", "week",
    "shares", "points limits", "right",
]  # fmt: skip


@dataclass(frozen=True)
class Column:
    """One column that readers see.

    Parameters
    ----------
    name : str or tuple of str
        Column of the data, or the columns one cell is made of: (numerator, denominator) for a fraction, (lower, upper) for
        an interval, (estimate, lower, upper) for a value with its interval, or the value alone where its limits are the
        columns lower and upper.
    label : str
        Heading, with the unit.
    format : str
        How it is shown; one of :data:`Format`. "right" is text that is set like numbers.
    decimals : int
        Decimals; for shares, decimals of the percentage.
    group : str
        Heading over several neighbouring columns; empty for none.
    instead : str
        Column of the data whose text is shown in the place of the numbers where there is one, such as "not prescribed";
        empty for none.
    """

    name: str | tuple[str, ...]
    label: str
    format: Format = "text"
    decimals: int = 0
    group: str = ""
    instead: str = ""

    @property
    def numeric(self) -> bool:
        """Whether it is set to the right."""
        return self.format != "text"

    @property
    def sources(self) -> tuple[str, ...]:
        """Names of the columns of the data it is made of."""
        names = (self.name,) if isinstance(self.name, str) else self.name
        if self.format in _WITH_INTERVAL and len(names) == 1:
            names = (*names, "lower", "upper")
        return (*names, self.instead) if self.instead else names

    def cell(self, values: Sequence[Any]) -> str:
        """Show the value, or the values that belong together, as text."""
        decimals = self.decimals
        if self.instead and not numbers.is_missing(values[-1]):
            return str(values[-1])
        if self.format in _WITH_INTERVAL:
            value, limits = _WITH_INTERVAL[self.format]
            shown = value(values[0], decimals)
            known = not (numbers.is_missing(values[1]) or numbers.is_missing(values[2]))
            return f"{shown} ({limits(values[1], values[2], decimals)})" if known else shown
        return _SHOWN[self.format](values, decimals)


def _text(values: Sequence[Any], _: int) -> str:
    return numbers.MISSING if numbers.is_missing(values[0]) else str(values[0])


def _fraction_with_share(values: Sequence[Any], decimals: int) -> str:
    fraction = numbers.fraction(values[0], values[1])
    return f"{fraction} ({numbers.share(values[0] / values[1], decimals)})" if values[1] else fraction


_SHOWN: dict[Format, Callable[[Sequence[Any], int], str]] = {
    "text": _text,
    "right": _text,
    "count": lambda values, _: numbers.count(values[0]),
    "number": lambda values, decimals: numbers.number(values[0], decimals),
    "signed": lambda values, decimals: numbers.signed(values[0], decimals),
    "share": lambda values, decimals: numbers.share(values[0], decimals),
    "points": lambda values, decimals: numbers.points(values[0], decimals),
    "p": lambda values, _: numbers.p_value(values[0]),
    "week": lambda values, _: numbers.week_or_day(values[0]),
    "fraction": lambda values, _: numbers.fraction(values[0], values[1]),
    "fraction with share": _fraction_with_share,
    "points limits": lambda values, decimals: numbers.points_interval(values[0], values[1], decimals),
    "shares": lambda values, decimals: numbers.share_interval(values[0], values[1], decimals),
    "interval": lambda values, decimals: numbers.interval(values[0], values[1], decimals),
}
#: What shows the value, and what shows the interval in brackets after it.
_WITH_INTERVAL: dict[Format, tuple[Callable[..., str], Callable[..., str]]] = {
    "number with interval": (numbers.number, numbers.interval),
    "signed with interval": (numbers.signed, numbers.interval),
    "share with interval": (numbers.share, numbers.share_interval),
    "points with interval": (numbers.points, numbers.points_interval),
}


@dataclass(frozen=True, eq=False)
class Table(Part):
    """A data frame with what a reader needs to understand it.

    Parameters
    ----------
    data : pandas.DataFrame
        The numbers, not rounded.
    caption : str
        What the table shows, one or two sentences.
    columns : tuple of Column
        The columns shown, in order; the first one heads the rows. Empty: every column of the data as text.
    notes : tuple of str
        Denominators, level and method of intervals, abbreviations.
    name : str
        Short name, used for the identity of the table on its page.
    rows_grouped_by : str
        Column whose values head groups of rows; empty for none.
    csv : str
        What :meth:`to_csv` gives, where the table was read from a notebook; empty where the data have the numbers.
    message : str
        What it says in a short sentence without full stop, as the title of a slide; empty where it is not for slides.
    pictures : mapping of str to tuple of bytes
        By label of a column small pictures (PNG), one a row, shown in the place of the text of its cells, which is their
        alternative.
    slide : bytes
        The whole table as a picture (PNG), for a slide; empty where a slide shows the table itself.

    Raises
    ------
    ReportError
        A column is named that the data do not have.

    Examples
    --------
    >>> data = pd.DataFrame({"protocol": ["usual"], "share": [0.25], "lower": [0.1], "upper": [0.47]})
    >>> columns = (Column("protocol", "Protocol"), Column("share", "Share", "share with interval"))
    >>> Table(data, "Responders.", columns).cells()
      Protocol            Share
    0    usual  25 % (10 to 47 %)
    """

    part: ClassVar[str] = "table"

    data: pd.DataFrame
    caption: str
    columns: tuple[Column, ...] = ()
    notes: tuple[str, ...] = ()
    name: str = "table"
    rows_grouped_by: str = ""
    csv: str = ""
    message: str = ""
    pictures: Mapping[str, tuple[bytes, ...]] = field(default_factory=dict, repr=False)
    slide: bytes = field(default=b"", repr=False)

    def __post_init__(self) -> None:
        if not self.columns:
            every = tuple(Column(str(name), str(name)) for name in self.data.columns if name != self.rows_grouped_by)
            object.__setattr__(self, "columns", every)
        wanted = [name for column in self.columns for name in column.sources]
        missing = [name for name in [*wanted, *filter(None, [self.rows_grouped_by])] if name not in self.data.columns]
        if missing:
            raise ReportError(
                f"The table {self.name!r} has no column {', '.join(repr(name) for name in missing)}.",
                where=f"columns there: {', '.join(str(name) for name in self.data.columns)}",
                what_to_do="Name columns of the data.",
            )
        unknown = [column.format for column in self.columns if column.format not in get_args(Format)]
        if unknown:
            raise ReportError(
                f"There is no column format {unknown[0]!r}.",
                where=f"table {self.name!r}",
                what_to_do=f"Use one of: {', '.join(get_args(Format))}.",
            )

    def cells(self) -> pd.DataFrame:
        """Show every cell as text.

        Returns
        -------
        pandas.DataFrame
            One column of text for each column shown, named by its label; same rows as the data.
        """
        shown = {
            position: [
                column.cell(values) for values in zip(*(self.data[name] for name in column.sources), strict=True)
            ]
            for position, column in enumerate(self.columns)
        }
        frame = pd.DataFrame(shown, index=self.data.index, dtype=object)
        frame.columns = pd.Index([column.label for column in self.columns])
        return frame

    def groups(self) -> list[str]:
        """Return the heading of the group that each row belongs to; empty without groups."""
        return [str(value) for value in self.data[self.rows_grouped_by]] if self.rows_grouped_by else []

    def rows(self) -> list[list[str]]:
        """Return the text of every cell, row by row; the first of a row heads it."""
        rows: list[list[str]] = self.cells().to_numpy().tolist()
        return rows

    def grouped_rows(self) -> Iterator[tuple[str | None, list[Cell]]]:
        """Give the rows of each group together, the first one with the heading of the group; pictures in their cells."""
        rows, groups = self._with_pictures(), self.groups()
        if not groups:
            yield from ((None, row) for row in rows)
        for group in dict.fromkeys(groups):
            own = [row for row, name in zip(rows, groups, strict=True) if name == group]
            yield from ((group if position == 0 else None, row) for position, row in enumerate(own))

    def _with_pictures(self) -> list[list[Cell]]:
        drawn = [self.pictures.get(column.label, ()) for column in self.columns]
        return [
            [
                InCell(every[place], f"{column.label}: {cell}") if every and every[place] else cell
                for every, cell, column in zip(drawn, row, self.columns, strict=True)
            ]
            for place, row in enumerate(self.rows())
        ]

    def spans(self) -> list[tuple[str, list[Column]]]:
        """Give the headings over columns with the columns under each; a column without one stands alone."""
        found: list[tuple[str, list[Column]]] = []
        for column in self.columns:
            if found and column.group and found[-1][0] == column.group:
                found[-1][1].append(column)
            else:
                found.append((column.group, [column]))
        return found

    def _headings(self) -> list[tuple[str, list[str]]]:
        return [(over, [one.label for one in under]) for over, under in self.spans()]

    def sides(self) -> list[str]:
        """Return the side that each column is set to, "left" or "right"; the first heads the rows, and stands left."""
        return ["left", *("right" if column.numeric else "left" for column in self.columns[1:])]

    def to_json(self) -> dict[str, Any]:
        """Return the table as it is shown, in plain lists and dictionaries."""
        pictures = {label: [in_text(one) for one in every] for label, every in self.pictures.items()}
        more = {"pictures": pictures, "slide": in_text(self.slide)} if pictures or self.slide else {}
        return {**self.words(), "csv": self.to_csv(), **more}

    def words(self) -> dict[str, Any]:
        """Return the table as it is shown, without the numbers behind it, whose last digit may differ between machines."""
        return {
            "name": self.name,
            "caption": self.caption,
            "columns": [
                {"label": column.label, "group": column.group, "numeric": column.numeric} for column in self.columns
            ],
            "rows": self.rows(),
            "row_groups": self.groups(),
            "notes": list(self.notes),
            **({"message": self.message} if self.message else {}),
        }

    def to_csv(self) -> str:
        """Return the numbers of the columns shown, not rounded, with the level and method of intervals where they are there.

        A number in whose place a word is shown is left empty; a text that a spreadsheet would run gets an apostrophe in
        front.
        """
        if self.csv:
            return self.csv
        shown = [self.rows_grouped_by, *(name for column in self.columns for name in column.sources), "level", "method"]
        numbers_of = self.data[[name for name in dict.fromkeys(shown) if name in self.data]].astype(object)
        for column in self.columns:
            if column.instead:
                *hidden, _ = column.sources
                numbers_of.loc[self.data[column.instead].notna(), hidden] = None
        for name in self.data.select_dtypes(exclude=["number", "bool"]).columns.intersection(numbers_of.columns):
            known = numbers_of[name].notna()
            numbers_of.loc[known, name] = not_run(numbers_of.loc[known, name].astype("str"))
        return numbers_of.to_csv(index=False, lineterminator="\n")

    @classmethod
    def from_json(cls, shown: Mapping[str, Any]) -> Self:
        """Give back a table as it was shown: its data are the texts of its cells."""
        columns = tuple(
            Column(str(place), one["label"], "right" if one["numeric"] else "text", group=one["group"])
            for place, one in enumerate(shown["columns"])
        )
        data = pd.DataFrame(shown["rows"], columns=[str(column.name) for column in columns], dtype=object)
        groups = {"group": pd.Series(shown["row_groups"], dtype=object)} if shown["row_groups"] else {}
        notes = tuple(shown["notes"])
        pictures = {
            label: tuple(base64.b64decode(one) for one in every) for label, every in shown.get("pictures", {}).items()
        }
        return cls(
            data.assign(**groups), shown["caption"], columns, notes, shown["name"], "".join(groups), shown["csv"],
            shown.get("message", ""), pictures, base64.b64decode(shown.get("slide", "")),
        )  # fmt: skip

    def to_html(self, *, called: str = "") -> str:
        """Return the table as an HTML fragment without style: caption, header scopes, notes; all text escaped.

        ``called`` is what a document calls it, before its caption: Table 2.
        """
        label = html.escape(self.caption, quote=True)
        notes = "".join(f"<p>{typeset(note)}</p>" for note in self.notes)
        notes = f'<div class="notes">{notes}</div>' if notes else ""
        return (
            f'<div class="table"><div class="scroll" role="region" tabindex="0" aria-label="{label}">'
            f"<table><caption><span>{in_front(called)}{typeset(self.caption)}</span></caption>\n"
            f"<thead>{head(self._headings(), self.sides())}</thead>\n"
            f"<tbody>{''.join(body(self.grouped_rows(), self.sides()))}</tbody></table></div>{notes}</div>"
        )

    def __str__(self) -> str:
        shown = self.cells()
        if self.rows_grouped_by:
            shown.insert(0, "", self.groups())
        return "\n".join([self.caption, shown.to_string(index=False), *self.notes])


def level_of(table: pd.DataFrame) -> str:
    """Show the level of the intervals in a table of estimates, from its column level; 95 % where it has no row.

    Examples
    --------
    >>> level_of(pd.DataFrame({"level": [0.9]}))
    '90 %'
    """
    return numbers.level_in_words(float(table["level"].iloc[0])) if len(table) else "95 %"


def intervals_by(table: pd.DataFrame) -> str:
    """Say for a note how the intervals of a table of estimates were made, from its column method.

    Examples
    --------
    >>> intervals_by(pd.DataFrame({"method": ["Wilson score"]}))
    'Intervals: Wilson score.'
    """
    return f"Intervals: {table['method'].iloc[0] if len(table) else 'none'}."

"""The review of a source: one block a column, with what it seems to be and the line in which a person decides.

The file holds the names of the columns and the shapes of their cells, never a cell; it stays with the source.
"""

from __future__ import annotations

import os
import re
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Literal, get_args

import pandas as pd

from analysis.cohort.deidentification.judge import Act, Judgement, Seems
from analysis.cohort.files.paths import refuse_no_file
from analysis.cohort.files.settings_files import explained_toml
from analysis.cohort.recognition.cells import Cells
from analysis.cohort.recognition.identifier_rules import GIVEN_NAMES
from analysis.cohort.recognition.trade_words import words_of
from analysis.cohort.suggesting.map_text import quoted
from analysis.errors import CohortError
from analysis.foreign_text import shape, visible
from analysis.result import Result

MaySee = Literal["anyone", "inside"]
#: What a person may decide; the date of the start and dates of birth are not asked for.
DECISIONS: tuple[Act, ...] = ("keep", "cap", "weeks", "zip3", "number", "codes", "group", "withhold")
_SHAPES = 6
#: A name that a person gives a column.
_NAME = re.compile(r"[A-Za-z][A-Za-z0-9_ ]{0,59}")
#: Shapes of so many cells are looked at, the longest first.
_LOOKED_AT = 1_000
_KEYS = ("table", "column", "seems", "why", "distinct", "shapes", "proposed", "decision", "codes", "may_see", "name")
_HEAD = """\
# What is to become of each column. The file holds names of columns and shapes of cells (A a letter, 9 a digit), no cell.
# Keep it with the source. Write a decision for each column that would be withheld and that you need:
#   keep      numbers, yes or no: as they are; other cells are emptied     cap    the same, ages over 89 become 90
#   codes     labels: list the only ones that may stay in codes = [...]    group  the same, rare ones become "other"
#   number    labels become numbers in random order                        weeks  dates become weeks from the start
#   zip3      three digits of a ZIP code of the United States               withhold
# and who may see it: may_see = "anyone", or "inside" (the organisation; kept at the limited level only).
# An empty decision does what is proposed where the column is known, and withholds all others.
# Then: kneecurve deidentify SOURCE --decisions THIS_FILE --out FOLDER
"""


@dataclass(frozen=True)
class ColumnReview:
    """One column of a source: what it seems to be, what is proposed, and what a person decided.

    ``decision`` is None where nobody decided yet; ``withheld`` says that the column is left out then. ``labels`` are for the
    person at the terminal; they are never written.
    """

    table: str
    column: str
    seems: Seems
    why: str
    distinct: int
    shapes: tuple[str, ...]
    proposed: Act
    withheld: bool
    decision: Act | None = None
    codes: tuple[str, ...] = ()
    may_see: MaySee | None = None
    name: str = ""
    labels: tuple[str, ...] = field(default=(), repr=False, compare=False)

    def to_toml(self) -> str:
        """Give the block of the column."""
        lines = {
            "table": quoted(self.table),
            "column": quoted(self.column),
            "seems": quoted(self.seems),
            "why": quoted(self.why),
            "distinct": str(self.distinct),
            "shapes": _listed(self.shapes),
            "proposed": quoted(self.proposed) + ("  # withheld until decided" if self.withheld else ""),
            "decision": quoted(self.decision or ""),
            "codes": _listed(self.codes),
            "may_see": quoted(self.may_see or ""),
            "name": quoted(self.name),
        }
        return "\n".join(["[[columns]]", *(f"{key} = {text}" for key, text in lines.items())])


@dataclass(frozen=True, repr=False)
class Review(Result):
    """The columns of a source, for a person to decide on.

    Parameters
    ----------
    columns : tuple of ColumnReview
        One a column, in the order of the source.
    """

    columns: tuple[ColumnReview, ...]

    @property
    def undecided(self) -> tuple[ColumnReview, ...]:
        """Columns that are withheld because nobody decided on them."""
        return tuple(one for one in self.columns if one.withheld and one.decision is None)

    def of(self, table: str, column: str) -> ColumnReview | None:
        """Give what was decided on a column: of the table, or, where only one table has such a column, of that one."""
        named = [one for one in self.columns if one.column == column and one.decision is not None]
        exact = [one for one in named if one.table == table]
        return exact[0] if exact else named[0] if len(named) == 1 else None

    def with_decisions(self, other: Review) -> Review:
        """Take over what was decided before on the same columns."""
        found = []
        for one in self.columns:
            before = other.of(one.table, one.column)
            found.append(one if before is None else replace(
                one, decision=before.decision, codes=before.codes, may_see=before.may_see, name=before.name))  # fmt: skip
        return Review(tuple(found))

    def to_toml(self) -> str:
        """Give the file as text."""
        return "\n".join([_HEAD, *(f"{one.to_toml()}\n" for one in self.columns)])

    def write(self, path: str | os.PathLike[str]) -> Path:
        """Write the file; one that is there must be a review, whose decisions are taken over before (``with_decisions``)."""
        target = Path(path)
        refuse_no_file(target)
        target.write_text(self.to_toml(), encoding="utf-8")
        return target

    def _headline(self) -> str:
        n = len(self.columns)
        return f"Review of {n:,} column{'' if n == 1 else 's'}: {len(self.undecided):,} withheld until a person decides"

    def _shown_tables(self) -> dict[str, pd.DataFrame]:
        rows = [
            (one.table, visible(one.column), one.seems, one.why, one.proposed, one.decision or "")
            for one in self.columns
        ]
        names = ["table", "column", "seems", "why", "proposed", "decision"]
        return {"columns": pd.DataFrame(rows, columns=pd.Index(names))}


def column_review(table: str, values: pd.Series, judged: Judgement) -> ColumnReview:
    """Review one column as it was judged."""
    cells = Cells(values)
    distinct = cells.distinct
    shapes = tuple(dict.fromkeys(map(shape, sorted(distinct, key=len, reverse=True)[:_LOOKED_AT])))
    withheld = judged.act == "withhold" and judged.seems != "nothing"
    proposed = _proposal(judged, cells) if withheld else judged.act
    n_more = len(shapes) - _SHAPES
    more = (f"and {n_more:,} more shape{'' if n_more == 1 else 's'}",) if n_more > 0 else ()
    labels = tuple(sorted(distinct)) if judged.seems == "labels" else ()
    return ColumnReview(
        table, judged.column, judged.seems, judged.found, len(distinct), (*shapes[:_SHAPES], *more), proposed, withheld,
        labels=labels,
    )  # fmt: skip


def read_review(path: str | os.PathLike[str]) -> Review:
    """Read a review with the decisions that a person wrote into it.

    Raises
    ------
    CohortError
        The file cannot be read, a key or a decision does not exist, codes are missing, or nobody says who may see a column.
    """
    file = Path(path)
    data = explained_toml(file, "review", "make a new one with kneecurve deidentify SOURCE --review FILE")
    blocks = data.get("columns")
    if not isinstance(blocks, list) or not all(isinstance(block, dict) for block in blocks):
        raise _wrong(file, "", "holds no [[columns]]")
    columns = tuple(_read_block(file, block) for block in blocks)
    twice = [key for key, n in Counter((one.table, one.column) for one in columns).items() if n > 1]
    if twice:
        raise _wrong(file, twice[0][1], "is decided twice")
    return Review(columns)


def _read_block(file: Path, block: dict[str, Any]) -> ColumnReview:
    column = str(block.get("column", ""))
    unknown = [key for key in block if key not in _KEYS]
    if unknown or not column:
        raise _wrong(file, column, f"has the unknown key {unknown[0]!r}" if unknown else "does not say which")
    decision, may_see, codes = block.get("decision", ""), block.get("may_see", ""), block.get("codes", [])
    if decision not in ("", *DECISIONS):
        raise _wrong(file, column, f"has the decision {decision!r}; there are {', '.join(DECISIONS)}")
    if may_see not in ("", *get_args(MaySee)):
        raise _wrong(file, column, f"has may_see = {may_see!r}; it is anyone, or inside")
    if not isinstance(codes, list) or not all(isinstance(code, str) for code in codes):
        raise _wrong(file, column, "has codes that are no list of texts")
    labels = decision == "keep" and block.get("seems") != "numbers" and block.get("proposed") != "keep"
    if labels:
        raise _wrong(file, column, "holds no numbers: decide codes, and list those that may stay")
    if decision in ("codes", "group") and not codes:
        raise _wrong(file, column, f"is decided as {decision}, and no code is listed that may stay")
    if decision not in ("", "withhold") and not may_see:
        raise _wrong(file, column, 'does not say who may see it: may_see = "anyone" or "inside"')
    name = str(block.get("name", ""))
    if name and (not _NAME.fullmatch(name) or name == "patient_id" or set(words_of(name)) & GIVEN_NAMES):
        raise _wrong(
            file, column, f"is to be called {name!r}; a name has letters, digits, blanks and _, and is nobody's"
        )
    shapes = block.get("shapes", [])
    return ColumnReview(
        str(block.get("table", "")), column, block.get("seems", "labels"), str(block.get("why", "")),
        block.get("distinct", 0), tuple(map(str, shapes if isinstance(shapes, list) else [])),
        block.get("proposed", "withhold"), withheld=True, decision=decision or None, codes=tuple(codes),
        may_see=may_see or None, name=name,
    )  # fmt: skip


def _proposal(judged: Judgement, cells: Cells) -> Act:
    """Propose what a person could decide on a column that is withheld; whole numbers may be ages."""
    if judged.paragraph:
        return "withhold"
    if judged.seems != "numbers":
        return "codes" if judged.seems == "labels" else "withhold"
    numbers = cells.row_numbers.dropna()
    ages = bool(len(numbers)) and bool(
        (numbers % 1 == 0).all() and numbers.between(0, 120).all() and (numbers >= 90).any()
    )
    return "cap" if ages else "keep"


def _listed(texts: Iterable[str]) -> str:
    return "[" + ", ".join(quoted(text) for text in texts) + "]"


def _wrong(file: Path, column: str, problem: str) -> CohortError:
    where = f"{file.name}, column {column}" if column else file.name
    what_to_do = "Correct the file, or make a new one: kneecurve deidentify SOURCE --review FILE."
    return CohortError(
        f"The review {problem}." if not column else f"The column {problem}.", where=where, what_to_do=what_to_do
    )

"""The numbers of figures and tables: the same in every form of a report, through its appendix."""

from dataclasses import dataclass
from typing import Literal

from analysis.report.forms.document import Document
from analysis.report.parts.figures import Figure
from analysis.report.parts.tables import Table


@dataclass(frozen=True)
class Numbered:
    """A figure or a table with its number.

    Parameters
    ----------
    kind : {"figure", "table"}
        What it is.
    number : int
        Its number among its kind, from 1.
    block : Figure or Table
        The figure or table itself.
    """

    kind: Literal["figure", "table"]
    number: int
    block: Figure | Table

    @property
    def name(self) -> str:
        """What it is called: Table 2."""
        return f"{self.kind.capitalize()} {self.number}."

    @property
    def numbers(self) -> Table:
        """The table itself, or that of the figure."""
        return self.block.table if isinstance(self.block, Figure) else self.block

    @property
    def caption(self) -> str:
        """What stands beside it, with its number: the whole caption of a table, the title of a figure."""
        words = f"{self.block.title}." if isinstance(self.block, Figure) else self.block.caption
        return f"{self.name} {words}"


def numbered(document: Document) -> list[Numbered]:
    """Number the figures and the tables of a report, each in their order; the numbers of a figure are no table.

    Examples
    --------
    >>> import pandas as pd
    >>> from analysis.report.forms.document import Shown
    >>> from analysis.report.forms.markdown import Heading
    >>> table = Table(pd.DataFrame({"n": [1]}), "Counted.")
    >>> [one.caption for one in numbered(Document((Shown("a", (Heading(1, "Title", "Title"), table, table)),)))]
    ['Table 1. Counted.', 'Table 2. Counted.']
    """
    found: list[Numbered] = []
    counted = {"figure": 0, "table": 0}
    for block in document.blocks:
        if isinstance(block, Figure | Table):
            kind: Literal["figure", "table"] = "figure" if isinstance(block, Figure) else "table"
            counted[kind] += 1
            found.append(Numbered(kind, counted[kind], block))
    return found

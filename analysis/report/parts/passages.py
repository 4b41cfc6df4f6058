"""Sentences of a report, and sections made of sentences, figures and tables."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, ClassVar, Literal, Self

from analysis.report.parts.figures import Figure
from analysis.report.parts.part import Part
from analysis.report.parts.tables import Table
from analysis.report.parts.typesetting import typeset

#: answer: the finding in plain language; text: body text; caution: what the report must not be used for; absent: what
#: the data do not hold; items: a list; subtitle: the line under the title; output: text that a cell printed; watermark: what
#: stands on every page and slide.
PassageKind = Literal["answer", "text", "caution", "absent", "items", "subtitle", "output", "watermark"]


@dataclass(frozen=True)
class Passage(Part):
    """Plain sentences; never markup.

    Parameters
    ----------
    paragraphs : tuple of str
        Paragraphs, or the items of a list.
    kind : str
        What the passage is, see :data:`PassageKind`.
    points : tuple of str
        What a slide shows of an answer or of cautions, in few words; empty for their sentences.

    Examples
    --------
    >>> Passage(("Shown as <text>.",)).to_html()
    '<div class="text"><p>Shown as &lt;text&gt;.</p></div>'
    """

    part: ClassVar[str] = "passage"

    paragraphs: tuple[str, ...]
    kind: PassageKind = "text"
    points: tuple[str, ...] = field(default=(), kw_only=True)

    def to_json(self) -> dict[str, Any]:
        """Return the passage in plain lists and dictionaries."""
        points = {"points": list(self.points)} if self.points else {}
        return {"kind": self.kind, "paragraphs": list(self.paragraphs), **points}

    @classmethod
    def from_json(cls, shown: Mapping[str, Any]) -> Self:
        """Give back a passage."""
        return cls(tuple(shown["paragraphs"]), shown["kind"], points=tuple(shown.get("points", ())))

    def to_html(self) -> str:
        """Return the passage as an HTML fragment; all text escaped."""
        texts = [typeset(paragraph) for paragraph in self.paragraphs]
        if self.kind == "items":
            return f'<ul class="items">{"".join(f"<li>{text}</li>" for text in texts)}</ul>'
        return f'<div class="{self.kind}">{"".join(f"<p>{text}</p>" for text in texts)}</div>'

    def __str__(self) -> str:
        return "\n".join(self.paragraphs)


#: What a section is made of.
Item = Passage | Figure | Table


@dataclass(frozen=True)
class Section:
    """What one cell of a report shows, in order; in a notebook each item is an output of its own.

    Parameters
    ----------
    items : tuple
        Passages, figures and tables.
    """

    items: tuple[Item, ...]

    def __iter__(self) -> Iterator[Item]:
        return iter(self.items)

    def __len__(self) -> int:
        return len(self.items)

    def _ipython_display_(self) -> None:
        from IPython.display import display

        for item in self.items:
            display(item)  # type: ignore[no-untyped-call]

    def __str__(self) -> str:
        return "\n\n".join(str(item) for item in self.items)


def absent(what: str) -> Passage:
    """Say that something is not in the data.

    Examples
    --------
    >>> str(absent("Home sessions were not recorded."))
    'Not in the data: Home sessions were not recorded.'
    """
    return Passage((f"Not in the data: {what}",), "absent")

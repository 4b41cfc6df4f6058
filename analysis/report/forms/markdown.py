"""The text cells of a notebook: headings, and what its author set without the kit."""

from collections.abc import Iterator
from dataclasses import dataclass
from html import unescape
from typing import Any

import mistune

from analysis.report.parts.passages import Passage, PassageKind

_PLUGINS = ["table", "strikethrough"]
#: What reads a text into its blocks, and what writes blocks as HTML.
_READ: Any = mistune.create_markdown(renderer="ast", plugins=_PLUGINS)
_PAGES: Any = mistune.create_markdown(escape=False, plugins=_PLUGINS).renderer
#: What stands between the parts of a block in plain text.
_BETWEEN = {"list": "\n", "list_item": "\n", "block_quote": "\n", "table": "\n", "table_body": "\n",
            "table_head": " | ", "table_row": " | "}  # fmt: skip


@dataclass(frozen=True)
class Heading:
    """A heading.

    Parameters
    ----------
    level : int
        1 for the title of the report.
    text : str
        Its text, without markup.
    html : str
        Its text as HTML.
    """

    level: int
    text: str
    html: str = ""


@dataclass(frozen=True)
class OwnWords(Passage):
    """Words of the author of a notebook, or an output that is none of the kit's: a passage with HTML of its own.

    Attributes
    ----------
    html : str
        How it is shown on a page.
    picture : bytes
        PNG or JPEG, shown in the place of the paragraphs in the other forms; empty for none.
    alt : str
        What the picture shows.
    """

    html: str = ""
    picture: bytes = b""
    alt: str = ""

    def to_html(self) -> str:
        """Return the HTML of its own."""
        return f'<div class="own">{self.html}</div>'


def read_markdown(source: str) -> Iterator[Heading | OwnWords]:
    r"""Read the blocks of a text cell.

    Parameters
    ----------
    source : str
        Markdown.

    Examples
    --------
    >>> for block in read_markdown("# One *word*\n\nSome **text**."):
    ...     print(block)
    Heading(level=1, text='One word', html='One <em>word</em>')
    Some text.
    """
    state = mistune.BlockState()
    for token in _READ(source):
        text = _text(token).strip()
        if token["type"] == "heading":
            yield Heading(token["attrs"]["level"], text, _PAGES.render_tokens(token["children"], state))
        elif token["type"] != "blank_line":
            kind: PassageKind = "items" if token["type"] == "list" else "text"
            paragraphs = tuple(_text(one) for one in token["children"]) if kind == "items" else (text,)
            yield OwnWords(paragraphs, kind, _PAGES.render_tokens([token], state))


def _text(token: dict[str, Any]) -> str:
    if token["type"] in ("softbreak", "linebreak"):
        return " "
    if "children" in token:
        return _BETWEEN.get(token["type"], "").join(_text(one) for one in token["children"])
    return unescape(token.get("raw", ""))

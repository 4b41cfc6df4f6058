"""A report as one HTML file that stands alone: no script, nothing loaded, readable at every width."""

import itertools
import re
from collections.abc import Mapping, Sequence
from functools import cache
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

from analysis.errors import ReportError
from analysis.report.forms.document import Document
from analysis.report.forms.markdown import Heading
from analysis.report.forms.numbering import numbered
from analysis.report.parts.figures import Figure
from analysis.report.parts.passages import Passage
from analysis.report.parts.tables import Table
from analysis.report.parts.typesetting import typeset
from analysis.report.parts.wording import made_in_words

#: The section whose own sections are folded, to be opened by whoever needs them; on paper they stand at the end.
FOLDED, _FOLDED_LEVEL = "Appendix", 3
TEMPLATES = Path(__file__).resolve().parent / "templates"


def document_to_html(document: Document, *, stamp: str) -> str:
    """Turn a document into a page; ``stamp``, when it was made, is the only part in which two equal runs differ.

    Raises
    ------
    ReportError
        A heading jumps a level, also in an output, or the page would load something or run a script.
    """
    subtitle = (Passage(document.subtitle, "subtitle"),) if document.subtitle else ()
    contents: dict[str, str] = {}
    blocks = (document.title, *subtitle, *document.blocks)
    identities = _identities([block.text for block in blocks if isinstance(block, Heading)])
    leading = dict(reversed(identities))
    following = iter(identities)
    sections: list[list[str]] = [[]]
    folding = folded = False
    numbers = iter(numbered(document))
    for block in blocks:
        match block:
            case Heading(level, text, shown):
                _, identity = next(following)
                if folded and level <= _FOLDED_LEVEL:
                    sections[-1].append("</details>")
                    folded = False
                if level == 2:
                    contents[identity] = text
                    sections.append([])
                    folding = text == FOLDED
                heading = f'<h{level} id="{identity}">{shown or typeset(text)}</h{level}>'
                if folding and level == _FOLDED_LEVEL:
                    heading, folded = f'<details class="section"><summary>{heading}</summary>', True
                sections[-1].append(heading)
            case Figure():
                sections[-1].append(block.to_html(page=True, called=next(numbers).name))
            case Table():
                sections[-1].append(block.to_html(called=next(numbers).name))
            case Passage(kind="answer"):
                sections[-1].append(_leading_on(block.to_html(), leading))
            case _:
                sections[-1].append(block.to_html())
    if folded:
        sections[-1].append("</details>")
    page = str(
        _page().render(
            # The contents stand after the first section, which is the answer.
            first="\n".join(part for section in sections[:2] for part in section),
            rest="\n".join(part for section in sections[2:] for part in section),
            contents=list(contents.items()),
            made=made_in_words(stamp),
            watermark=document.watermark,
            style=(TEMPLATES / "page.css").read_text(encoding="utf-8"),
            title=": ".join([document.title.text, *document.subtitle[:1]]),
        )
    )
    refuse_what_does_not_stand_alone(page)
    return page


def _identities(texts: Sequence[str]) -> list[tuple[str, str]]:
    """Give each heading, beside its text, an identity made of it, so that the contents can lead there."""
    used: set[str] = set()
    found = []
    for text in texts:
        stem = re.sub(r"[^a-z0-9]+", "-", text.lower()).strip("-") or "section"
        identity = next(one for one in (stem, *(f"{stem}-{n}" for n in range(2, 1000))) if one not in used)
        used.add(identity)
        found.append((text, identity))
    return found


def _leading_on(answer: str, identities: Mapping[str, str]) -> str:
    """Make "under" and the text of a heading in the answer lead to that heading, also where it is folded."""
    texts = {typeset(text): identity for text, identity in identities.items()}
    names = "|".join(re.escape(text) for text in sorted(texts, key=len, reverse=True))
    return re.sub(
        rf"(?<=\bunder )(?:{names})(?![\w-])", lambda found: f'<a href="#{texts[found[0]]}">{found[0]}</a>', answer
    )


def refuse_what_does_not_stand_alone(page: str) -> None:
    """Refuse a page with a script, an event handler, an address that leads outside the file, or headings that jump.

    Raises
    ------
    ReportError
        Names the first element, or heading, that is refused.

    Examples
    --------
    >>> refuse_what_does_not_stand_alone('<p><a href="#answer">Answer</a></p>')
    """
    checker = _StandsAlone()
    checker.feed(page)
    for (before, _), (level, text) in itertools.pairwise(checker.headings):
        if level > before + 1 or level == 1:
            raise ReportError(
                f"The heading {text!r} does not follow from the one before.",
                what_to_do="Give the notebook one first-level heading, sections with the second level, and so on.",
            )
    if checker.problems:
        raise ReportError(
            "The page would not stand alone.",
            where=checker.problems[0],
            what_to_do="Take it out of the notebook: a report holds no script and loads nothing.",
        )


class _StandsAlone(HTMLParser):
    _FORBIDDEN = frozenset({"script", "iframe", "object", "embed", "link", "base", "form", "video", "audio"})
    _ADDRESSES = frozenset({"src", "href", "srcset", "action", "data", "poster", "background", "xlink:href"})

    def __init__(self) -> None:
        super().__init__()
        self.problems: list[str] = []
        self.headings: list[tuple[int, str]] = []
        self._in_style = False
        self._heading: list[str] | None = None

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._in_style = tag == "style"
        if re.fullmatch("h[1-6]", tag):
            self._heading = []
        if tag in self._FORBIDDEN:
            self.problems.append(f"element {tag}")
        for name, value in attrs:
            text = (value or "").strip()
            if name.startswith("on"):
                self.problems.append(f"attribute {name} of {tag}")
            elif name in self._ADDRESSES and text and not text.startswith(("data:image/", "#")):
                self.problems.append(f"attribute {name} of {tag}: {text[:60]}")
            elif name == "style" and "url(" in text:
                self.problems.append(f"style of {tag}: {text[:60]}")
        if tag == "meta" and any(name == "http-equiv" for name, _ in attrs):
            self.problems.append("meta with http-equiv")

    def handle_data(self, data: str) -> None:
        if self._in_style and re.search(r"@import|url\(", data):
            self.problems.append("style that loads something")
        if self._heading is not None:
            self._heading.append(data)

    def handle_endtag(self, tag: str) -> None:
        if tag == "style":
            self._in_style = False
        if self._heading is not None and re.fullmatch("h[1-6]", tag):
            self.headings.append((int(tag[1]), " ".join("".join(self._heading).split())))
            self._heading = None


@cache
def _page() -> Any:
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    templates = FileSystemLoader(TEMPLATES)
    environment = Environment(loader=templates, autoescape=True, undefined=StrictUndefined, trim_blocks=True)
    return environment.get_template("page.html.j2")

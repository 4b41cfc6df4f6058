"""An executed notebook as one HTML file that stands alone: no script, nothing loaded, readable at every width."""

from __future__ import annotations

import copy
import itertools
import re
from functools import cache
from html.parser import HTMLParser
from pathlib import Path
from typing import TYPE_CHECKING, Any

from analysis.errors import ReportError
from analysis.report.parts.passages import PASSAGE_TYPE
from analysis.report.parts.wording import made_in_words

if TYPE_CHECKING:
    from nbformat import NotebookNode

TEMPLATES = Path(__file__).resolve().parent / "templates"


class _Headings(HTMLParser):
    """Collect the headings of a page with their level, identity and text."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[tuple[int, str, str]] = []
        self._open: tuple[int, str] | None = None
        self._text: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if re.fullmatch(r"h[1-6]", tag):
            self._open = (int(tag[1]), dict(attrs).get("id") or "")
            self._text = []

    def handle_data(self, data: str) -> None:
        if self._open:
            self._text.append(data)

    def handle_endtag(self, tag: str) -> None:
        if self._open and tag == f"h{self._open[0]}":
            self.found.append((*self._open, " ".join("".join(self._text).split())))
            self._open = None


def notebook_to_html(notebook: NotebookNode, *, stamp: str, language: str = "en") -> str:
    """Turn an executed notebook into a page.

    Parameters
    ----------
    notebook : NotebookNode
        An executed notebook; its first heading is the title.
    stamp : str
        When the report was made, the only part that differs between two equal runs.
    language : str
        Language tag of the page.

    Returns
    -------
    str
        The page. Code cells are not shown, their outputs are; messages on the error stream are left out.

    Raises
    ------
    ReportError
        The notebook has no title, its headings jump a level, or the page would load something or run a script.
    """
    body = _both_widths(_with_identities(_body(notebook)))
    headings = _Headings()
    headings.feed(body)
    _check_headings(headings.found)
    contents = [(identity, text) for level, identity, text in headings.found if level == 2 and identity]
    first, rest = _after_first_section(body)
    page = _template("page.html.j2").render(
        first=first,
        rest=rest,
        contents=contents,
        language=language,
        made=made_in_words(stamp),
        style=(TEMPLATES / "page.css").read_text(encoding="utf-8"),
        title=": ".join([headings.found[0][2], *_subtitle(notebook)]),
    )
    refuse_what_does_not_stand_alone(page)
    return str(page)


def refuse_what_does_not_stand_alone(page: str) -> None:
    """Refuse a page with a script, an event handler, or an address that leads outside the file.

    Parameters
    ----------
    page : str
        HTML.

    Raises
    ------
    ReportError
        Names the first element that is refused.

    Examples
    --------
    >>> refuse_what_does_not_stand_alone('<p><a href="#answer">Answer</a></p>')
    """
    checker = _StandsAlone()
    checker.feed(page)
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
        self._in_style = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._in_style = tag == "style"
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

    def handle_endtag(self, tag: str) -> None:
        if tag == "style":
            self._in_style = False


def _body(notebook: NotebookNode) -> str:
    from nbconvert import HTMLExporter

    exporter = HTMLExporter(template_name="basic")  # type: ignore[no-untyped-call]
    exporter.exclude_input = True
    exporter.exclude_input_prompt = True
    exporter.exclude_output_prompt = True
    exporter.exclude_anchor_links = True
    exporter.embed_images = True
    body, _ = exporter.from_notebook_node(_without_error_stream(notebook))
    return str(body)


def _without_error_stream(notebook: NotebookNode) -> NotebookNode:
    shown = copy.deepcopy(notebook)
    for cell in shown.cells:
        if "outputs" in cell:
            cell.outputs = [output for output in cell.outputs if output.get("name") != "stderr"]
    return shown


def _with_identities(body: str) -> str:
    """Give each heading an identity made of its text, so that the contents can lead there."""
    used: set[str] = set()

    def name(match: re.Match[str]) -> str:
        level, inner = match[1], match[2]
        stem = re.sub(r"[^a-z0-9]+", "-", re.sub(r"<[^>]+>|&[a-z]+;", "", inner).lower()).strip("-") or "section"
        identity = next(text for text in (stem, *(f"{stem}-{n}" for n in range(2, 1000))) if text not in used)
        used.add(identity)
        return f'<h{level} id="{identity}">{inner}</h{level}>'

    return re.sub(r"<h([1-6])>(.*?)</h\1>", name, body, flags=re.DOTALL)


def _both_widths(body: str) -> str:
    """Let the style of the page choose between the pictures of a figure.

    A browser keeps the source it chose for the screen when it prints, so that a phone would print narrow figures.
    """
    return re.sub(
        r'<picture><source media="[^"]*" srcset="([^"]*)"\s*/?><img alt="([^"]*)" src="([^"]*)"\s*/?></picture>',
        r'<img class="wide" alt="\2" src="\3"><img class="narrow" alt="\2" src="\1">',
        body,
    )


def _after_first_section(body: str) -> tuple[str, str]:
    """Split a page where its second section begins: the contents stand there, after the answer."""
    starts = [match.start() for match in re.finditer(r"<h2[ >]", body)]
    return (body[: starts[1]], body[starts[1] :]) if len(starts) > 1 else (body, "")


def _subtitle(notebook: NotebookNode) -> list[str]:
    for cell in notebook.cells:
        for output in cell.get("outputs", []):
            passage = output.get("data", {}).get(PASSAGE_TYPE)
            if passage and passage["kind"] == "subtitle" and passage["paragraphs"]:
                return [str(passage["paragraphs"][0])]
    return []


def _check_headings(found: list[tuple[int, str, str]]) -> None:
    advice = "Give the notebook one first-level heading, sections with the second level, and so on."
    if not found or found[0][0] != 1 or not found[0][2]:
        raise ReportError("The notebook has no title.", where="first heading of the notebook", what_to_do=advice)
    for (before, _, _), (level, _, text) in itertools.pairwise(found):
        if level > before + 1 or level == 1:
            raise ReportError(f"The heading {text!r} does not follow from the one before.", what_to_do=advice)


@cache
def _template(name: str) -> Any:
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    environment = Environment(
        loader=FileSystemLoader(TEMPLATES), autoescape=True, undefined=StrictUndefined, trim_blocks=True
    )
    return environment.get_template(name)

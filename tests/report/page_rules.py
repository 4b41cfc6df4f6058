"""What every page must keep to, read off its parsed HTML; used by the tests of pages."""

from __future__ import annotations

import itertools
import re
from html.parser import HTMLParser

VOID = {"img", "meta", "br", "hr", "source", "col", "input", "link"}


class Page(HTMLParser):
    """Collect the elements of a page with their attributes, and the text of a few of them."""

    def __init__(self, text):
        super().__init__()
        self.elements = []
        self.texts = {}
        self.style = ""
        self._open = []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.elements.append((tag, dict(attrs), tuple(self._open)))
        if tag not in VOID:
            self._open.append(tag)

    def handle_endtag(self, tag):
        assert tag in self._open, f"</{tag}> closes nothing"
        while self._open.pop() != tag:
            pass

    def handle_data(self, data):
        for tag in set(self._open):
            self.texts.setdefault(tag, []).append(data)
        if self._open and self._open[-1] == "style":
            self.style += data

    def all(self, *tags):
        return [(tag, attributes, within) for tag, attributes, within in self.elements if tag in tags]

    def text(self, tag):
        return " ".join("".join(self.texts.get(tag, [])).split())


def problems(text):
    """List every breach of the rules in a page."""
    page = Page(text)
    found = []
    if page.all("script", "iframe", "object", "embed", "link", "base"):
        found.append("an element that runs or loads something")
    for tag, attributes, _ in page.elements:
        for name, value in attributes.items():
            if name.startswith("on"):
                found.append(f"{tag} has {name}")
            if name in ("src", "href", "srcset", "action") and not re.match(r"data:image/png;base64,|#", value or ""):
                found.append(f"{tag} {name} leads to {value[:50]}")
    if re.search(r"@import|url\(|expression\(", page.style):
        found.append("style loads something")
    if page.all("html")[0][1].get("lang") is None:
        found.append("no lang")
    if not page.text("title"):
        found.append("no title")
    if len(page.all("main")) != 1:
        found.append("not one main")
    levels = [int(tag[1]) for tag, _, _ in page.all("h1", "h2", "h3", "h4", "h5", "h6")]
    if levels.count(1) != 1 or levels[0] != 1:
        found.append("not one h1 at the top")
    found += [f"heading jumps from {a} to {b}" for a, b in itertools.pairwise(levels) if b > a + 1]
    identities = [attributes["id"] for _, attributes, _ in page.elements if "id" in attributes]
    found += [f"id {one} twice" for one in {one for one in identities if identities.count(one) > 1}]
    targets = [attributes["href"][1:] for _, attributes, _ in page.all("a")]
    found += [f"link to nowhere: {one}" for one in targets if one not in identities]
    found += ["img without alt" for _, attributes, _ in page.all("img") if len(attributes.get("alt") or "") < 20]
    found += [f"th without scope in {within[-3:]}" for _, a, within in page.all("th") if a.get("scope") not in SCOPES]
    tables, captions = len(page.all("table")), len(page.all("caption"))
    if tables != captions:
        found.append(f"{tables} tables, {captions} captions")
    figures, details = len(page.all("figure")), [one for one in page.all("details") if "figure" in one[2]]
    if figures != len(details) or figures != len(page.all("figcaption")):
        found.append("a figure without caption or data table")
    return found


SCOPES = {"col", "row", "colgroup", "rowgroup"}

"""Plain text as HTML: escaped, and numbers kept on one line with their units."""

from __future__ import annotations

import html
import re

#: A space between a number and its unit or sign, where a line must not break.
_BEFORE_UNIT = re.compile(r"(?<=\d) (?=%|N·m|Nm\b|deg\b|kg\b|points?\b|years?\b|patients?\b|weeks?\b|cm\b|mm\b)")
_AFTER_WORD = re.compile(r"\b(week|n =|Table|Figure) (?=[\d−])")
_NO_BREAK = "\u00a0"


def typeset(text: str) -> str:
    r"""Escape text for HTML and put no-break spaces where a line break would part a number from its unit.

    Parameters
    ----------
    text : str
        Plain text; markup in it is shown as text.

    Returns
    -------
    str
        HTML.

    Examples
    --------
    >>> typeset("5 % <b>at week 26</b>")
    '5\xa0% &lt;b&gt;at week\xa026&lt;/b&gt;'
    """
    return hold_together(html.escape(text))


def hold_together(escaped: str) -> str:
    """Put the no-break spaces into text that is escaped already.

    Parameters
    ----------
    escaped : str
        HTML text; no unit stands in a tag, so markup may be in it.
    """
    held = _BEFORE_UNIT.sub(_NO_BREAK, escaped).replace("% interval", f"%{_NO_BREAK}interval")
    return _AFTER_WORD.sub(lambda match: f"{match[1].replace(' ', _NO_BREAK)}{_NO_BREAK}", held)

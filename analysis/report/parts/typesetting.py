"""Plain text as HTML: escaped, numbers kept on one line with their units, and on their side of names in any script."""

from __future__ import annotations

import html
import re

#: A space between a number and its unit or sign, where a line must not break.
_BEFORE_UNIT = re.compile(r"(?<=\d) (?=%|N·m|Nm\b|deg\b|kg\b|points?\b|years?\b|patients?\b|weeks?\b|cm\b|mm\b)")
_AFTER_WORD = re.compile(r"\b(week|n =|Table|Figure|Q[1-4]) (?=[\d−])")
_NO_BREAK = "\u00a0"
#: The end of words written from right to left; without a mark there, a number that follows would change its side.
_LEFTWARD = "\u0590-\u08ff\ufb1d-\ufdff\ufe70-\ufefc"
_END_OF_LEFTWARD = re.compile(rf"([{_LEFTWARD}])(?![{_LEFTWARD}]|[ \-–]+[{_LEFTWARD}])")
_COLOURS_OF_TERMINALS = re.compile(r"\x1b\[[0-9;]*m")
#: The mark (left-to-right); nothing is seen of it.
MARK = "\u200e"


def typeset(text: str) -> str:
    r"""Escape plain text for HTML, markup in it too, and put no-break spaces where a line break would part a number from its unit.

    Examples
    --------
    >>> typeset("5 % <b>at week 26</b>")
    '5\xa0% &lt;b&gt;at week\xa026&lt;/b&gt;'
    """
    return hold_together(html.escape(text))


def in_front(called: str) -> str:
    r"""Set what a figure or table is called in front of its caption; nothing where it has no number.

    Examples
    --------
    >>> in_front("Table 2.")
    '<span class="number">Table\xa02.</span> '
    """
    return f'<span class="number">{typeset(called)}</span> ' if called else ""


def hold_together(escaped: str) -> str:
    """Put no-break spaces, and marks after words that are written from right to left, into text that is escaped.

    No unit stands in a tag, so markup may be in it.

    Notes
    -----
    "With A 23 %", A a Hebrew or Arabic name, would be shown as "With 23 A %": the bidirectional algorithm (Unicode
    Standard Annex 9, rules W2 and N1) counts the number to the name. A left-to-right mark after the name ends that.
    """
    escaped = _END_OF_LEFTWARD.sub(rf"\1{MARK}", escaped)
    held = _BEFORE_UNIT.sub(_NO_BREAK, escaped).replace("% interval", f"%{_NO_BREAK}interval")
    return _AFTER_WORD.sub(lambda match: f"{match[1].replace(' ', _NO_BREAK)}{_NO_BREAK}", held)


def without_colours(text: str) -> str:
    r"""Return text without the signs that colour it in a terminal.

    Examples
    --------
    >>> without_colours("\x1b[31mred\x1b[0m")
    'red'
    """
    return _COLOURS_OF_TERMINALS.sub("", text)

"""Text that comes from elsewhere (cells, headers, names of files), on its way to a terminal, a notebook or a message."""

import re

#: What may move the cursor, colour, hide or turn the direction of writing, and halves of characters, which no file can hold.
_CONTROL = re.compile(
    "[\x00-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028\u2029\u202a-\u202e\u2066-\u2069\ufeff\ud800-\udfff\U000e0000-\U000e007f]"
)


def visible(text: str) -> str:
    r"""Show control characters, line ends and those that turn the direction of writing, in place of sending them.

    Examples
    --------
    >>> visible("a\x1b[31mb\nc")
    'a\\x1b[31mb\\nc'
    """
    return _CONTROL.sub(lambda found: found.group().encode("unicode_escape").decode("ascii"), text)


def visible_lines(text: str) -> str:
    r"""Show control characters but line ends: for a text of several lines that the kit has put together.

    Examples
    --------
    >>> print(visible_lines("two\nlines\r"))
    two
    lines\r
    """
    return "\n".join(map(visible, text.split("\n")))

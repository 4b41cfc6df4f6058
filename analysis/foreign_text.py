"""Text that comes from elsewhere (cells, headers, names of files), on its way to a terminal, a notebook or a message."""

import re
import unicodedata

#: What may move the cursor, colour, hide or turn the direction of writing, and halves of characters, which no file can hold.
_CONTROL = re.compile(
    "[\x00-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028\u2029\u202a-\u202e\u2066-\u2069\ufeff\ud800-\udfff\U000e0000-\U000e007f]"
)

_LONGEST_SHAPE = 30


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


def shape(text: str) -> str:
    """Give what a text looks like and nothing of what it says: letters become A or a, digits 9; at most 30 characters.

    Examples
    --------
    >>> shape("Ms Amberg, 0151-23"), shape("\u0411\u043e\u0440\u0438\u0441 7")
    ('Aa Aaaaaa, 9999-99', 'Aaaaa 9')
    """
    seen = "".join(map(_shape_of, text[:_LONGEST_SHAPE]))
    return seen + ("..." if len(text) > _LONGEST_SHAPE else "")


def _shape_of(character: str) -> str:
    kind = unicodedata.category(character)
    if kind in ("Lu", "Lt"):
        return "A"
    if kind[0] in "LM":
        return "a"
    if kind[0] == "N":
        return "9"
    return character if character.isascii() and character.isprintable() else "?"

"""Text from files and of names of files reaches the terminal with its control characters shown, never sent."""

import pickle
import warnings

import pytest

from analysis.errors import CohortError, CohortWarning
from analysis.foreign_text import visible, visible_lines

RED = "\x1b[31m"
#: What may move the cursor, colour, hide, turn the direction of writing, or cannot be written at all.
CONTROLS = [
    "\x1b",
    "\n",
    "\r",
    "\t",
    "\x00",
    "\x7f",
    "\x9b",
    "\u2028",
    "\u202e",
    "\u2067",
    "\u200f",
    "\u061c",
    "\ufeff",
    "\udc80",
]


@pytest.mark.parametrize("control", CONTROLS)
def test_control_characters_are_shown(control):
    shown = visible(f"a{control}b")
    assert control not in shown
    assert shown.isascii()
    assert shown.startswith("a\\")


def test_letters_of_every_script_stay():
    text = "Größe 力 膝 колено ρ = 0,5 − “x” 👍🏽 क्ष"
    assert visible(text) == text
    assert visible_lines(f"{text}\n  {RED}x") == f"{text}\n  \\x1b[31mx"


def test_an_error_shows_one_line_for_each_line_of_ours():
    error = CohortError(f"{RED}bad", where=("one\nfile", f"row{RED}"), what_to_do="Mend.\r")
    assert str(error).split("\n") == [
        "\\x1b[31mbad", "  where: one\\nfile", "    row\\x1b[31m", "  what to do: Mend.\\r"
    ]  # fmt: skip
    assert (error.what, error.where) == ("\\x1b[31mbad", "one\\nfile\n    row\\x1b[31m")
    assert str(pickle.loads(pickle.dumps(error))) == str(error)


def test_a_warning_shows_control_characters():
    with pytest.warns(CohortWarning) as caught:
        warnings.warn(f"{RED}odd", CohortWarning, stacklevel=1)
    assert str(caught[0].message) == "\\x1b[31modd"

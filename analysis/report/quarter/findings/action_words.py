"""Actions of the team in words: what became of each since the last release, and none lost on the way."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from analysis.counted import form
from analysis.report.parts import numbers

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.quarter.ledger.entries import Release
    from analysis.report.quarter.agreed.quarter_file import Action

_CLOSED = ("done", "given up")


@dataclass(frozen=True)
class ActionsTold:
    """What is told of the actions.

    Attributes
    ----------
    told : tuple of (Action, str)
        Those that are open, or were closed since the last release, each with what became of it.
    closed_before : int
        Those that an earlier release already told as done or given up.
    gone : tuple of str
        Words of those that the last release told as open and that the quarter file does not hold any more.
    compared : bool
        Whether there is a last release.
    """

    told: tuple[tuple[Action, str], ...] = ()
    closed_before: int = 0
    gone: tuple[str, ...] = ()
    compared: bool = False

    def opened(self) -> list[Action]:
        """Give the open ones."""
        return [one for one, _ in self.told if one.state == "open"]

    def about(self, indicator: str, site: str = "") -> list[Action]:
        """Give the open ones about an indicator of all sites, or of one."""
        return [one for one in self.opened() if (one.indicator, one.site) == (indicator, site)]


def actions_since(actions: Sequence[Action], before: Sequence[Release]) -> ActionsTold:
    """Hold the actions of a quarter file against what the releases before told of them."""
    last = dict(before[-1].actions) if before else {}
    closed = {words for one in before for words, state in one.actions if state in _CLOSED}
    told = []
    for one in actions:
        was = last.get(one.words)
        if one.state in _CLOSED and was in _CLOSED:
            continue
        if one.state == "open":
            told.append((one, "open again" if one.words in closed else "open as before" if was else "open, new"))
        else:
            told.append((one, one.state))
    held = {one.words for one in actions}
    gone = tuple(words for words, state in last.items() if state == "open" and words not in held)
    return ActionsTold(tuple(told), len(actions) - len(told), gone, bool(before))


def actions_message(found: ActionsTold) -> str:
    """Say in one line how many are open, and how many were closed since the last release."""
    n, closed = len(found.opened()), len(found.told) - len(found.opened())
    since = " since the last release" if found.compared else ""
    parts = [f"{numbers.plural(n, 'action')} open" if n else "no action open"]
    return ", ".join([*parts, *([f"{closed} closed{since}"] if closed else [])])


def actions_words(found: ActionsTold) -> list[str]:
    """Say what became of the actions since the last release; nothing where none was ever on record."""
    said = []
    if found.told:
        said.append(f"{actions_message(found)[:1].upper()}{actions_message(found)[1:]}.")
    if found.closed_before:
        n = found.closed_before
        said.append(f"{numbers.plural(n, 'action')} {form(n, 'was')} told as done or given up before.")
    lost = (
        f"The last release told the action “{words}” as open; it is not in the quarter file any more, so what became of it is "
        "not known."
        for words in found.gone
    )
    return [*said, *lost]

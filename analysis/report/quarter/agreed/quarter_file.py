"""The quarter file: targets, changes made and actions of a team, in TOML, beside the cohort."""

from __future__ import annotations

import datetime
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, get_args

from analysis.cohort.files.settings_files import explained_toml
from analysis.errors import CohortError, ReportError
from analysis.quarter.periods import is_quarter, period_number, quarter_of

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

    from analysis.quarter import Indicator

#: How the name of the file beside a cohort folder ends.
QUARTER_FILE = ".quarter.toml"
_HELP = "the README shows a whole quarter file"
State = Literal["open", "done", "given up"]
_PARTS = ("targets", "changes", "actions")
_OF_CHANGE = ("period", "words")
_OF_ACTION = ("action", "owner", "due", "state", "indicator", "site")


@dataclass(frozen=True)
class Action:
    """An action that a team agreed on.

    Attributes
    ----------
    words : str
        What is done; one action is known by its words from release to release.
    owner : str
        The role that sees to it; empty where none is named.
    due : datetime.date or None
        By when.
    state : {"open", "done", "given up"}
        What became of it.
    indicator : str
        Short name of the indicator that it is about; empty for none.
    site : str
        The site that it is about; empty for all.
    """

    words: str
    owner: str = ""
    due: datetime.date | None = None
    state: State = "open"
    indicator: str = ""
    site: str = ""


@dataclass(frozen=True)
class QuarterFile:
    """What a quarter file holds.

    Attributes
    ----------
    path : Path or None
        The file; None where there is none.
    targets : tuple of (str, float)
        Indicator and target, as :func:`~analysis.report.quarter.agreed.targets.with_targets` takes them.
    changes : tuple of (str, str)
        Period, and words of what was changed.
    actions : tuple of Action
        In the order of the file.
    """

    path: Path | None = None
    targets: tuple[tuple[str, float], ...] = ()
    changes: tuple[tuple[str, str], ...] = ()
    actions: tuple[Action, ...] = ()

    def targets_beside(self, given: Sequence[str]) -> list[str]:
        """Give the targets as texts, those of a parameter in the place of those of the file."""
        named = {text.rpartition(":")[0].strip().casefold() for text in given}
        return [*given, *(f"{name}: {value!r}" for name, value in self.targets if name.casefold() not in named)]

    def changes_until(self, periods: Sequence[str]) -> list[str]:
        """Give the changes as texts, those within the periods; one of a later quarter is not told yet."""
        first, last = (period_number(quarter_of(periods[i])) for i in (0, -1))
        inside = [(at, words) for at, words in self.changes if first <= period_number(quarter_of(at)) <= last]
        return [f"{quarter_of(at) if is_quarter(periods[0]) else at}: {words}" for at, words in inside]

    def changes_before(self, periods: Sequence[str]) -> int:
        """Count the changes made before the first of these periods: no chart can show them."""
        first = period_number(quarter_of(periods[0]))
        return sum(period_number(quarter_of(at)) < first for at, _ in self.changes)

    def actions_of(self, indicators: Collection[Indicator], sites: Collection[str] = ()) -> tuple[Action, ...]:
        """Give the actions, each about an indicator and a site that there are.

        Raises
        ------
        ReportError
            An action names another one.
        """
        known = {one.name for one in indicators}
        for one in self.actions:
            if one.site and one.site not in sites:
                raise _refused(
                    self.path,
                    f"The action {one.words!r} is about {one.site!r}, which is no site.",
                    f"Use one of: {', '.join(sites)}; or leave site out.",
                )
        for one in self.actions:
            if one.indicator and one.indicator not in known:
                raise _refused(
                    self.path,
                    f"The action {one.words!r} is about {one.indicator!r}, which is no indicator.",
                    f"Use one of: {', '.join(sorted(known))}; or leave indicator out.",
                )
        return self.actions


def read_quarter_file(path: Path, *, needed: bool = False) -> QuarterFile:
    r"""Read a quarter file; where there is none and none is ``needed``, an empty one.

    Parameters
    ----------
    path : Path
        The file: a table ``targets`` of indicator and number, tables ``changes`` of period and words, and tables ``actions`` of
        action, owner, due (a date), state ("open", the usual, "done", "given up"), indicator and site.
    needed : bool
        Whether it was named by somebody.

    Returns
    -------
    QuarterFile
        What it holds.

    Raises
    ------
    CohortError
        It cannot be read, or is no TOML.
    ReportError
        It holds something else, an action twice, or a value of another kind.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> with TemporaryDirectory() as folder:
    ...     path = Path(folder) / "quarters.quarter.toml"
    ...     _ = path.write_text('[targets]\nimproved = 0.7\n[[actions]]\naction = "Call before week 26"\nowner = "clinic lead"\n')
    ...     read_quarter_file(path).targets, read_quarter_file(path).actions[0].state
    ((('improved', 0.7),), 'open')
    """
    if not needed and not path.exists():
        return QuarterFile()
    data = explained_toml(path, "quarter file", _HELP)
    _only(data, _PARTS, "part", path)
    targets = data.get("targets", {})
    if not isinstance(targets, dict) or not all(_is_number(one) for one in targets.values()):
        raise _refused(path, "A target in the quarter file is no number.", "Write [targets], then improved = 0.7.")
    changes = tuple(_change(one, path) for one in _tables(data, "changes", path))
    actions = tuple(_action(one, path) for one in _tables(data, "actions", path))
    twice = [one.words for place, one in enumerate(actions) if one.words in {other.words for other in actions[:place]}]
    if twice:
        raise _refused(
            path, f"The action {twice[0]!r} stands twice.", "Change the state of the first one, or its words."
        )
    return QuarterFile(path, tuple((str(k), float(v)) for k, v in targets.items()), changes, actions)


def _change(one: dict[str, Any], path: Path) -> tuple[str, str]:
    _only(one, _OF_CHANGE, "key of a change", path)
    at, words = (_words(one, name, path, needed=True) for name in _OF_CHANGE)
    try:
        period_number(quarter_of(at))
    except CohortError:
        raise _refused(path, f"{at!r} is no period.", "Write it as 2025-Q2, or 2025-04.") from None
    return at, words


def _action(one: dict[str, Any], path: Path) -> Action:
    _only(one, _OF_ACTION, "key of an action", path)
    words = _words(one, "action", path, needed=True)
    state = one.get("state", "open")
    if state not in get_args(State):
        raise _refused(
            path, f"The action {words!r} has the state {state!r}.", f"Use one of: {', '.join(get_args(State))}."
        )
    due = one.get("due")
    if due is not None and type(due) is not datetime.date:
        raise _refused(
            path,
            f"The action {words!r} is due on {due!r}, which is no date.",
            "Write due = 2026-03-31, without quotation marks.",
        )
    owner, indicator, site = (_words(one, name, path, needed=False) for name in ("owner", "indicator", "site"))
    return Action(words, owner, due, state, indicator, site)


def _words(one: dict[str, Any], name: str, path: Path, *, needed: bool) -> str:
    text = one.get(name, "")
    if not isinstance(text, str) or (needed and not text.strip()):
        raise _refused(path, f"In the quarter file {name} is {text!r}.", f'Write {name} = "…", with words.')
    return " ".join(text.split())


def _tables(data: dict[str, Any], name: str, path: Path) -> list[dict[str, Any]]:
    found = data.get(name, [])
    if not isinstance(found, list) or not all(isinstance(one, dict) for one in found):
        raise _refused(path, f"{name} in the quarter file is no list of tables.", f"Write each one under [[{name}]].")
    return found


def _only(data: dict[str, Any], known: Sequence[str], what: str, path: Path) -> None:
    other = [name for name in data if name not in known]
    if other:
        raise _refused(path, f"{other[0]!r} is no {what}.", f"Use one of: {', '.join(known)}.")


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _refused(path: Path | None, what: str, what_to_do: str) -> ReportError:
    return ReportError(what, where=path.name if path else "quarter file", what_to_do=what_to_do)

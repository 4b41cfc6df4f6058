"""The actions of the team: those of the quarter file with what became of them, and signals that have none yet."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from analysis.cohort.follow_up.as_of import day_in_words
from analysis.report.parts import numbers
from analysis.report.parts.passages import Passage, Section
from analysis.report.parts.tables import Column, Table
from analysis.report.quarter.agreed.quarter_file import QUARTER_FILE
from analysis.report.quarter.beside import file_beside
from analysis.report.quarter.findings.action_words import actions_message, actions_since, actions_words
from analysis.report.quarter.findings.words import has_changed, name_words, title_words

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from analysis.report.quarter.agreed.quarter_file import Action, QuarterFile
    from analysis.report.quarter.findings.action_words import ActionsTold
    from analysis.report.quarter.study import QuarterStudy

#: Rows left empty for the meeting.
_EMPTY_ROWS = 2
_EMPTY = "…"
_BY_CHANCE = "Where there is no signal, an action is a change of the process, tried on a small scale first."


def told_actions(study: QuarterStudy) -> ActionsTold:
    """Give the actions of the quarter file beside what earlier releases told of them."""
    return actions_since(study.agreed.actions, study.releasing.before)


def actions(study: QuarterStudy) -> Section:
    """Show the actions with owner, date and state; a row for each signal without one, and empty rows for the meeting."""
    found = told_actions(study)
    names = {one.indicator.name: name_words(one) for one in study.found.followed}
    rows = [(one.words, _about(one, names), one.owner or _EMPTY, _day(one.due), state) for one, state in found.told]
    without = [one for one in study.found.followed if has_changed(one) and not found.about(one.indicator.name)]
    seen = [title_words(study.found, one) for one in without]
    seen += [
        f"{names[one.indicator]}: {one.site} ({one.way})"
        for one in study.found.site_signals
        if not found.about(one.indicator, one.site)
    ]
    rows += [(_EMPTY, words, _EMPTY, _EMPTY, "a signal without an action") for words in seen]
    rows += [(_EMPTY,) * 5] * _EMPTY_ROWS
    path = study.agreed.path or file_beside(study.folder, None, QUARTER_FILE)
    kept = (
        f"Actions, targets and changes are read from {path.name} and carried on from release to release with their state."
        if study.agreed.path
        else f"What is agreed can be carried on from release to release in a file {path.name} beside the data."
    )
    table = Table(
        pd.DataFrame(rows, columns=["action", "about", "owner", "due", "state"]),
        "Actions of the team; empty rows are filled in at the meeting.",
        (
            Column("action", "Action"),
            Column("about", "About"),
            Column("owner", "By whom"),
            Column("due", "By when"),
            Column("state", "State"),
        ),
        (_BY_CHANCE, kept, *_too_early(study.agreed, study.released.periods)),
        name="actions",
        message=f"Actions of the team: {actions_message(found)}{_and_without(len(seen))}",
    )
    told = actions_words(found)
    return Section((*([Passage(tuple(told), "items")] if told else []), table))


def _too_early(agreed: QuarterFile, periods: Sequence[str]) -> list[str]:
    """Say how many changes are from before the data, if any."""
    n = agreed.changes_before(periods)
    if not n:
        return []
    made, them = ("was", "it") if n == 1 else ("were", "them")
    begin = f"made before {periods[0]}, where the data begin"
    return [f"{numbers.plural(n, 'change')} of the quarter file {made} {begin}, and no chart shows {them}."]


def _about(one: Action, names: Mapping[str, str]) -> str:
    """Name the indicator and the site that an action is about."""
    return (
        ": ".join([*([names[one.indicator]] if one.indicator else []), *([one.site] if one.site else [])])
        or numbers.MISSING
    )


def _and_without(n: int) -> str:
    return f", {numbers.plural(n, 'signal')} without one" if n else ""


def _day(due: object) -> str:
    return _EMPTY if due is None else day_in_words(due)  # type: ignore[arg-type]

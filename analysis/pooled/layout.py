"""The cells that every part fills: the same keys and columns for all by the plan, so that parts add up cell by cell."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import pandas as pd

from analysis.pooled.agreed import PoolingPlan

#: Whether what only some parts record was recorded: events, home sessions.
RECORDED = ("events", "home sessions", "whether events were serious", "whether events were related")
#: How a patient's home sessions ended.
ENDS = ("going on", "stopped", "never started")


@dataclass(frozen=True)
class TableLayout:
    """Keys and columns of one table of sums.

    Attributes
    ----------
    keys : tuple of str
        Names of the keys.
    rows : pandas.MultiIndex
        Every row, whether anybody is in it or not.
    counts, sums : tuple of str
        Columns that hold whole numbers of patients, visits or sessions; and columns that hold sums of numbers.
    """

    keys: tuple[str, ...]
    rows: pd.MultiIndex
    counts: tuple[str, ...]
    sums: tuple[str, ...] = ()

    @property
    def columns(self) -> tuple[str, ...]:
        """Counts, then sums."""
        return (*self.counts, *self.sums)


def layout_of(plan: PoolingPlan) -> dict[str, TableLayout]:
    """Give the tables of sums that a plan asks for, by name.

    Returns
    -------
    dict of str to TableLayout
        patients, visits, lost (the flow); numbers, known, categories (the start); responders, improvement, amounts (the endpoint);
        recorded, harms, sessions, programme, stopping (the home programme).

    Examples
    --------
    >>> from analysis.pooled.planning import plan_pooling
    >>> from synthetic_cohort import generate_cohort
    >>> layout = layout_of(plan_pooling(generate_cohort(patients=60, seed=1).observed, "pain", week=26))
    >>> layout["responders"].columns
    ('allocated', 'judged', 'not_due', 'responders')
    """
    who = list(plan.protocols)
    prescribed = ("recorded", "n", "none_prescribed", "more_than_prescribed", "reached")
    done = ("sessions_prescribed", "sessions_done", "share")
    harm = ("patients", "events", "serious_patients", "serious_events", "related_patients", "related_events")
    labelled = [(name, label) for name, labels in plan.categories.items() for label in labels]
    return {
        "patients": _table(
            {"protocol": who},
            ("allocated", "with_baseline", "seen_after_baseline", "seen_at_last_week", "never_seen"),
        ),
        "visits": _table(
            {"protocol": who, "week": plan.weeks},
            ("allocated", "seen", "missed_seen_later", "not_seen_again", "not_yet_due"),
        ),
        "lost": _table({"protocol": who, "reason": plan.reasons}, ("patients",)),
        "numbers": _table({"variable": list(plan.numbers), "protocol": who}, ("n",), ("sum", "squares")),
        "known": _table({"variable": list(plan.categories), "protocol": who}, ("n",)),
        "categories": _labelled(labelled, who),
        "responders": _table({"protocol": who}, ("allocated", "judged", "not_due", "responders")),
        "improvement": _table({"protocol": who}, ("n",), ("sum", "squares")),
        "amounts": _table({"protocol": who, "amount": plan.amounts}, ("reached",)),
        "recorded": _table({"what": RECORDED, "protocol": who}, ("parts", "patients")),
        "harms": _table({"protocol": who, "event": plan.events}, harm),
        "sessions": _table(
            {"protocol": who, "modality": plan.modalities, "week": plan.programme_weeks}, prescribed, done
        ),
        "programme": _table({"protocol": who, "modality": plan.modalities}, prescribed, done),
        "stopping": _table({"protocol": who, "week": plan.programme_weeks, "end": ENDS}, ("patients",)),
    }


def _table(keys: dict[str, Sequence[object]], counts: Sequence[str], sums: Sequence[str] = ()) -> TableLayout:
    rows = pd.MultiIndex.from_product([list(one) for one in keys.values()], names=list(keys))
    return TableLayout(tuple(keys), rows, tuple(counts), tuple(sums))


def _labelled(labelled: list[tuple[str, str]], protocols: list[str]) -> TableLayout:
    keys = ("variable", "category", "protocol")
    rows = [(*pair, one) for pair in labelled for one in protocols]
    index = pd.MultiIndex.from_tuples(rows, names=keys) if rows else pd.MultiIndex.from_product([[]] * 3, names=keys)
    return TableLayout(keys, index, ("patients",))

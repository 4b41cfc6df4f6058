"""Counts and sums of a part, and of parts together: they add up, are written and are read."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from analysis.counted import counted, form
from analysis.errors import CohortError
from analysis.pooled.agreed import PoolingPlan
from analysis.pooled.layout import TableLayout, layout_of
from analysis.result import Result

#: Names that an error lists.
_NAMED = 8
#: No count of patients, visits or sessions is as large; what masks leave is nearly always larger, and has a fraction.
_BEYOND = 2.0**40


@dataclass(frozen=True, eq=False, repr=False)
class CohortSums(Result):
    """Counts and sums of the patients of one part, or of several.

    ``whole = first + second``: what the tables hold is exactly that of a cohort with the patients of both.

    Attributes
    ----------
    plan : PoolingPlan
        What was agreed.
    tables : mapping of str to pandas.DataFrame
        By name, with the rows and columns of :func:`analysis.pooled.layout.layout_of`; floats, whole where patients are counted.
    """

    plan: PoolingPlan
    tables: Mapping[str, pd.DataFrame]

    def __add__(self, other: CohortSums) -> CohortSums:
        """Add the sums of other patients.

        Raises
        ------
        CohortError
            They were counted by another plan.
        """
        if self.plan.digest != other.plan.digest:
            raise CohortError(
                "These sums were counted by two plans.",
                where=f"plans {self.plan.digest} and {other.plan.digest}",
                what_to_do="Count both by one plan.",
            )
        return CohortSums(self.plan, {name: one + other.tables[name] for name, one in self.tables.items()})

    @property
    def n_patients(self) -> int:
        """The patients of the protocols."""
        return int(self.tables["patients"]["allocated"].sum())

    def to_json(self) -> dict[str, Any]:
        """Give the tables as plain lists, in the order of the layout: by table and column."""
        layout = layout_of(self.plan)
        return {
            name: {column: _plain(table[column], whole=column in layout[name].counts) for column in table}
            for name, table in self.tables.items()
        }

    def _headline(self) -> str:
        return f"Sums of {counted(self.n_patients, 'patient')} by plan {self.plan.digest}: {', '.join(self.tables)}"

    def _shown_tables(self) -> dict[str, pd.DataFrame]:
        return {name: self.tables[name].reset_index() for name in ("patients", "responders")}


def sums_of(plan: PoolingPlan, found: Mapping[str, pd.DataFrame]) -> CohortSums:
    """Put what was counted into the cells of the layout, zero where nobody was.

    Parameters
    ----------
    plan : PoolingPlan
    found : mapping of str to pandas.DataFrame
        By table, with its keys as columns.

    Returns
    -------
    CohortSums

    Raises
    ------
    CohortError
        Something was counted that the plan does not name.
    """
    tables, lacking = {}, dict[str, None]()
    for name, layout in layout_of(plan).items():
        table = found[name]
        keys = list(zip(*(table[key] for key in layout.keys), strict=True))
        there = pd.DataFrame(table[list(layout.columns)].to_numpy(dtype="float64"), columns=list(layout.columns))
        strange = [key for key in keys if key not in layout.rows]
        if strange:
            lacking |= dict.fromkeys(_not_named(layout, strange))
            continue
        there.index = pd.MultiIndex.from_tuples(keys, names=layout.keys) if keys else layout.rows[:0]
        tables[name] = there.reindex(layout.rows).fillna(0.0)
    if lacking:
        named = list(lacking)
        more = f" and {len(named) - _NAMED} more" if len(named) > _NAMED else ""
        raise CohortError(
            f"This part is not as was agreed: {counted(len(named), 'name')} {form(len(named), 'is', 'are')} not in the plan.",
            where=f"{'; '.join(named[:_NAMED])}{more}; plan {plan.digest}",
            what_to_do="Name things as the plan does, or agree on a plan that has these names too (kneecurve sites plan --also).",
        )
    return CohortSums(plan, tables)


def _not_named(layout: TableLayout, strange: Sequence[tuple[object, ...]]) -> list[str]:
    """Give the keys that no row of the layout has; where each by itself has one, the whole key."""
    known = {name: set(layout.rows.get_level_values(name)) for name in layout.keys}
    return [
        ", ".join(
            f"{name} {value!r}"
            for name, value in zip(layout.keys, key, strict=True)
            if value not in known[name] or all(one in known[at] for at, one in zip(layout.keys, key, strict=True))
        )
        for key in strange
    ]


def sums_of_json(plan: PoolingPlan, data: Mapping[str, Any]) -> CohortSums:
    """Read what :meth:`CohortSums.to_json` gave.

    Raises
    ------
    ValueError
        A table or column lacks or is too many, or a number is none, is not whole or is below zero where patients are counted.
    """
    layouts = layout_of(plan)
    if set(data) != set(layouts):
        raise ValueError(f"tables {sorted(set(data) ^ set(layouts))}")
    tables = {name: _read(name, layout, data[name]) for name, layout in layouts.items()}
    if wrong := contradiction_in(tables):
        raise ValueError(wrong)
    return CohortSums(plan, tables)


def contradiction_in(tables: Mapping[str, pd.DataFrame]) -> str:
    """Say which counts cannot be of one group of patients; nothing where all can.

    Examples
    --------
    >>> from analysis.pooled import cohort_sums, plan_pooling
    >>> from synthetic_cohort import generate_cohort
    >>> cohort = generate_cohort(patients=60, seed=1).observed
    >>> contradiction_in(cohort_sums(cohort, plan_pooling(cohort, "pain", week=26)).tables)
    ''
    """
    patients, responders = (tables[name].copy() for name in ("patients", "responders"))
    patients.index = responders.index = patients.index.get_level_values("protocol")
    visits, of = tables["visits"], patients["allocated"]
    of_visits = of.reindex(visits.index.get_level_values("protocol")).to_numpy()
    states = visits[["seen", "missed_seen_later", "not_seen_again", "not_yet_due"]].sum(axis=1)
    labelled = tables["categories"]["patients"].groupby(level=["variable", "protocol"]).sum()
    reached = tables["amounts"]["reached"].groupby(level="protocol").max()
    wrong = {
        "more patients were seen than there are": patients.gt(of, axis=0).any(axis=None),
        "visits seen and missed are not those of all patients": (states != visits["allocated"]).any(),
        "tables count other patients": (responders["allocated"] != of).any()
        or ((visits["allocated"] != of_visits) & (visits["allocated"] > 0)).any(),
        "more responded than were judged": (responders["responders"] > responders["judged"]).any()
        or (responders["judged"] > of).any()
        or (reached > responders["judged"].reindex(reached.index)).any(),
        "labels are not those of the patients with one": (
            labelled != tables["known"]["n"].reindex(labelled.index)
        ).any(),
        "more patients had an event than there were events": (
            tables["harms"]["patients"] > tables["harms"]["events"]
        ).any(),
    }
    return next((said for said, is_so in wrong.items() if is_so), "")


def _read(name: str, layout: TableLayout, data: Mapping[str, Any]) -> pd.DataFrame:
    if set(data) != set(layout.columns):
        raise ValueError(f"columns {sorted(set(data) ^ set(layout.columns))} of {name}")
    found = {}
    for column in layout.columns:
        values = data[column]
        if not isinstance(values, list) or len(values) != len(layout.rows):
            raise ValueError(f"{name}, {column}: not {len(layout.rows)} numbers")
        for value in values:
            if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
                raise ValueError(f"{name}, {column}: {value!r} is no number")
            if column in layout.counts and (value < 0 or value != int(value)):
                raise ValueError(f"{name}, {column}: {value!r} is no count")
        found[column] = np.array(values, dtype=float)
    return pd.DataFrame(found, index=layout.rows)


def refuse_masks_left(counts: Iterable[float]) -> None:
    """Refuse the sum of masked counts that is no sum of patients: masks that do not cancel leave numbers without order in it.

    Raises
    ------
    CohortError
        A count is not whole, below zero or beyond all patients.
    """
    if any(one != int(one) or not 0 <= one < _BEYOND for one in counts):
        raise CohortError(
            "The masks do not cancel: the sum over all sites is no count of patients.",
            where="masked files of all sites",
            what_to_do="Two sites have another seed for each other, or one took another plan or day: compare them, and summarise again.",
        )


def _plain(values: pd.Series, *, whole: bool) -> list[float] | list[int]:
    return [int(one) for one in values] if whole else [float(one) for one in values]

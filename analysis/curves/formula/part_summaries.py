"""What a part of visits tells: of a plan, of who may stay, and its moments. Each adds up, in the order of the parts."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import reduce

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.curves.formula.design import described_rows, design_from_rows
from analysis.curves.formula.formula_columns import interactions, mentioned_columns, parse_formula
from analysis.curves.rows.covariate import Covariate, in_both_orders
from analysis.curves.rows.moment_plan import MomentPlan
from analysis.curves.rows.moments import VisitMoments, patients_of_both
from analysis.curves.rows.small_cells import Profile, profiles
from analysis.curves.rows.visit_rows import complete_rows
from analysis.errors import ModelError

#: Rows in which a complete one is looked for first.
_FIRST = 1_000


@dataclass(frozen=True)
class VisitColumns:
    """The formula, and the columns of the patient and the week."""

    fixed: str
    patient: str
    week: str

    def read_of(self, held: list[str]) -> list[str]:
        """Give the columns that are read, of those a part holds: patient, week, outcome, then those of the formula."""
        formula, outcome = parse_formula(self.fixed, held)
        return list(dict.fromkeys([self.patient, self.week, outcome, *mentioned_columns(formula, set(held))]))

    def none_complete(self, part: pd.DataFrame) -> bool:
        """Tell whether every row misses a value: of all rows together such rows are left out and counted."""
        read = self.read_of(list(map(str, part.columns)))
        if not set(read) <= set(part.columns):
            return False
        return not any(complete_rows(some).any() for some in (part[read].head(_FIRST), part[read]))


@dataclass(frozen=True)
class PlanOfPart:
    """What has to be agreed on; nothing where no row is complete.

    ``orders`` are the orders in which categories declare their levels, those that nobody has too: each once, as they came.
    """

    plan: MomentPlan | None = None
    orders: Mapping[str, tuple[tuple[str, ...], ...]] = field(default_factory=dict)
    incomplete: int = 0

    def __add__(self, other: PlanOfPart) -> PlanOfPart:
        plan = other.plan if self.plan is None else self.plan
        if self.plan is not None and other.plan is not None:
            plan = self.plan.widened(other.plan)
        orders = {
            name: tuple(dict.fromkeys((*self.orders.get(name, ()), *other.orders.get(name, ()))))
            for name in {**self.orders, **other.orders}
        }
        return PlanOfPart(plan, orders, self.incomplete + other.incomplete)

    def in_order(self) -> MomentPlan | None:
        """Give the plan with its levels in the order declared, and words in that of the alphabet, whatever part came first."""
        if self.plan is None:
            return None
        return replace(self.plan, covariates=tuple(map(self._in_order, self.plan.covariates)))

    def _in_order(self, covariate: Covariate) -> Covariate:
        if covariate.levels is None:
            return covariate
        none: tuple[str, ...] = ()
        declared = reduce(in_both_orders, self.orders.get(covariate.name, ()), none)
        place = {level: number for number, level in enumerate(declared)}
        levels = sorted(covariate.levels, key=lambda one: (place.get(one, len(place)), one))
        return replace(covariate, levels=tuple(levels))


def plan_of_part(part: pd.DataFrame, columns: VisitColumns) -> PlanOfPart:
    """Learn what a part holds; a part without a complete row tells nothing but their number.

    Raises
    ------
    ModelError
        The visits are not on a schedule, or cannot be read.
    """
    if columns.none_complete(part):
        return PlanOfPart(incomplete=len(part))
    plan = learned_plan(part, columns)
    kinds = {one.name: part[one.name].dtype for one in plan.covariates}
    orders = {
        name: (tuple(map(str, kind.categories)),)
        for name, kind in kinds.items()
        if isinstance(kind, pd.CategoricalDtype)
    }
    return PlanOfPart(plan, orders)


def learned_plan(part: pd.DataFrame, columns: VisitColumns) -> MomentPlan:
    """Give the plan that one part alone would need.

    Raises
    ------
    ModelError
        The visits are not on a schedule, or cannot be read.
    """
    rows, covariates, _, _ = described_rows(part, columns.fixed, patient=columns.patient, week=columns.week)
    if not rows.scheduled:
        raise ModelError(
            "Parts of visits that follow no schedule cannot be gathered by a plan.",
            where=f"{rows.weeks.size} distinct weeks, {rows.duplicates} rows that repeat a patient's week",
            what_to_do="Round the weeks to a schedule, or give all visits as one data frame.",
        )
    known = [replace(one, mean=float("nan")) for one in covariates.values()]  # each part has its own
    shifts = {one.name: one.mean for one in covariates.values() if one.scope == "patient" and one.levels is None}
    return MomentPlan(
        columns.fixed,
        columns.patient,
        columns.week,
        tuple(rows.weeks.tolist()),
        tuple(known),
        float(rows.outcome.mean()),
        shifts,
    )


@dataclass(frozen=True, eq=False)
class ProfilesOfPart:
    """How many patients have each profile, and a number of each patient."""

    counts: Counter[Profile]
    who: NDArray[np.uint64]

    def __add__(self, other: ProfilesOfPart) -> ProfilesOfPart:
        return ProfilesOfPart(self.counts + other.counts, patients_of_both(self.who, other.who))


def profiles_of_part(part: pd.DataFrame, columns: VisitColumns, plan: MomentPlan) -> ProfilesOfPart:
    """Count the profiles of a part.

    Raises
    ------
    ModelError
        The part is not as was agreed.
    """
    if columns.none_complete(part):
        return ProfilesOfPart(Counter(), np.zeros(0, dtype=np.uint64))
    rows, covariates, formula, _ = described_rows(
        part, columns.fixed, patient=columns.patient, week=columns.week, plan=plan
    )
    found, place = profiles(rows, covariates, interactions(formula))
    counts = dict(zip(found, np.bincount(place, minlength=len(found)).tolist(), strict=True))
    return ProfilesOfPart(Counter(counts), patient_numbers(rows.patient_ids))


@dataclass(frozen=True, eq=False)
class MomentsOfPart:
    """Moments, if anyone stays; patients left out of them, and rows dropped for a missing value."""

    moments: VisitMoments | None = None
    left_out: int = 0
    incomplete: int = 0

    def __add__(self, other: MomentsOfPart) -> MomentsOfPart:
        moments = other.moments if self.moments is None else self.moments
        if self.moments is not None and other.moments is not None:
            moments = self.moments + other.moments
        return MomentsOfPart(moments, self.left_out + other.left_out, self.incomplete + other.incomplete)


def moments_of_part(
    part: pd.DataFrame, columns: VisitColumns, plan: MomentPlan, stay: set[Profile] | None
) -> MomentsOfPart:
    """Sum the rows of a part: of the patients whose profile stays, or of all where ``stay`` is None.

    Raises
    ------
    ModelError
        The part is not as was agreed.
    """
    if columns.none_complete(part):
        return MomentsOfPart(incomplete=len(part))
    return moments_of_rows(part, columns, plan, stay)


def moments_of_rows(
    part: pd.DataFrame, columns: VisitColumns, plan: MomentPlan | None, stay: set[Profile] | None
) -> MomentsOfPart:
    """Do the same where some row is complete, or an error says why none is; all rows together need no plan."""
    fixed, patient, week = columns.fixed, columns.patient, columns.week
    left_out, dropped = 0, 0
    if stay is not None:
        rows, covariates, formula, _ = described_rows(part, fixed, patient=patient, week=week, plan=plan)
        found, place = profiles(rows, covariates, interactions(formula))
        kept = np.array([one in stay for one in found])[place]
        left_out, dropped = int((~kept).sum()), rows.dropped
        part = rows.frame.iloc[np.flatnonzero(kept[rows.patient])]
        if not len(part):
            return MomentsOfPart(None, left_out, dropped)
    _, rows, moments = design_from_rows(part, fixed, patient=patient, week=week, plan=plan)
    moments = replace(moments, who=patient_numbers(rows.patient_ids))
    return MomentsOfPart(moments, left_out, dropped + rows.dropped)


def patient_numbers(ids: NDArray[np.object_]) -> NDArray[np.uint64]:
    """Give a number of each patient, increasing; the same identifier has the same number in every part, 1 and "1" and 1.0 too."""
    names = pd.Series(ids).infer_objects()
    if pd.api.types.is_float_dtype(names.dtype) and bool(((names == np.floor(names)) & (names.abs() < 2.0**53)).all()):
        names = names.astype("int64")
    if not pd.api.types.is_integer_dtype(names.dtype):
        names = names.astype("str")
        digits = names.str.fullmatch("0|-?[1-9][0-9]{0,17}").to_numpy(dtype=bool)
        if digits.any():
            whole, words = names[digits].astype("int64"), names[~digits]
            both: NDArray[np.uint64] = np.concatenate([_hashed(whole), _hashed(words)])
            return np.sort(both)
    return np.sort(_hashed(names))


def _hashed(names: pd.Series) -> NDArray[np.uint64]:
    return np.asarray(pd.util.hash_pandas_object(names, index=False), dtype=np.uint64)

"""What is agreed before moments of several parts are gathered: weeks, levels and their order, scopes, shifts."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any, get_args

import numpy as np
import pandas as pd

from analysis.cohort.files.paths import refuse_impossible_name
from analysis.cohort.schedule import moment
from analysis.counted import counted
from analysis.curves.rows.covariate import Covariate, Scope, in_both_orders
from analysis.curves.rows.visit_rows import VisitRows
from analysis.errors import ModelError
from analysis.result import Result

#: Values of a difference that an error names.
_NAMED = 5
#: More weeks do not fit into the number that a pattern of visits is found by.
MOST_WEEKS_OF_PLAN = 62


@dataclass(frozen=True, eq=False, repr=False)
class MomentPlan(Result):
    """What the parts agree on, so that their moments are sums of the same things.

    Made by :func:`analysis.curves.formula.gathered.plan_moments`, or read by :func:`read_moment_plan`.

    Parameters
    ----------
    fixed : str
        The formula that the moments are gathered for.
    patient, week : str
        Columns of the data.
    weeks : tuple of float
        The schedule, increasing: no visit is at another week.
    covariates : tuple of Covariate
        The columns that the formula reads: what each varies with, and its levels, the reference first.
    outcome_shift : float
        Subtracted from the outcome of every part.
    shifts : mapping of str to float
        Subtracted from columns of the patients, by name; 0 for others.
    """

    fixed: str
    patient: str
    week: str
    weeks: tuple[float, ...]
    covariates: tuple[Covariate, ...]
    outcome_shift: float = 0.0
    shifts: Mapping[str, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        """Refuse a plan that no sums can be made by, as one that was written by hand may be.

        Raises
        ------
        ModelError
            Weeks that do not increase or are too many, a number that is none, a level or a column twice, or another such thing.
        """
        wrong = _wrong(self)
        if wrong:
            raise ModelError(
                f"This is no plan that moments can be gathered by: {wrong}.",
                where=f"plan of {self.fixed}",
                what_to_do="Make the plan with plan_moments, and change its file only with care.",
            )

    @property
    def digest(self) -> str:
        """A short name of all that is agreed: the same for the same plan."""
        return hashlib.sha256(self._text().encode()).hexdigest()[:16]

    def save(self, path: str | Path) -> Path:
        """Write the plan as JSON, for the other sites to read; ``.json`` is added where the name does not end so."""
        target = Path(path)
        target = target if target.suffix == ".json" else target.with_name(target.name + ".json")
        refuse_impossible_name(target, error=ModelError)
        beside = target.with_name(f".{target.name}.part")
        beside.write_text(self._text() + "\n", encoding="utf-8")
        return beside.replace(target)

    def conform(self, rows: VisitRows, columns: Sequence[str]) -> None:
        """Refuse rows that are not as was agreed; ``columns`` are those that the formula reads.

        Raises
        ------
        ModelError
            A week, a level, a scope or a column differs, or a patient has two rows at one week.
        """
        other = sorted({one.name for one in self.covariates}.symmetric_difference(columns))
        if other:
            raise ModelError(
                f"Plan and formula do not read the same columns: {_some(other)} in one only.",
                where=f"plan {self.digest}, formula {self.fixed}",
                what_to_do="Make the plan with plan_moments.",
            )
        if rows.duplicates:
            raise ModelError(
                f"{counted(rows.duplicates, 'row')} of this part repeat a patient's week.",
                where="moments by an agreed plan",
                what_to_do="Keep one row for each patient and week.",
            )
        for covariate in self.covariates:
            name = covariate.name
            if covariate.scope == "patient" and rows.varies_within_patient(name):
                self._differ(
                    f"{name} takes two values in one patient, and the plan says that it does not change",
                    f'Gather all parts by a plan in which {name} varies by visit ("scope": "visit").',
                )
            if covariate.scope == "week":
                self._same_by_week(rows, covariate)

    def with_levels(self, data: pd.DataFrame) -> pd.DataFrame:
        """Give the data with the agreed levels, in their order.

        Raises
        ------
        ModelError
            A value is no level of the plan, a column of numbers holds words, or a week is not on the schedule.
        """
        changed = {}
        for covariate in self.covariates:
            if covariate.name not in data.columns:
                continue  # read_rows says which columns are not there
            column = data[covariate.name]
            if covariate.levels is None:
                if not pd.api.types.is_numeric_dtype(column.dtype):
                    self._differ(f"{covariate.name} holds words, and numbers were agreed", "Convert it to numbers.")
                continue
            labels = column.astype("category")
            names = list(map(str, labels.cat.categories))
            if names == list(covariate.levels):
                continue
            strange = [one for one in names if one not in covariate.levels]
            if strange:
                used = set(map(str, labels.dropna().unique()))
                strange = [one for one in strange if one in used]
            if strange:
                self._differ(
                    f"{covariate.name} holds {_some(strange)}, and the levels agreed are {', '.join(covariate.levels)}",
                    "Use the agreed names, or agree on a plan that has these levels too.",
                )
            changed[covariate.name] = labels.cat.rename_categories(names).cat.set_categories(list(covariate.levels))
        if self.week in data.columns and pd.api.types.is_numeric_dtype(data[self.week].dtype):
            there = pd.Series(data[self.week].unique()).to_numpy(dtype=np.float64, na_value=np.nan)
            there = np.sort(there[~np.isnan(there)])
            strange = [moment(one) for one in there[~np.isin(there, self.weeks)]]
            if strange:
                self._differ(
                    f"there are visits at {_some(strange)}, which is not on the schedule of {counted(len(self.weeks), 'week')}",
                    "Round weeks to the schedule in the same way everywhere, or agree on a plan with these weeks too.",
                )
        return data.assign(**changed)

    def widened(self, other: MomentPlan) -> MomentPlan:
        """Give a plan that the data of both plans conform to; shifts, and the order of levels, are of the first."""
        others = {one.name: one for one in other.covariates}
        weeks = tuple(sorted({*self.weeks, *other.weeks}))
        return replace(
            self,
            weeks=weeks,
            covariates=tuple(
                _widened(mine, others[mine.name], (self.weeks, other.weeks), weeks) for mine in self.covariates
            ),
        )

    def _same_by_week(self, rows: VisitRows, covariate: Covariate) -> None:
        agreed = dict(zip(self.weeks, covariate.by_week or (), strict=False))
        values = rows.values_by_week(covariate.name)
        there = {} if values is None else dict(zip(rows.weeks.tolist(), values, strict=True))
        strange = [week for week, value in there.items() if not _alike(value, agreed.get(week))]
        if values is None or strange:
            at = "" if values is None else f" at {_some([moment(week) for week in strange])}"
            self._differ(
                f"{covariate.name} differs from what was agreed for every patient{at}",
                f'Gather all parts by a plan in which {covariate.name} varies by visit ("scope": "visit").',
            )

    def _differ(self, what: str, what_to_do: str) -> None:
        raise ModelError(f"This part is not as was agreed: {what}.", where=f"plan {self.digest}", what_to_do=what_to_do)

    def _text(self) -> str:
        return json.dumps(plan_to_json(self), indent=2, sort_keys=True)

    def _headline(self) -> str:
        return f"Plan of moments, {self.digest}: {self.fixed}, {counted(len(self.weeks), 'week')}"

    def _shown_tables(self) -> dict[str, pd.DataFrame]:
        rows = [
            {"column": one.name, "varies with": one.scope, "levels": ", ".join(one.levels or ()) or "a number"}
            for one in self.covariates
        ]
        return {"covariates": pd.DataFrame(rows, columns=["column", "varies with", "levels"])}


_FORMAT = "plan of moments, version 1"


def plan_to_json(plan: MomentPlan) -> dict[str, Any]:
    """Give a plan as plain lists and dictionaries."""
    held = {**asdict(plan), "shifts": dict(plan.shifts)}
    held["covariates"] = [
        {**one, "mean": None if one["mean"] != one["mean"] else one["mean"]} for one in held["covariates"]
    ]
    return {"format": _FORMAT, **held}


def plan_of_json(given: Mapping[str, Any]) -> MomentPlan:
    """Make a plan of what :func:`plan_to_json` gave.

    Raises
    ------
    ModelError, KeyError, TypeError, ValueError
        They hold no plan.
    """
    held = dict(given)
    if held.pop("format") != _FORMAT:
        raise ValueError(_FORMAT)
    covariates = tuple(
        Covariate(
            one["name"], one["scope"], None if one["levels"] is None else tuple(one["levels"]),
            float("nan") if one["mean"] is None else float(one["mean"]),
            None if one["by_week"] is None else tuple(one["by_week"]),
        )
        for one in held.pop("covariates")
    )  # fmt: skip
    weeks = tuple(float(one) for one in held.pop("weeks"))
    return MomentPlan(weeks=weeks, covariates=covariates, **held)


def read_moment_plan(path: str | Path) -> MomentPlan:
    """Read a plan that ``MomentPlan.save`` wrote.

    Raises
    ------
    ModelError
        The file holds no plan of moments, or one of another version.
    """
    refuse_impossible_name(Path(path), error=ModelError)
    try:
        return plan_of_json(json.loads(Path(path).read_text(encoding="utf-8")))
    except (OSError, KeyError, TypeError, ValueError, AttributeError, RecursionError) as error:
        raise ModelError(
            "The file holds no plan of moments that this version reads.",
            where=str(path),
            what_to_do="Give a file that MomentPlan.save wrote.",
        ) from error


def _wrong(plan: MomentPlan) -> str:
    """Say what of a plan is not as it must be; nothing where all is."""
    if not all(isinstance(one, str) and one for one in (plan.fixed, plan.patient, plan.week)):
        return "formula, patient and week must be words"
    weeks = np.array(plan.weeks, dtype=np.float64)
    if not weeks.size or not np.isfinite(weeks).all() or (np.diff(weeks) <= 0.0).any():
        return "its weeks must be numbers that increase"
    if weeks.size > MOST_WEEKS_OF_PLAN:
        return (
            f"it has {weeks.size} weeks, and a schedule has at most {MOST_WEEKS_OF_PLAN}; round the weeks to a schedule"
        )
    if not isinstance(plan.shifts, Mapping) or not all(map(_finite, (plan.outcome_shift, *plan.shifts.values()))):
        return "its shifts must be numbers"
    names = [one.name for one in plan.covariates]
    numbers = {one.name for one in plan.covariates if one.levels is None}
    if len({*map(str, names)}) < len(names) or not set(plan.shifts) <= numbers:
        return "each column must stand in it once, and only numbers have shifts"
    return next(filter(None, (_wrong_covariate(one, weeks.size) for one in plan.covariates)), "")


def _wrong_covariate(covariate: Covariate, weeks: int) -> str:
    name, levels, by_week = covariate.name, covariate.levels, covariate.by_week
    if not isinstance(name, str):
        return f"{name!r} is no name of a column"
    if covariate.scope not in get_args(Scope):
        return f"{name} varies with {covariate.scope!r}, which is none of {', '.join(get_args(Scope))}"
    if levels is not None and (
        not levels or not all(isinstance(one, str) for one in levels) or len(set(levels)) < len(levels)
    ):
        return f"the levels of {name} must be words, each once"
    if (covariate.scope == "week") != (by_week is not None):
        return f"{name} needs a value for each week if it varies with the week only, and else none"
    if by_week is not None and len(by_week) != weeks:
        return f"{name} has {len(by_week)} values for {counted(weeks, 'week')}"
    if by_week is not None and not all(map(_finite, by_week) if levels is None else (one in levels for one in by_week)):
        return f"{name} has a value by week that is no number or level"
    return ""


def _finite(number: object) -> bool:
    return isinstance(number, int | float) and bool(np.isfinite(number))


def _widened(
    mine: Covariate, theirs: Covariate, weeks: tuple[tuple[float, ...], tuple[float, ...]], all_weeks: tuple[float, ...]
) -> Covariate:
    if (mine.levels is None) != (theirs.levels is None):
        raise ModelError(
            f"{mine.name} holds numbers in one part and words in another.",
            what_to_do="Give it the same kind of values everywhere.",
        )
    levels = None if mine.levels is None else in_both_orders(mine.levels, theirs.levels or ())
    by_week = None
    scope = mine.scope if mine.scope == theirs.scope else "visit"
    if scope == "week":
        first, second = (
            dict(zip(at, one.by_week or (), strict=False)) for at, one in zip(weeks, (mine, theirs), strict=True)
        )
        if all(_alike(first[week], second[week]) for week in first.keys() & second.keys()):
            by_week = tuple({**second, **first}[week] for week in all_weeks)
        else:
            scope = "visit"
    return replace(mine, scope=scope, levels=levels, by_week=by_week)


def _alike(value: object, other: object) -> bool:
    if isinstance(other, str) or isinstance(value, str):
        return str(value) == str(other)
    return other is not None and float(value) == float(other)  # type: ignore[arg-type]


def _some(names: list[str]) -> str:
    more = f" and {len(names) - _NAMED} more" if len(names) > _NAMED else ""
    return ", ".join(names[:_NAMED]) + more

"""Moments of visits that lie in one frame or in many parts, gathered by a plan that all parts agree on."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from functools import reduce
from operator import add
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

import pandas as pd

from analysis.cluster import Sum, is_dask_frame, tree_sum
from analysis.counted import counted
from analysis.curves.formula.part_summaries import (
    MomentsOfPart,
    VisitColumns,
    learned_plan,
    moments_of_part,
    moments_of_rows,
    plan_of_part,
    profiles_of_part,
)
from analysis.curves.rows.moment_plan import MomentPlan
from analysis.curves.rows.moments import VisitMoments
from analysis.curves.rows.parts import VisitParts, columns_of, frames_of
from analysis.curves.rows.small_cells import kept_profiles
from analysis.errors import ModelError
from analysis.progress import steps

if TYPE_CHECKING:
    from dask.dataframe import DataFrame as DaskFrame


def visit_moments(
    data: pd.DataFrame | VisitParts | DaskFrame,
    fixed: str,
    *,
    patient: str = "patient_id",
    week: str = "week",
    plan: MomentPlan | None = None,
    at_least: int = 0,
) -> VisitMoments:
    """Read visits once into moments, for fits, sums and files.

    Parameters
    ----------
    data : DataFrame, iterable of DataFrame, str, Path or Dask DataFrame
        One row a visit; parts that hold all visits of their patients; or a Parquet file or a folder of them, of which one
        row group is in memory at a time (the rows of a patient together, in one file). Of a Dask data frame, whose partitions
        hold all visits of their patients, the workers send sums, no rows.
    fixed : str
        A formula with the outcome and every covariate that later fits will use. Interactions with the week need not
        be in it; interactions of covariates with each other do.
    patient, week : str
        Columns of the patient and the week.
    plan : MomentPlan, optional
        What was agreed before (:func:`plan_moments`). Without one all parts are read twice, first to learn what they hold.
    at_least : int
        Leave out patients whose pattern of visits, or a category or combination of an interaction within it, has fewer patients
        than this, so that no such cell stands in a file; they are counted in ``left_out``. Small cells of other columns stay
        (``disclosure`` lists them). A fit without them can differ by more than chance. 0 leaves nobody out.

    Returns
    -------
    VisitMoments
        To be given to ``fit_mixed`` in place of the data.

    Raises
    ------
    ModelError
        A part is not as was agreed, a patient is in two parts, or as for ``fit_mixed``.

    Examples
    --------
    >>> import pandas as pd
    >>> visits = pd.DataFrame({
    ...     "patient_id": [1, 1, 2, 2], "week": [0, 6, 0, 6], "value": [50.0, 61, 40, 55], "age": [30, 30, 41, 41]
    ... })
    >>> visit_moments(visits, "value ~ week + age")
    VisitMoments of value: 2 patients, 4 visits, 1 patterns over 2 slots
    >>> visit_moments([visits[:2], visits[2:]], "value ~ week + age")
    VisitMoments of value: 2 patients, 4 visits, 1 patterns over 2 slots
    """
    columns = VisitColumns(fixed, patient, week)
    if plan is not None:
        _refuse_other_formula(plan, columns)
    if isinstance(data, pd.DataFrame):
        agreed = plan_moments(data, fixed, patient=patient, week=week) if plan is None and at_least else plan
        found = _of_one(data, columns, agreed, at_least)
    else:
        found = _of_parts(data, columns, plan, at_least)
    if found.moments is None and found.incomplete and not found.left_out:
        _refuse_incomplete(found.incomplete)
    if found.moments is None:
        raise ModelError(
            f"No pattern and level has {at_least} patients or more." if at_least else "There are no visits to gather.",
            what_to_do="Ask for fewer, or for fewer covariates." if at_least else "Give at least one part with visits.",
        )
    return replace(found.moments, dropped=found.incomplete, left_out=found.left_out)


def plan_moments(
    data: pd.DataFrame | VisitParts | DaskFrame, fixed: str, *, patient: str = "patient_id", week: str = "week"
) -> MomentPlan:
    """Settle what parts have to agree on before their moments are gathered, from visits or a part of them.

    Parameters
    ----------
    data, fixed, patient, week
        As for :func:`visit_moments`; visits on a schedule.

    Returns
    -------
    MomentPlan
        Weeks, levels and their order, what each column varies with, and shifts: means of the first part, which stand in
        the file that is sent. No other number of the plan depends on a patient.

    Raises
    ------
    ModelError
        The visits are not on a schedule, or as for ``fit_mixed``.

    Examples
    --------
    >>> import pandas as pd
    >>> visits = pd.DataFrame({"patient_id": [1, 1, 2, 2], "week": [0, 6, 0, 6], "value": [50.0, 61, 40, 55]})
    >>> plan_moments(visits, "value ~ week").weeks
    (0.0, 6.0)
    """
    columns = VisitColumns(fixed, patient, week)
    if isinstance(data, pd.DataFrame):
        return learned_plan(data, columns)
    found = _summed("Learning what the parts hold", data, columns, plan_of_part, columns)
    plan = None if found is None else found.in_order()
    if plan is None and found is not None and found.incomplete:
        _refuse_incomplete(found.incomplete)
    if plan is None:
        raise ModelError("There are no visits.", what_to_do="Give at least one part with visits.")
    return plan


def _of_one(data: pd.DataFrame, columns: VisitColumns, plan: MomentPlan | None, at_least: int) -> MomentsOfPart:
    if not len(data):
        return MomentsOfPart()
    stay = None
    if plan is not None and at_least:
        stay = kept_profiles(profiles_of_part(data, columns, plan).counts, at_least)
    return moments_of_rows(data, columns, plan, stay)


def _of_parts(
    parts: VisitParts | DaskFrame, columns: VisitColumns, plan: MomentPlan | None, at_least: int
) -> MomentsOfPart:
    if not is_dask_frame(parts):
        _refuse_no_parts(parts, again=plan is None or at_least > 0)
    if plan is None:
        plan = plan_moments(parts, columns.fixed, patient=columns.patient, week=columns.week)
    stay = None
    if at_least:
        counted_all = _summed("Counting patterns of visits", parts, columns, profiles_of_part, columns, plan)
        stay = set() if counted_all is None else kept_profiles(counted_all.counts, at_least)
    return _summed("Gathering moments", parts, columns, moments_of_part, columns, plan, stay) or MomentsOfPart()


def _summed(
    what: str,
    parts: VisitParts | DaskFrame,
    columns: VisitColumns,
    summary: Callable[..., Sum],
    *shared: object,
) -> Sum | None:
    """Add up what each part tells, in their order: one in memory at a time, or those of a Dask data frame where they lie."""
    with steps(what) as step:
        if is_dask_frame(parts):
            step(counted(parts.npartitions, "partition"))
            return tree_sum(_read_of(parts, columns), summary, *shared)
        sums: list[Sum] = []  # of 1, 2, 4, ... parts, the larger first: each patient is in few additions
        for number, part in enumerate(_parts(parts, columns), start=1):
            step(f"part {number}")
            sums.append(summary(part, *shared))
            of_parts = number
            while of_parts % 2 == 0:
                sums[-2:] = [sums[-2] + sums[-1]]
                of_parts //= 2
    return reduce(add, sums) if sums else None


def _read_of(frame: DaskFrame, columns: VisitColumns) -> DaskFrame:
    """Give the columns that are read; an index with a name is a column. Those that are not there are missed by the parts."""
    if frame.index.name is not None and frame.index.name not in frame.columns:
        frame = frame.reset_index()
    held = list(map(str, frame.columns))
    return frame[[name for name in columns.read_of(held) if name in held]]


def _parts(parts: VisitParts, columns: VisitColumns) -> Iterator[pd.DataFrame]:
    held = columns_of(parts)
    wanted = [] if held is None else columns.read_of(held)
    return (frame for frame in frames_of(parts, wanted, columns.patient) if len(frame))


def _refuse_incomplete(rows: int) -> NoReturn:
    raise ModelError(
        "No row of any part has outcome, patient, week and every covariate.",
        where=f"{counted(rows, 'row')}, all with a missing value",
        what_to_do="Look for a covariate that is missing for every patient and leave it out.",
    )


def _refuse_no_parts(parts: VisitParts, *, again: bool) -> None:
    """Refuse what holds no parts, and parts that can be read once only where they have to be read ``again``."""
    if not isinstance(parts, str | Path | Iterable):
        raise ModelError(
            f"These are no visits but {type(parts).__name__}.",
            what_to_do="Give a data frame, a list of them, or the path of a Parquet file or a folder of them.",
        )
    if again and isinstance(parts, Iterator):
        raise ModelError(
            "Parts that can be read once only need a plan, and nobody can be left out of them: what all of them hold is not known "
            "before the last one.",
            what_to_do="Give a list of parts or Parquet files, or a plan (plan_moments).",
        )


def _refuse_other_formula(plan: MomentPlan, columns: VisitColumns) -> None:
    if not isinstance(plan, MomentPlan):
        raise ModelError(
            f"The plan is no MomentPlan but {type(plan).__name__}.",
            what_to_do="Give the plan itself: plan_moments makes one, read_moment_plan reads its file.",
        )
    if VisitColumns(plan.fixed, plan.patient, plan.week) != columns:
        raise ModelError(
            "The plan is for another formula or other columns.",
            where=f"plan: {plan.fixed}, {plan.patient}, {plan.week}; asked: {columns.fixed}, {columns.patient}, {columns.week}",
            what_to_do="Give the formula and columns of the plan.",
        )

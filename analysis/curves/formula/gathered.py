"""Moments of visits that lie in one frame or in many parts, gathered by a plan that all parts agree on."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import NoReturn

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.counted import counted
from analysis.curves.formula.design import described_rows, design_from_rows
from analysis.curves.formula.formula_columns import interactions, mentioned_columns, parse_formula
from analysis.curves.rows.covariate import Covariate, in_both_orders
from analysis.curves.rows.moment_plan import MomentPlan
from analysis.curves.rows.moments import VisitMoments
from analysis.curves.rows.parts import VisitParts, columns_of, frames_of
from analysis.curves.rows.small_cells import Profile, kept_profiles, profiles
from analysis.curves.rows.visit_rows import complete_rows
from analysis.errors import ModelError
from analysis.progress import steps


def visit_moments(
    data: pd.DataFrame | VisitParts,
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
    data : DataFrame, iterable of DataFrame, str or Path
        One row a visit; parts that hold all visits of their patients; or a Parquet file or a folder of them, of which one
        row group is in memory at a time (the rows of a patient together, in one file).
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
    if plan is not None:
        _refuse_other_formula(plan, fixed, patient, week)
    parts = [data] if isinstance(data, pd.DataFrame) else data
    _refuse_no_parts(parts, again=plan is None or at_least > 0)
    agreed = plan
    if agreed is None and (at_least or not isinstance(data, pd.DataFrame)):
        agreed = plan_moments(data, fixed, patient=patient, week=week)
    stay = _who_stays(parts, fixed, patient, week, agreed, at_least) if agreed is not None and at_least else None
    total: VisitMoments | None = None
    left_out, incomplete = 0, 0
    with steps("Gathering moments") as step:
        for number, frame in enumerate(_parts(parts, fixed, patient, week), start=1):
            step(f"part {number}")
            if not isinstance(data, pd.DataFrame) and _no_row_complete(frame, fixed, patient, week):
                incomplete += len(frame)
                continue
            found, without, dropped = gathered_part(frame, fixed, patient, week, agreed, stay)
            left_out, incomplete = left_out + without, incomplete + dropped
            if found is not None:
                total = found if total is None else total + found
    if total is None and incomplete and not left_out:
        _refuse_incomplete(incomplete)
    if total is None:
        raise ModelError(
            "There are no visits to gather."
            if stay is None
            else f"No pattern and level has {at_least} patients or more.",
            what_to_do="Give at least one part with visits."
            if stay is None
            else "Ask for fewer, or for fewer covariates.",
        )
    return replace(total, dropped=incomplete, left_out=left_out)


def plan_moments(
    data: pd.DataFrame | VisitParts, fixed: str, *, patient: str = "patient_id", week: str = "week"
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
    if isinstance(data, pd.DataFrame):
        return _learned(data, fixed, patient, week)
    plan: MomentPlan | None = None
    incomplete, declared = 0, dict[str, tuple[str, ...]]()
    with steps("Learning what the parts hold") as step:
        for number, frame in enumerate(_parts(data, fixed, patient, week), start=1):
            step(f"part {number}")
            if _no_row_complete(frame, fixed, patient, week):
                incomplete += len(frame)
                continue
            found = _learned(frame, fixed, patient, week)
            plan = found if plan is None else plan.widened(found)
            _note_order(frame, plan, declared)
    if plan is None and incomplete:
        _refuse_incomplete(incomplete)
    if plan is None:
        raise ModelError("There are no visits.", what_to_do="Give at least one part with visits.")
    return replace(plan, covariates=tuple(_in_order(one, declared.get(one.name, ())) for one in plan.covariates))


def _note_order(frame: pd.DataFrame, plan: MomentPlan, declared: dict[str, tuple[str, ...]]) -> None:
    """Keep the order in which categories declare their levels, those that nobody has too."""
    for covariate in plan.covariates:
        dtype = frame[covariate.name].dtype
        if isinstance(dtype, pd.CategoricalDtype):
            levels = tuple(map(str, dtype.categories))
            declared[covariate.name] = in_both_orders(declared.get(covariate.name, ()), levels)


def _in_order(covariate: Covariate, declared: tuple[str, ...]) -> Covariate:
    """Put levels in the order declared, and words in that of the alphabet, whatever part came first."""
    if covariate.levels is None:
        return covariate
    place = {level: number for number, level in enumerate(declared)}
    return replace(covariate, levels=tuple(sorted(covariate.levels, key=lambda one: (place.get(one, len(place)), one))))


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


def _parts(data: VisitParts, fixed: str, patient: str, week: str) -> Iterator[pd.DataFrame]:
    held = columns_of(data)
    wanted: list[str] = []
    if held is not None:
        wanted = _columns_read(held, fixed, patient, week)
    return (frame for frame in frames_of(data, wanted, patient) if len(frame))


def _columns_read(held: list[str], fixed: str, patient: str, week: str) -> list[str]:
    formula, outcome = parse_formula(fixed, held)
    return list(dict.fromkeys([patient, week, outcome, *mentioned_columns(formula, set(held))]))


def _no_row_complete(frame: pd.DataFrame, fixed: str, patient: str, week: str) -> bool:
    """Tell whether every row of a part misses a value: of all rows together such rows are left out and counted."""
    read = _columns_read(list(map(str, frame.columns)), fixed, patient, week)
    return set(read) <= set(frame.columns) and not complete_rows(frame[read]).any()


def _refuse_incomplete(rows: int) -> NoReturn:
    raise ModelError(
        "No row of any part has outcome, patient, week and every covariate.",
        where=f"{counted(rows, 'row')}, all with a missing value",
        what_to_do="Look for a covariate that is missing for every patient and leave it out.",
    )


def gathered_part(
    frame: pd.DataFrame, fixed: str, patient: str, week: str, plan: MomentPlan | None, stay: set[Profile] | None
) -> tuple[VisitMoments | None, int, int]:
    """Give the moments of a part, if anyone stays, the patients left out, and the rows dropped for a missing value."""
    left_out, dropped = 0, 0
    if stay is not None:
        rows, covariates, formula, _ = described_rows(frame, fixed, patient=patient, week=week, plan=plan)
        found, place = profiles(rows, covariates, interactions(formula))
        kept = np.array([one in stay for one in found])[place]
        left_out, dropped = int((~kept).sum()), rows.dropped
        frame = rows.frame.iloc[np.flatnonzero(kept[rows.patient])]
        if not len(frame):
            return None, left_out, dropped
    _, rows, moments = design_from_rows(frame, fixed, patient=patient, week=week, plan=plan)
    return replace(moments, who=_numbers(rows.patient_ids)), left_out, dropped + rows.dropped


def _who_stays(parts: VisitParts, fixed: str, patient: str, week: str, plan: MomentPlan, at_least: int) -> set[Profile]:
    """Count the profiles of all parts and choose those that stay."""
    counts: Counter[Profile] = Counter()
    for frame in _parts(parts, fixed, patient, week):
        if _no_row_complete(frame, fixed, patient, week):
            continue
        rows, covariates, formula, _ = described_rows(frame, fixed, patient=patient, week=week, plan=plan)
        found, place = profiles(rows, covariates, interactions(formula))
        counts.update(dict(zip(found, np.bincount(place, minlength=len(found)).tolist(), strict=True)))
    return kept_profiles(counts, at_least)


def _learned(frame: pd.DataFrame, fixed: str, patient: str, week: str) -> MomentPlan:
    rows, covariates, _, _ = described_rows(frame, fixed, patient=patient, week=week)
    if not rows.scheduled:
        raise ModelError(
            "Parts of visits that follow no schedule cannot be gathered by a plan.",
            where=f"{rows.weeks.size} distinct weeks, {rows.duplicates} rows that repeat a patient's week",
            what_to_do="Round the weeks to a schedule, or give all visits as one data frame.",
        )
    known = [replace(one, mean=float("nan")) for one in covariates.values()]  # each part has its own
    shifts = {one.name: one.mean for one in covariates.values() if one.scope == "patient" and one.levels is None}
    return MomentPlan(
        fixed, patient, week, tuple(rows.weeks.tolist()), tuple(known), float(rows.outcome.mean()), shifts
    )


def _numbers(ids: NDArray[np.object_]) -> NDArray[np.uint64]:
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


def _refuse_other_formula(plan: MomentPlan, fixed: str, patient: str, week: str) -> None:
    if not isinstance(plan, MomentPlan):
        raise ModelError(
            f"The plan is no MomentPlan but {type(plan).__name__}.",
            what_to_do="Give the plan itself: plan_moments makes one, read_moment_plan reads its file.",
        )
    if (plan.fixed, plan.patient, plan.week) != (fixed, patient, week):
        raise ModelError(
            "The plan is for another formula or other columns.",
            where=f"plan: {plan.fixed}, {plan.patient}, {plan.week}; asked: {fixed}, {patient}, {week}",
            what_to_do="Give the formula and columns of the plan.",
        )

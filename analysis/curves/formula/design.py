"""Fixed-effect columns as week functions times patient columns, from an ordinary formula."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from typing import get_args

import numpy as np
import pandas as pd
from formulaic import Formula
from numpy.typing import NDArray

from analysis.cohort.schedule import moment
from analysis.counted import counted, form
from analysis.curves.formula.factors import (
    CategoryFactor,
    EvaluatedFactor,
    Factor,
    Parts,
    levels_of,
    multiply,
    product_matrix,
)
from analysis.curves.formula.formula_columns import Column, formula_columns, mentioned_columns, parse_formula
from analysis.curves.formula.week_functions import WeekFunctions
from analysis.curves.rows.covariate import Covariate, Scope
from analysis.curves.rows.moment_plan import MomentPlan
from analysis.curves.rows.moment_sums import gather_moments
from analysis.curves.rows.moments import VisitMoments
from analysis.curves.rows.visit_rows import VisitRows, read_rows
from analysis.errors import ModelError

_CHECKED_ROWS = 24


@dataclass(frozen=True, eq=False)
class Design:
    """The fixed effects of a model.

    Parameters
    ----------
    formula : str
        As the user wrote it.
    outcome, week, patient : str
        Columns of the data.
    columns : tuple of Column
        In the order of formulaic.
    factors : mapping of str to Factor
        By expression.
    covariates : mapping of str to Covariate
        The columns of the data that it reads, without the week.
    weeks : ndarray
        The distinct weeks of the data.
    functions : WeekFunctions
        The week functions, with their knots.
    """

    formula: str
    outcome: str
    week: str
    patient: str
    columns: tuple[Column, ...]
    factors: Mapping[str, Factor]
    covariates: Mapping[str, Covariate]
    weeks: NDArray[np.float64]
    functions: WeekFunctions

    @property
    def names(self) -> list[str]:
        """The names of the columns."""
        return [column.name for column in self.columns]

    def matrix(self, frame: pd.DataFrame) -> NDArray[np.float64]:
        """Give the design rows, shape (rows, columns), of a frame that has the week and the covariates."""
        absent = [name for name in (self.week, *self.covariates) if name not in frame.columns and self._reads(name)]
        if absent:
            raise ModelError(
                f"The rows have no column {', '.join(map(repr, absent))}.",
                where=f"formula {self.formula}",
                what_to_do="Add the columns that the formula reads.",
            )
        return product_matrix(self.factors, [column.parts for column in self.columns], frame)

    @cached_property
    def at_weeks(self) -> NDArray[np.float64]:
        """The week function of each column at the distinct weeks, shape (weeks, columns)."""
        return product_matrix(self.factors, [column.week_parts for column in self.columns], self.week_frame(self.weeks))

    def week_frame(self, weeks: NDArray[np.float64]) -> pd.DataFrame:
        """Give a frame of weeks, with the columns of the data that vary with the week only."""
        return _week_frame(self.week, weeks, self.weeks, self.covariates)

    def _reads(self, name: str) -> bool:
        return any(name in factor.variables for factor in self.factors.values())


def _week_frame(
    week: str, at: NDArray[np.float64], weeks: NDArray[np.float64], covariates: Mapping[str, Covariate]
) -> pd.DataFrame:
    frame = pd.DataFrame({week: at})
    for covariate in covariates.values():
        if covariate.scope == "week" and covariate.by_week is not None:
            place = np.minimum(np.searchsorted(weeks, at), weeks.size - 1)
            strange = np.flatnonzero(weeks[place] != at)
            if strange.size:
                raise ModelError(
                    f"{covariate.name} is not known at {moment(at[strange[0]])}.",
                    where=f"column {covariate.name}, which is known at the weeks of the data only",
                    what_to_do="Ask for weeks of the data, or write the formula with the week itself.",
                )
            values = np.asarray(covariate.by_week)[place]
            frame[covariate.name] = (
                values if covariate.levels is None else pd.Categorical(values, list(covariate.levels))
            )
    return frame


def design_from_rows(
    data: pd.DataFrame, fixed: str, *, patient: str, week: str, plan: MomentPlan | None = None
) -> tuple[Design, VisitRows, VisitMoments]:
    """Read the rows, sort the factors of the formula, and gather the moments, by a plan where there is one.

    Raises
    ------
    ModelError
        For data or a formula that cannot be used.
    """
    rows, covariates, formula, outcome = described_rows(data, fixed, patient=patient, week=week, plan=plan)
    patients = rows.frame.iloc[rows.first_row]
    sample = rows.frame.iloc[np.unique(np.linspace(0, len(rows.frame) - 1, _CHECKED_ROWS).astype(np.int64))]
    frames: dict[Scope, pd.DataFrame] = {"patient": patients, "visit": rows.frame}
    design = _design(fixed, formula, (outcome, week, patient), covariates, rows.weeks, frames, sample)
    if plan is not None:
        _refuse_learned(design, sample)
    moments = gather_moments(
        rows,
        outcome=outcome,
        week=week,
        patient=patient,
        covariates=list(covariates.values()),
        patient_columns=_patient_columns(design, patients),
        visit_columns=_visit_columns(design, rows.frame),
        plan=plan,
    )
    return design, rows, moments


def described_rows(
    data: pd.DataFrame, fixed: str, *, patient: str, week: str, plan: MomentPlan | None = None
) -> tuple[VisitRows, dict[str, Covariate], Formula, str]:
    """Read the rows that a formula needs, and find what its columns vary with; also the formula itself and its outcome.

    Raises
    ------
    ModelError
        For data that cannot be used, or are not as was agreed.
    """
    formula, outcome = parse_formula(fixed, list(map(str, data.columns)))
    mentioned = mentioned_columns(formula, set(map(str, data.columns)))
    schedule = None if plan is None else np.array(plan.weeks)
    data = data if plan is None else plan.with_levels(data)
    rows = read_rows(data, outcome=outcome, variables=mentioned, patient=patient, week=week, schedule=schedule)
    if plan is None:
        covariates = {name: _describe(rows, name) for name in mentioned if name != week}
    else:
        plan.conform(rows, [name for name in mentioned if name != week])
        covariates = {one.name: replace(one, mean=_mean(rows, one)) for one in plan.covariates}
    return rows, covariates, formula, outcome


def design_from_moments(moments: VisitMoments, fixed: str) -> Design:
    """Sort the factors of a formula of the same outcome by the covariates that moments were gathered with.

    Raises
    ------
    ModelError
        Where the formula needs a column that the moments do not hold.
    """
    covariates = {covariate.name: covariate for covariate in moments.covariates}
    known = [moments.outcome, moments.week, *covariates]
    formula, outcome = parse_formula(fixed, known)
    if outcome != moments.outcome:
        raise ModelError(
            f"The moments are of {moments.outcome!r}, not of {outcome!r}.",
            where=f"formula {fixed}",
            what_to_do="Gather moments of that outcome.",
        )
    mentioned = mentioned_columns(formula, set(known))
    covariates = {name: covariate for name, covariate in covariates.items() if name in mentioned}
    sample = _skeleton(moments, covariates)
    named, frames = (outcome, moments.week, moments.patient), dict.fromkeys(get_args(Scope), sample)
    design = _design(fixed, formula, named, covariates, moments.distinct_weeks, frames, sample)
    _refuse_learned(design, sample)
    held = {*moments.patient_labels, *moments.visit_labels}
    missing = [column.label for column in design.columns if column.label not in held]
    if missing:
        raise ModelError(
            f"The moments do not hold {', '.join(dict.fromkeys(missing))}.",
            where=f"they hold {', '.join(moments.patient_labels + moments.visit_labels)}",
            what_to_do="Gather them again with a formula that has these covariates and their interactions.",
        )
    return design


def _design(
    fixed: str,
    formula: Formula,
    named: tuple[str, str, str],
    covariates: Mapping[str, Covariate],
    weeks: NDArray[np.float64],
    frames: Mapping[Scope, pd.DataFrame],
    sample: pd.DataFrame,
) -> Design:
    """Take the formula apart; factors learn from the distinct weeks, or from the frame of patients or visits."""
    outcome, week, patient = named
    functions, frames = WeekFunctions(weeks), {**frames, "week": _week_frame(week, weeks, weeks, covariates)}
    columns, factors = formula_columns(
        fixed, formula, week=week, covariates=covariates, functions=functions, frames=frames, sample=sample
    )
    return Design(fixed, outcome, week, patient, columns, factors, covariates, weeks, functions)


def _refuse_learned(design: Design, sample: pd.DataFrame) -> None:
    """Refuse expressions that remember something of the patients, or whose value in one row depends on the other rows."""
    for factor in design.factors.values():
        if not isinstance(factor, EvaluatedFactor) or factor.scope == "week":
            continue
        if any(factor.state[0].values()) or _reads_other_rows(factor, sample):
            raise ModelError(
                f"{factor.expression} learns from the patients, and moments do not hold them all.",
                where=f"formula {design.formula}",
                what_to_do="Compute it as a column of the data before the moments are gathered.",
            )


def _reads_other_rows(factor: EvaluatedFactor, sample: pd.DataFrame) -> bool:
    half = sample.iloc[: -(-len(sample) // 2)]
    among_all = factor.encode(sample)
    return not all(np.allclose(values, among_all[name][: len(half)]) for name, values in factor.encode(half).items())


def _describe(rows: VisitRows, name: str) -> Covariate:
    """Find what a column varies with."""
    column = rows.frame[name]
    levels = levels_of(column)
    scope: Scope = "patient"
    by_week = None
    if rows.varies_within_patient(name):
        if name == "protocol":
            _refuse_two_protocols(rows)
        values = rows.values_by_week(name)
        scope = "visit" if values is None else "week"
        if values is not None:
            by_week = tuple(map(str, values)) if levels is not None else tuple(map(float, values))
    found = Covariate(name, scope, levels, by_week=by_week)
    return replace(found, mean=_mean(rows, found))


def _mean(rows: VisitRows, covariate: Covariate) -> float:
    """Give the mean of a number, over visits where it varies by visit, else over patients."""
    if covariate.levels is not None:
        return float("nan")
    column = rows.frame[covariate.name]
    at = column if covariate.scope == "visit" else column.iloc[rows.first_row]
    return float(np.mean(at.to_numpy(dtype=np.float64)))


def _refuse_two_protocols(rows: VisitRows) -> None:
    codes = pd.factorize(rows.frame["protocol"])[0]
    strange = np.unique(rows.patient[codes != codes[rows.first_row][rows.patient]])
    raise ModelError(
        f"{counted(strange.size, 'patient')} {form(strange.size, 'is')} in two protocols.",
        where=f"patients {', '.join(map(str, rows.patient_ids[strange[:5]]))}",
        what_to_do="Give each patient one protocol (as assigned), or call the column something else if it changes by visit.",
    )


def _skeleton(moments: VisitMoments, covariates: Mapping[str, Covariate]) -> pd.DataFrame:
    """Make rows that hold every level and week, for the structure of the formula only."""
    count = max([_CHECKED_ROWS, moments.distinct_weeks.size, *(len(c.levels or ()) for c in covariates.values())])
    turn = np.arange(count)
    frame = pd.DataFrame({moments.week: np.resize(moments.distinct_weeks, count)})
    for number, covariate in enumerate(covariates.values()):
        if covariate.levels is not None:
            codes = (turn + turn // (number + 2)) % len(covariate.levels)
            frame[covariate.name] = pd.Categorical.from_codes(codes, pd.Index(covariate.levels))
        else:
            spread = np.where(turn % (number + 2) == 0, 1.0, 1.25)
            frame[covariate.name] = spread * (covariate.mean if np.isfinite(covariate.mean) and covariate.mean else 1.0)
    return frame


def _patient_columns(design: Design, frame: pd.DataFrame) -> dict[str, NDArray[np.float64]]:
    """Evaluate the patient columns: every level of the formula's categories, and its own columns."""
    products: dict[str, Parts] = {}
    for name, factor in design.factors.items():
        if isinstance(factor, CategoryFactor) and factor.scope == "patient":
            products.update({f"{name}[{level}]": ((name, f"{name}[{level}]"),) for level in factor.levels})
    for column in design.columns:
        if not column.by_visit and column.label != "1":
            products.setdefault(column.label, column.other_parts)
    return _by_label(design, products, frame)


def _visit_columns(design: Design, frame: pd.DataFrame) -> dict[str, NDArray[np.float64]]:
    """Evaluate the columns that change by visit, row by row."""
    return _by_label(design, {column.label: column.other_parts for column in design.columns if column.by_visit}, frame)


def _by_label(design: Design, products: Mapping[str, Parts], frame: pd.DataFrame) -> dict[str, NDArray[np.float64]]:
    return dict(zip(products, multiply(design.factors, products.values(), frame), strict=True))

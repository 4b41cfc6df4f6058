"""The factors of a formula: what each varies with, and its encoded columns on any frame."""

from __future__ import annotations

import re
from abc import ABC, abstractmethod
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import reduce
from typing import Any

import numpy as np
import pandas as pd
from formulaic import Formula, ModelSpec
from formulaic.parser.types import Factor as ParsedFactor
from numpy.typing import NDArray

from analysis.curves.formula.week_functions import WeekFunctions
from analysis.curves.rows.covariate import Covariate, Scope
from analysis.errors import ModelError

Encoded = dict[str, NDArray[np.float64]]
Parts = tuple[tuple[str, str], ...]
"""A product: the factor and the name of the encoded column of each part."""

_OWN_FUNCTION = re.compile(r"(natural_spline|piecewise|log1p)\([^()]*\)")


@dataclass(frozen=True)
class Factor(ABC):
    """One factor of a term, for example ``protocol``, ``np.log(baseline)`` or ``C(week)``.

    Parameters
    ----------
    expression : str
        As formulaic writes it.
    scope : "week", "patient" or "visit"
        What its columns vary with.
    variables : tuple of str
        The columns of the data that it reads.
    """

    expression: str
    scope: Scope
    variables: tuple[str, ...]

    @abstractmethod
    def encode(self, frame: pd.DataFrame) -> Encoded:
        """Give its encoded columns on the rows of a frame, by formulaic's names (of full and of reduced rank)."""

    @property
    def state(self) -> tuple[dict[str, Any], dict[str, Any]]:
        """Give what formulaic learned for it: transform state and encoder state."""
        return {}, {}


@dataclass(frozen=True)
class NumberFactor(Factor):
    """A plain numeric column."""

    def encode(self, frame: pd.DataFrame) -> Encoded:
        """Give the column itself."""
        return {self.expression: frame[self.expression].to_numpy(dtype=np.float64, na_value=np.nan)}


@dataclass(frozen=True)
class CategoryFactor(Factor):
    """A plain column of categories; the first level is the reference."""

    levels: tuple[str, ...] = ()

    def encode(self, frame: pd.DataFrame) -> Encoded:
        """Give an indicator a level, under the name of either rank."""
        codes = level_codes(frame[self.expression], self.levels)
        if codes.size and codes.min() < 0:
            strange = frame[self.expression][codes < 0].iloc[0]
            raise ModelError(
                f"{self.expression} {strange!r} was not in the data that the model was fitted to.",
                where=f"levels: {', '.join(self.levels)}",
                what_to_do="Use one of these levels, or fit the model to data that hold the new one.",
            )
        return _indicators(self.expression, {level: codes == number for number, level in enumerate(self.levels)})


@dataclass(frozen=True)
class WeekFunctionFactor(Factor):
    """One of our own functions of the week, evaluated without formulaic."""

    week: str = "week"
    functions: WeekFunctions = field(default_factory=lambda: WeekFunctions(np.empty(0)))

    def encode(self, frame: pd.DataFrame) -> Encoded:
        """Give the columns of the function."""
        at = frame[self.week].to_numpy(dtype=np.float64)
        if self.expression == "week_spline":
            values = self.functions.week_spline(at)
        else:
            names = {**self.functions.context(), self.week: at}
            values = eval(self.expression, {"__builtins__": {}}, names)
        columns = dict(values.items()) if hasattr(values, "items") else {None: np.asarray(values)}
        named = {
            self.expression if key is None else f"{self.expression}[{key}]": column for key, column in columns.items()
        }
        return refuse_undefined(named, self.expression)


@dataclass(frozen=True)
class WeekCategoryFactor(Factor):
    """The distinct weeks as categories, ``C(week)``; the first is the reference."""

    weeks: tuple[float, ...] = ()

    def encode(self, frame: pd.DataFrame) -> Encoded:
        """Give an indicator a week, under the name of either rank."""
        at = frame[self.variables[0]].to_numpy(dtype=np.float64)
        strange = np.unique(at[~np.isin(at, self.weeks)])
        if strange.size:
            raise ModelError(
                f"Week {strange[0]:g} is not one of the weeks that the model was fitted to.",
                where=f"{self.expression}, weeks {', '.join(f'{week:g}' for week in self.weeks)}",
                what_to_do="Ask for one of these weeks, or fit a curve of the week, such as week_spline.",
            )
        return _indicators(self.expression, {week: at == week for week in self.weeks})

    @property
    def state(self) -> tuple[dict[str, Any], dict[str, Any]]:
        """Give what formulaic learns from the weeks; asked for once for each formula."""
        spec = _learn(self.expression, pd.DataFrame({self.variables[0]: np.array(self.weeks)}), {})[0]
        return dict(spec.transform_state), dict(spec.encoder_state)


@dataclass(frozen=True)
class EvaluatedFactor(Factor):
    """An expression that formulaic evaluates; what it learned from the data it keeps.

    An expression of the week only learns from the distinct weeks, one of patient covariates from one row a
    patient, any other from all rows.
    """

    specs: tuple[ModelSpec, ...] = ()
    context: Mapping[str, Any] = field(default_factory=dict)

    def encode(self, frame: pd.DataFrame) -> Encoded:
        """Evaluate the expression with what it learned before."""
        columns: Encoded = {}
        for spec in self.specs:
            with np.errstate(all="ignore"):
                matrix = spec.get_model_matrix(frame, context=self.context)
            for name in matrix.columns:
                if name != "Intercept":
                    columns[name] = matrix[name].to_numpy(dtype=np.float64)
        return refuse_undefined(columns, self.expression)

    @property
    def state(self) -> tuple[dict[str, Any], dict[str, Any]]:
        """Give the states of the specification of full rank."""
        return dict(self.specs[0].transform_state), dict(self.specs[0].encoder_state)


def _indicators(expression: str, levels: Mapping[Any, NDArray[np.bool_]]) -> Encoded:
    """Name the indicators of levels as formulaic does, at full and at reduced rank."""
    columns = {level: there.astype(np.float64) for level, there in levels.items()}
    return {f"{expression}[{rank}{level}]": column for level, column in columns.items() for rank in ("", "T.")}


def multiply(
    factors: Mapping[str, Factor], products: Iterable[Parts], frame: pd.DataFrame
) -> list[NDArray[np.float64]]:
    """Give products of encoded columns on the rows of a frame; each factor is encoded once."""
    encoded: dict[str, Encoded] = {}
    values = []
    for parts in products:
        for expression, _ in parts:
            if expression not in encoded:
                encoded[expression] = factors[expression].encode(frame)
        columns = [encoded[expression][name] for expression, name in parts]
        values.append(reduce(np.multiply, columns) if columns else np.ones(len(frame)))
    return values


def product_matrix(
    factors: Mapping[str, Factor], products: Iterable[Parts], frame: pd.DataFrame
) -> NDArray[np.float64]:
    """Give products of encoded columns as a matrix, shape (rows, products)."""
    return np.column_stack([np.empty((len(frame), 0)), *multiply(factors, products, frame)])


def refuse_undefined(columns: Encoded, expression: str) -> Encoded:
    """Raise where an expression gives a value that is not finite."""
    for values in columns.values():
        if not np.isfinite(values).all():
            raise ModelError(
                f"{expression} is not defined for {int((~np.isfinite(values)).sum())} rows.",
                where=f"factor {expression} of the formula",
                what_to_do="Use a function that is defined for every value, for example log1p instead of log at week 0.",
            )
    return columns


def level_codes(column: pd.Series, levels: tuple[str, ...]) -> NDArray[np.int64]:
    """Give each value's place among the levels; -1 where it is not among them."""
    if isinstance(column.dtype, pd.CategoricalDtype):
        place = {level: number for number, level in enumerate(levels)}
        lookup = np.array([place.get(str(category), -1) for category in column.cat.categories] + [-1])
        return np.asarray(lookup[column.cat.codes.to_numpy()], dtype=np.int64)
    found, distinct = pd.factorize(column)
    place = {level: number for number, level in enumerate(levels)}
    lookup = np.array([place.get(str(value), -1) for value in distinct] + [-1])
    return np.asarray(lookup[found], dtype=np.int64)


def _used(codes: NDArray[np.integer[Any]], size: int) -> NDArray[np.bool_]:
    """Tell which codes occur, looking no further than the last new one."""
    used = np.zeros(size, dtype=bool)
    for start in range(0, codes.size, 1 << 16):
        used[codes[start : start + (1 << 16)]] = True
        if used.all():
            break
    return used


def levels_of(column: pd.Series) -> tuple[str, ...] | None:
    """Give the categories that occur, in the order of the categorical, else sorted; None for numbers."""
    if isinstance(column.dtype, pd.CategoricalDtype):
        used = _used(column.cat.codes.to_numpy(), len(column.cat.categories))
        return tuple(str(level) for level, occurs in zip(column.cat.categories, used, strict=True) if occurs)
    if pd.api.types.is_numeric_dtype(column.dtype):
        return None
    return tuple(sorted(str(value) for value in pd.unique(column)))


def variables_of(factor: ParsedFactor, known: set[str]) -> tuple[str, ...]:
    """Give the columns of the data that an expression reads."""
    if factor.eval_method.value == "lookup":
        return (factor.expr,) if factor.expr in known else ()
    words = set(re.findall(r"[^\W\d]\w*", factor.expr))
    quoted = set(re.findall(r"`([^`]+)`", factor.expr))
    return tuple(name for name in known if name in words or name in quoted)


def build_factor(
    factor: ParsedFactor,
    *,
    week: str,
    covariates: Mapping[str, Covariate],
    frames: Mapping[Scope, pd.DataFrame],
    functions: WeekFunctions,
) -> Factor:
    """Sort a factor as formulaic parsed it by what it varies with, and make it ready to encode.

    ``frames`` are what a factor of each scope learns from, ``functions`` the week functions of the data.

    Raises
    ------
    ModelError
        Where the factor reads no column, or cannot be evaluated.
    """
    expression = factor.expr
    if expression == "week_spline" and expression not in covariates:
        return WeekFunctionFactor(expression, "week", (week,), week, functions)
    names = variables_of(factor, {week, *covariates})
    scopes = {"week" if name == week else covariates[name].scope for name in names}
    scope: Scope = "visit"
    if scopes == {"week"}:
        scope = "week"
    elif scopes == {"patient"}:
        scope = "patient"
    if factor.eval_method.value == "lookup" and names:
        levels = None if expression == week else covariates[expression].levels
        if levels is None:
            return NumberFactor(expression, scope, names)
        return CategoryFactor(expression, scope, names, levels)
    if not names:
        raise ModelError(
            f"The factor {expression} of the formula reads no column of the data.",
            where=f"columns: {', '.join([week, *covariates])}",
            what_to_do="Correct the name, or leave the factor out.",
        )
    if scope == "week" and names == (week,) and _OWN_FUNCTION.fullmatch(expression) and week.isidentifier():
        return WeekFunctionFactor(expression, "week", names, week, functions)
    if expression == f"C({week})" and scope == "week":
        return WeekCategoryFactor(expression, "week", names, tuple(np.unique(frames["week"][week]).tolist()))
    context = functions.context()
    quoted = f"`{expression}`" if factor.eval_method.value == "lookup" else expression
    try:
        with np.errstate(all="ignore"):
            specs = _learn(quoted, frames[scope], context)
    except ModelError:
        raise
    except Exception as error:
        cause = error.__cause__ if isinstance(error.__cause__, ModelError) else None
        if cause is not None:
            raise cause from None
        raise ModelError(
            f"The factor {expression} of the formula cannot be evaluated: {error}",
            where=f"columns: {', '.join(names)}",
            what_to_do="Compute it as a column of the data first, or correct the expression.",
        ) from error
    return EvaluatedFactor(expression, scope, names, specs, context)


def _learn(quoted: str, frame: pd.DataFrame, context: Mapping[str, Any]) -> tuple[ModelSpec, ...]:
    """Let formulaic evaluate an expression, at full rank and (for categories) at reduced rank."""
    full = Formula(f"0 + {quoted}").get_model_matrix(frame, context=context, na_action="ignore").model_spec
    if not any(str(kind) == "Kind.CATEGORICAL" for kind, _ in full.encoder_state.values()):
        return (full,)
    reduced = Formula(f"1 + {quoted}").get_model_matrix(frame, context=context, na_action="ignore").model_spec
    return full, reduced

"""Take a formula apart: which encoded column of which factor each column of the design multiplies."""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import pandas as pd
from formulaic import Formula, ModelSpec
from numpy.typing import NDArray

from analysis.curves.formula.factors import CategoryFactor, Factor, Parts, build_factor, level_codes, variables_of
from analysis.curves.formula.week_functions import WeekFunctions
from analysis.curves.rows.covariate import Covariate, Scope
from analysis.errors import ModelError

_Structure = list[tuple[tuple[str, ...], tuple[str, ...]]]
_KNOWN: dict[object, _Structure] = {}
_MOST_KNOWN = 200
_ROUNDING, _ROUNDING_AT_ZERO = 1e-9, 1e-12
"""Products of the same factors taken in another order, as formulaic may, agree to this share of them, or to this."""


@dataclass(frozen=True)
class Column:
    """One column of the design: the product of one encoded column of each factor of its term.

    Parameters
    ----------
    name, term : str
        As formulaic names them.
    parts : tuple of (str, str)
        Factor and encoded column of each factor.
    label : str
        The patient or visit column of u that it multiplies.
    by_visit : bool
        Whether ``label`` is a visit column.
    week_parts : tuple of (str, str)
        The parts that vary with the week only; their product is the week function.
    """

    name: str
    term: str
    parts: Parts
    label: str
    by_visit: bool
    week_parts: Parts

    @property
    def other_parts(self) -> Parts:
        """The parts whose product is the patient or visit column."""
        return tuple(part for part in self.parts if part not in self.week_parts)


@lru_cache(maxsize=200)
def _parse(fixed: str) -> Formula:
    return Formula(fixed)


def parse_formula(fixed: str, known: list[str]) -> tuple[Formula, str]:
    """Parse a formula into its right-hand side and the name of the outcome, one of the columns known.

    Raises
    ------
    ModelError
        Where it cannot be parsed, or has no outcome.
    """
    advice = "Write it like 'value ~ protocol * week_spline + baseline'."
    try:
        parsed = _parse(fixed)
    except Exception as error:
        raise ModelError(f"The formula cannot be read: {error}", where=repr(fixed), what_to_do=advice) from error
    if not hasattr(parsed, "lhs") or not hasattr(parsed, "rhs"):
        raise ModelError("The formula has no outcome.", where=repr(fixed), what_to_do=advice)
    left = [str(term) for term in parsed.lhs]
    if len(left) != 1 or left[0].strip("`") not in known:
        raise ModelError(
            "The outcome of the formula must be one column of the data.",
            where=f"outcome {' + '.join(left)}",
            what_to_do="Compute a transformed outcome as a column first.",
        )
    return parsed.rhs, left[0].strip("`")


def mentioned_columns(formula: Formula, known: set[str]) -> list[str]:
    """List the columns of the data that a formula names, sorted; refuse one that is not there."""
    names: list[str] = []
    for term in formula:
        for factor in term.factors:
            names.extend(variables_of(factor, known))
            if factor.eval_method.value == "lookup" and factor.expr not in known and factor.expr != "week_spline":
                raise ModelError(
                    f"The data have no column {factor.expr!r}.",
                    where="the formula",
                    what_to_do="Correct the name, or add the column to the data.",
                )
    return sorted(dict.fromkeys(names))


def interactions(formula: Formula) -> list[list[str]]:
    """List the factors of each term of a formula that has more than one."""
    return [[factor.expr for factor in term.factors] for term in formula if len(term.factors) > 1]


def formula_columns(
    fixed: str,
    formula: Formula,
    *,
    week: str,
    covariates: Mapping[str, Covariate],
    functions: WeekFunctions,
    frames: Mapping[Scope, pd.DataFrame],
    sample: pd.DataFrame,
) -> tuple[tuple[Column, ...], dict[str, Factor]]:
    """Take the right-hand side of a formula apart, into columns and factors by expression.

    The columns, their names and the coding of categories are formulaic's: it builds the design of a few rows, every
    column's name is looked up among the products of encoded factors, and the values of the products are compared with
    formulaic's own. The structure is remembered for the next fit with the same formula as written (``fixed``), weeks and
    categories. ``frames`` are what factors learn from, ``sample`` is a few rows.

    Raises
    ------
    ModelError
        For a factor or column that cannot be used.
    """
    factors: dict[str, Factor] = {}
    for term in formula:
        for parsed in term.factors:
            if parsed.eval_method.value != "literal" and parsed.expr not in factors:
                factors[parsed.expr] = build_factor(
                    parsed, week=week, covariates=covariates, frames=frames, functions=functions
                )
    key = (fixed, week, functions.weeks.tobytes(), tuple((c.name, c.scope, c.levels) for c in covariates.values()))
    sample = _with_levels(sample, covariates)
    encoded = {expression: factor.encode(sample) for expression, factor in factors.items()}
    structure = _KNOWN.get(key)
    matrix = None
    if structure is None:
        matrix = _formulaic_matrix(formula, factors, sample, functions, week)
        structure = [
            (
                tuple(factor.expr for factor in entry.term.factors if factor.eval_method.value != "literal"),
                tuple(entry.columns),
            )
            for entry in matrix.model_spec.structure
        ]
    columns: list[Column] = []
    values: list[NDArray[np.float64]] = []
    for expressions, names in structure:
        products = _products(expressions, encoded)
        for name in names:
            parts = products.get(name if name != "Intercept" else "")
            if parts is None:
                raise ModelError(
                    f"The column {name} of the formula cannot be taken apart.",
                    where=f"term {':'.join(expressions) or '1'}",
                    what_to_do="Compute the term as a column of the data first.",
                )
            columns.append(_column(name, ":".join(expressions) or "1", parts, factors))
            values.append(np.prod([np.ones(len(sample)), *(encoded[part[0]][part[1]] for part in parts)], axis=0))
    if not columns:
        raise ModelError("The formula has no fixed effect.", where=fixed, what_to_do="Write at least 'value ~ 1'.")
    if matrix is not None:
        _compare(fixed, columns, np.column_stack(values), matrix)
        if len(_KNOWN) >= _MOST_KNOWN:
            _KNOWN.clear()
        _KNOWN[key] = structure
    return tuple(columns), factors


def _products(
    expressions: tuple[str, ...], encoded: Mapping[str, Mapping[str, NDArray[np.float64]]]
) -> dict[str, Parts]:
    """Name every product of encoded columns that a term, or a lower-rank part of it, may hold."""
    return {
        ":".join(chosen): tuple(zip(used, chosen, strict=True))
        for size in range(len(expressions) + 1)
        for used in itertools.combinations(expressions, size)
        for chosen in itertools.product(*(encoded[expression] for expression in used))
    }


def _compare(fixed: str, columns: list[Column], mine: NDArray[np.float64], matrix: pd.DataFrame) -> None:
    """Compare the columns with formulaic's own on a few rows."""
    theirs = matrix.to_numpy(dtype=np.float64)
    if not np.allclose(mine, theirs, rtol=_ROUNDING, atol=_ROUNDING_AT_ZERO, equal_nan=True):
        worst = columns[int(np.nanargmax(np.abs(mine - theirs).max(axis=0)))].name
        raise ModelError(
            f"The column {worst} came out differently from formulaic's own.",
            where=f"formula {fixed}",
            what_to_do="Compute the term as a column of the data first, and report this formula.",
        )


def _formulaic_matrix(
    formula: Formula, factors: Mapping[str, Factor], sample: pd.DataFrame, functions: WeekFunctions, week: str
) -> pd.DataFrame:
    """Let formulaic build the design of a few rows, with what the factors learned from all."""
    transforms: dict[str, object] = {}
    encoders: dict[str, object] = {}
    for factor in factors.values():
        transforms.update(factor.state[0])
        encoders.update(factor.state[1])
    context = dict(functions.context())
    if "week_spline" in factors:
        context["week_spline"] = functions.week_spline(sample[week].to_numpy(dtype=np.float64))
    spec = ModelSpec(formula=formula, transform_state=transforms, encoder_state=encoders, na_action="ignore")
    with np.errstate(all="ignore"):
        matrix: pd.DataFrame = spec.get_model_matrix(sample, context=context)
    return matrix


def _with_levels(sample: pd.DataFrame, covariates: Mapping[str, Covariate]) -> pd.DataFrame:
    changed = {
        name: pd.Categorical.from_codes(level_codes(sample[name], covariate.levels), pd.Index(covariate.levels))
        for name, covariate in covariates.items()
        if covariate.levels is not None
    }
    return sample.assign(**changed)


def _column(name: str, term: str, parts: Parts, factors: Mapping[str, Factor]) -> Column:
    week_parts = tuple(part for part in parts if factors[part[0]].scope == "week")
    rest = [part for part in parts if factors[part[0]].scope != "week"]
    label = ":".join(
        encoded.replace("[T.", "[", 1) if isinstance(factors[expression], CategoryFactor) else encoded
        for expression, encoded in rest
    )
    by_visit = any(factors[expression].scope == "visit" for expression, _ in rest)
    return Column(name, term, parts, label or "1", by_visit, week_parts)

"""The patient effects of a model: functions of the week, in a well-scaled basis."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
import pandas as pd
from formulaic import Formula

from analysis.curves.covariances.residual_base import Array
from analysis.curves.formula.design import Design
from analysis.curves.formula.factors import (
    CategoryFactor,
    EvaluatedFactor,
    Factor,
    Parts,
    WeekCategoryFactor,
    build_factor,
    product_matrix,
)
from analysis.errors import ModelError

_SAME = 1e-8
"""Effects of which one leaves this share to the next say the same thing: squared, it is all the digits of a sum."""


@dataclass(frozen=True, eq=False)
class PatientTerms:
    """What a patient's own curve is made of.

    Parameters
    ----------
    names : tuple of str
        The effects, for example ("Intercept", "week").
    parts : tuple of tuple of (str, str)
        Factors and encoded columns of each.
    factors : dict of str to Factor
        By expression.
    A : ndarray, shape (effects, effects)
        The user's effects are A times the working ones.
    formula : str or None
        As written; None for no effects.
    """

    names: tuple[str, ...]
    parts: tuple[Parts, ...]
    factors: dict[str, Factor]
    A: Array
    formula: str | None = None

    def parameter_names(self, places: tuple[np.ndarray, np.ndarray]) -> list[str]:
        """Name the elements of the covariance of the effects, given their rows and columns."""
        return [
            f"variance of {self.names[a]}" if a == b else f"covariance of {self.names[b]} and {self.names[a]}"
            for a, b in zip(*places, strict=True)
        ]

    def columns(self, frame: pd.DataFrame) -> Array:
        """Give the effects' functions on a frame of weeks, shape (rows, effects)."""
        return product_matrix(self.factors, self.parts, frame)


def patient_terms(design: Design, wanted: str | None, *, correlated: bool) -> PatientTerms:
    """Read the formula of the patient effects, for example ``"1 + week"``; None for no effects.

    The word ``week`` stands for the week column, whatever its name. Effects that may be correlated are made orthogonal
    internally.

    Raises
    ------
    ModelError
        Where a term is not a function of the week.
    """
    if wanted is None or not wanted.strip() or wanted.strip() == "0":
        return PatientTerms((), (), {}, np.zeros((0, 0)))
    if design.week != "week" and "week" not in design.covariates:
        wanted = re.sub(r"\bweek\b", design.week if design.week.isidentifier() else f"`{design.week}`", wanted)
    try:
        formula = Formula(wanted)
    except Exception as error:
        raise ModelError(
            f"The patient effects cannot be read: {error}",
            where=repr(wanted),
            what_to_do="Write them like '1 + week', or None.",
        ) from error
    frame = design.week_frame(design.weeks)
    names: list[str] = []
    parts: list[Parts] = []
    factors: dict[str, Factor] = {}
    for term in formula:
        expressions = [factor for factor in term.factors if factor.eval_method.value != "literal"]
        chosen: list[list[tuple[str, str]]] = [[]]
        for parsed in expressions:
            known = parsed.expr == design.week or parsed.expr in design.covariates or parsed.expr == "week_spline"
            if parsed.eval_method.value == "lookup" and not known:
                _refuse(parsed.expr, wanted)
            factor = build_factor(
                parsed,
                week=design.week,
                covariates=design.covariates,
                frames={"week": frame, "patient": frame, "visit": frame},
                functions=design.functions,
            )
            if factor.scope != "week":
                _refuse(parsed.expr, wanted)
            factors[parsed.expr] = factor
            encoded = [name for name in factor.encode(frame) if _wanted_rank(name, factor, "Intercept" in names)]
            chosen = [[*left, (parsed.expr, name)] for left in chosen for name in encoded]
        for combination in chosen:
            names.append(":".join(name for _, name in combination) or "Intercept")
            parts.append(tuple(combination))
    terms = PatientTerms(tuple(names), tuple(parts), factors, np.eye(len(names)))
    Z = terms.columns(frame)
    size = np.sqrt((Z**2).mean(axis=0))
    if correlated:
        R = np.linalg.qr(Z / size).R
        if R.shape[0] < len(names) or np.abs(np.diag(R)).min() < _SAME:
            raise ModelError(
                f"The patient effects {wanted!r} say the same thing twice at {frame.shape[0]} distinct weeks.",
                where=f"weeks {', '.join(f'{week:g}' for week in design.weeks[:10])}",
                what_to_do="Leave an effect out: patient_effects='1' is the simplest.",
            )
        A = np.linalg.inv(R * size) * np.sqrt(len(frame)) * np.sign(np.diag(R))
    else:
        A = np.diag(1.0 / size)
    return PatientTerms(tuple(names), tuple(parts), factors, A, wanted)


def _wanted_rank(name: str, factor: Factor, intercept: bool) -> bool:
    if isinstance(factor, CategoryFactor | WeekCategoryFactor) or (
        isinstance(factor, EvaluatedFactor) and len(factor.specs) > 1
    ):
        return ("[T." in name) == intercept
    return True


def _refuse(expression: str, wanted: str) -> None:
    raise ModelError(
        f"A patient effect must be a function of the week, and {expression} is not.",
        where=f"patient_effects={wanted!r}",
        what_to_do="Put it into the fixed effects, or use '1', '1 + week' or a week function such as natural_spline(week, df=2).",
    )

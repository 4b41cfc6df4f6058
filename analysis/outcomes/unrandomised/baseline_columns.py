"""Covariates as columns of a model: numbers, smooth curves, labels, and patients in whom one is not known."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.counted import counted
from analysis.curves.covariates import asked_covariate, check_covariate, column_in_words, curve_columns
from analysis.errors import ModelError
from analysis.outcomes.unrandomised.refusals import refuse_empty_cells

Floats = NDArray[np.float64]

#: Where a protocol has nobody without a covariate, so many patients at most may lack it: the usual value takes its place.
MOST_FILLED = 0.05
#: Singular values below this share of the largest are none: a column then says what others say.
_SAYS_THE_SAME = 1e-8
MISSING = "not known"
VALUE, SQUARED = "value", "squared"


@dataclass(frozen=True, eq=False)
class Balanced:
    """One value whose balance is looked at: of a covariate, as a term, one number a patient; ``is_number`` where it has a spread."""

    covariate: str
    term: str
    numbers: Floats
    is_number: bool


@dataclass(frozen=True, eq=False)
class BaselineColumns:
    """Columns of the models, one row a patient.

    Attributes
    ----------
    matrix : ndarray, shape (patients, columns)
        Without the constant.
    names : tuple of str
        Of the columns.
    balanced : tuple of Balanced
        What balance is looked at: numbers, their squares around the mean, every label.
    notes : tuple of str
        What was done where a covariate was not known.
    """

    matrix: Floats
    names: tuple[str, ...]
    balanced: tuple[Balanced, ...]
    notes: tuple[str, ...]


def baseline_columns(
    patients: pd.DataFrame, covariates: Sequence[str], protocol: pd.Series, *, apart: Sequence[str], advice: str
) -> BaselineColumns:
    """Make the columns.

    Numbers enter as straight lines, ``spline(name)`` as a natural cubic spline, labels as indicators of all but the first. Where
    a covariate is not known in some patients of every protocol, an indicator says so (a label of its own) and numbers take
    the mean; where a protocol has none of them and they are few, the mean or the most frequent label alone.

    Parameters
    ----------
    patients : DataFrame
        One row a patient.
    covariates : sequence of str
        What is asked for.
    protocol : Series
        The protocol of each patient, as categories that all are used.
    apart : sequence of str
        Columns that are no covariates.
    advice : str
        What to do where one is not known.

    Raises
    ------
    ModelError
        A covariate is not known, constant, named twice, has too many labels, or says what others say; a protocol has nobody of a
        label; or whether it is known goes with the protocol.
    """
    if not len(covariates):
        raise ModelError(
            "No covariate is named, and patients who were not randomised differ in some.",
            where="covariates: none",
            what_to_do="Name what may have led to the choice of the protocol and was known before it began.",
        )
    columns: dict[str, Floats] = {}
    balanced: list[Balanced] = []
    notes: list[str] = []
    seen: list[str] = []
    for asked in covariates:
        name, smooth = asked_covariate(asked)
        check_covariate(patients, name, asked, smooth=smooth, argument="covariates", apart=apart, advice=advice)
        if name in seen:
            raise ModelError(
                f"The covariate {name!r} is named twice.",
                where=f"covariates: {', '.join(covariates)}",
                what_to_do="Name each once.",
            )
        seen.append(name)
        values = patients[name]
        own_label, said = _not_known(values, protocol, name)
        notes += said
        if pd.api.types.is_numeric_dtype(values) and not pd.api.types.is_bool_dtype(values):
            made, looked_at = _of_number(values, name, smooth=smooth, own_label=own_label)
            if values.nunique() == 2:
                refuse_empty_cells(values.map(lambda one: f"{one:g}"), protocol, name)
        else:
            made, looked_at = _of_labels(values, protocol, name, own_label=own_label)
        columns |= made
        balanced += looked_at
    matrix = np.column_stack(list(columns.values()))
    _refuse_the_same(matrix, list(columns))
    return BaselineColumns(matrix, tuple(columns), tuple(balanced), tuple(notes))


def _not_known(values: pd.Series, protocol: pd.Series, name: str) -> tuple[bool, list[str]]:
    """Say whether patients without the covariate are told apart by an indicator, and how many there are in words."""
    lacking = values.isna()
    if not lacking.any():
        return False, []
    word = column_in_words(name)
    by_protocol = lacking.groupby(protocol.to_numpy(), observed=True)
    missing, size = by_protocol.sum(), by_protocol.size()
    count = int(lacking.sum())
    head = f"In {counted(count, 'patient')} of {len(values):,} {word} is not known"
    if (missing > 0).all() and (missing < size).all():
        return True, [f"{head}: an indicator says so in both models, and a number takes the mean."]
    if count <= MOST_FILLED * len(values):
        return False, [f"{head}, too few for an indicator: the mean, or the most frequent label, takes its place."]
    cells = ", ".join(f"{label} {int(missing[label])} of {int(size[label])}" for label in missing.index)
    raise ModelError(
        f"Whether {name!r} is known goes with the protocol, so it cannot be balanced.",
        where=f"patients without it: {cells}",
        what_to_do="Leave the covariate out, or complete it.",
    )


def _of_number(
    values: pd.Series, name: str, *, smooth: bool, own_label: bool
) -> tuple[dict[str, Floats], list[Balanced]]:
    known = pd.Series(values.to_numpy(dtype="float64", na_value=np.nan))
    if np.isinf(known).any():
        raise ModelError(
            f"The covariate {name!r} is infinite in {counted(int(np.isinf(known).sum()), 'patient')}.",
            where=f"{len(known):,} patients",
            what_to_do="Correct the values, or leave them empty.",
        )
    lacking = known.isna().to_numpy()
    filled = known.fillna(known.mean())
    numbers = np.asarray(filled, dtype=np.float64)
    several = known.nunique() > 2
    columns = curve_columns(filled, name) if smooth else {name: numbers}
    balanced = [Balanced(name, VALUE, numbers, several)]
    if several:
        balanced.append(Balanced(name, SQUARED, (numbers - numbers.mean()) ** 2, is_number=False))
    if own_label:
        columns[f"{name} {MISSING}"] = np.asarray(lacking, dtype=np.float64)
        balanced.append(Balanced(name, MISSING, np.asarray(lacking, dtype=np.float64), is_number=False))
    return columns, balanced


def _of_labels(
    values: pd.Series, protocol: pd.Series, name: str, *, own_label: bool
) -> tuple[dict[str, Floats], list[Balanced]]:
    text = values.astype("str").where(values.notna())
    order = [str(one) for one in (values.cat.categories if hasattr(values, "cat") else sorted(text.dropna().unique()))]
    if own_label:
        text, order = text.fillna(MISSING), [*order, MISSING]
    else:
        text = text.fillna(text.mode().iloc[0])
    order = [label for label in order if (text == label).any()]
    refuse_empty_cells(text, protocol, name)
    indicators = {label: np.asarray(text == label, dtype=np.float64) for label in order}
    columns = {f"{name} {label}": indicators[label] for label in order[1:]}
    return columns, [Balanced(name, label, one, is_number=False) for label, one in indicators.items()]


def _refuse_the_same(matrix: Floats, names: list[str]) -> None:
    """Refuse columns that others explain."""
    whole = np.column_stack([np.ones(len(matrix)), (matrix - matrix.mean(axis=0)) / matrix.std(axis=0)])
    for count in range(2, whole.shape[1] + 1):
        sizes = np.linalg.svd(whole[:, :count], compute_uv=False)
        if sizes[-1] < _SAYS_THE_SAME * sizes[0]:
            raise ModelError(
                "The covariates say the same thing twice.",
                where=f"{names[count - 2]!r} follows from those before it: {', '.join(names[: count - 2]) or 'none'}",
                what_to_do="Leave one of them out.",
            )

"""Columns of texts and labels of many rows: looked up among others, told apart, joined; quicker than row by row."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc


def as_arrow(text: pd.Series) -> pa.Array:
    """Give a column of text as one array of arrow, missing ones as such."""
    array = pa.array(text, type=pa.large_string(), from_pandas=True)
    return array.combine_chunks() if isinstance(array, pa.ChunkedArray) else array


def is_among(values: pd.Series, of: pd.Series) -> np.ndarray:
    """Say which texts are among others; for a million of them far quicker than ``isin``. A missing one is not.

    Examples
    --------
    >>> is_among(pd.Series(["a", "c", None]), pd.Series(["a", "b"])).tolist()
    [True, False, False]
    """
    if isinstance(values.dtype, pd.CategoricalDtype):
        known = np.append(is_among(pd.Series(values.cat.categories, dtype="str"), of), False)
        return known[values.cat.codes.to_numpy()]
    found = pc.is_in(as_arrow(values.astype("str")), value_set=as_arrow(of.dropna().astype("str")))
    return np.asarray(found.to_numpy(zero_copy_only=False)) & values.notna().to_numpy()


def places_among(values: pd.Series, of: pd.Series) -> np.ndarray:
    """Give the place of each text among others, from 0; -1 where it is not among them, or missing.

    Examples
    --------
    >>> places_among(pd.Series(["b", "c", None]), pd.Series(["a", "b"])).tolist()
    [1, -1, -1]
    """
    known = as_arrow(of.astype("str"))
    found = pc.index_in(as_arrow(values.astype("str")), value_set=known, skip_nulls=True)
    return np.asarray(found.fill_null(-1).to_numpy(zero_copy_only=False), dtype=np.int64)


def label_texts(values: pd.Series) -> pd.Series:
    """Give the labels of a categorical of text as text; a column of text as it is. For millions far quicker than ``astype``.

    Examples
    --------
    >>> label_texts(pd.Series(pd.Categorical(["b", None, "a"]))).tolist()
    ['b', nan, 'a']
    """
    if not isinstance(values.dtype, pd.CategoricalDtype):
        return values.astype("str")
    codes = values.cat.codes.to_numpy()
    places = pa.array(codes, mask=codes < 0)
    texts = pa.DictionaryArray.from_arrays(places, as_arrow(pd.Series(values.cat.categories, dtype="str")))
    return pd.Series(pd.array(texts.dictionary_decode(), dtype="str"), index=values.index, name=values.name)


def distinct_texts(values: pd.Series) -> pd.Series:
    """Give the different texts or labels of a column, without missing ones, in the order in which they come.

    Examples
    --------
    >>> distinct_texts(pd.Series(pd.Categorical(["b", None, "a", "b"], categories=["a", "b", "c"]))).tolist()
    ['b', 'a']
    """
    if isinstance(values.dtype, pd.CategoricalDtype):
        codes = pd.unique(values.cat.codes.to_numpy())
        return pd.Series(values.cat.categories[codes[codes >= 0]], dtype="str")
    return pd.Series(values.unique()).dropna().reset_index(drop=True).astype("str")


def join_columns(parts: Sequence[pd.Series]) -> pd.Series:
    """Put the parts of a column below each other, its rows numbered from 0; labels that only later parts have come last.

    Examples
    --------
    >>> join_columns([pd.Series(["a"], dtype="category"), pd.Series(["b", "a"], dtype="category")]).cat.codes.tolist()
    [0, 1, 0]
    """
    if not all(isinstance(part.dtype, pd.CategoricalDtype) for part in parts):
        return pd.concat(parts, ignore_index=True)
    order = dict.fromkeys(label for part in parts for label in part.cat.categories)
    dtype = pd.CategoricalDtype(pd.Index(list(order), dtype=parts[0].cat.categories.dtype))
    place = {label: i for i, label in enumerate(order)}
    codes = []
    for part in parts:
        new = np.array([*(place[label] for label in part.cat.categories), -1], dtype=np.int32)
        same = bool((new[:-1] == np.arange(len(new) - 1)).all())
        codes.append(part.cat.codes.to_numpy() if same else new[part.cat.codes.to_numpy()])
    return pd.Series(pd.Categorical.from_codes(np.concatenate(codes), dtype=dtype), name=parts[0].name)


class ColumnSoFar:
    """A column whose parts come one after the other: each is copied to its place at once, so that no two copies are kept.

    ``rows`` is how many are expected; with more the column is copied once.

    Examples
    --------
    >>> column = ColumnSoFar(3)
    >>> for part in (pd.Series([1.0, 2.0]), pd.Series([0.5])):
    ...     column.add(part)
    >>> column.whole().tolist()
    [1.0, 2.0, 0.5]
    """

    def __init__(self, rows: int) -> None:
        self._rows, self._n = rows, 0
        self._held: np.ndarray | None = None
        self._dtype: Any = None
        self._others: list[pd.Series] = []

    def add(self, part: pd.Series) -> None:
        """Add the next part."""
        labels = isinstance(part.dtype, pd.CategoricalDtype)
        values = part.cat.codes.to_numpy() if labels else part.to_numpy() if isinstance(part.dtype, np.dtype) else None
        if self._held is None and not self._others and values is not None and values.dtype != object:
            self._held, self._dtype = np.empty(max(self._rows, len(values)), dtype=values.dtype), part.dtype
        if self._held is None or values is None or part.dtype != self._dtype:
            self._others.append(part.reset_index(drop=True))
            return
        if self._others:
            self._others.append(part.reset_index(drop=True))
            return
        end = self._n + len(values)
        if end > len(self._held):
            self._held = np.concatenate([self._held[: self._n], np.empty(end, dtype=self._held.dtype)])
        self._held[self._n : end] = values
        self._n = end

    def whole(self) -> pd.Series:
        """Give the column, its rows numbered from 0."""
        if self._held is None:
            return join_columns(self._others)
        values = self._held[: self._n]
        labels = isinstance(self._dtype, pd.CategoricalDtype)
        first = pd.Series(pd.Categorical.from_codes(values, dtype=self._dtype) if labels else values, copy=False)
        return join_columns([first, *self._others]) if self._others else first

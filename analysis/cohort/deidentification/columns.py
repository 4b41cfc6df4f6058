"""Decide for each column of a source what de-identification does with it, and under which paragraph."""

from __future__ import annotations

import re
from collections.abc import Collection
from dataclasses import dataclass
from typing import Literal

import pandas as pd

from analysis.cohort.columns import read_numbers
from analysis.cohort.recognition.find_identifiers import (
    are_dates,
    are_unique_codes,
    is_free_text,
    name_rule,
    plain,
    what_cells_hold,
    what_whole_numbers_are,
)
from analysis.cohort.recognition.identifier_rules import GIVEN_NAMES
from analysis.cohort.tables import TABLES, Privacy

Action = Literal["drop", "weeks", "start", "birth", "place", "age", "cells", "site", "kept"]

_BIRTH = r"(?:^|_)(?:birth|born|dob|yob|birthdate|birthday|geburtsdatum|nascita|naissance)(?:_|$)|birth"
_AGE = r"(?:^|_)age(?:_|$)"
#: A site whose label says no place: a code, or a word for a site with a code.
_OPAQUE_SITE = r"(?i)(?:site|clinic|center|centre|unit|s|c)?[ _-]?(?:[A-Z]|\d{1,4}|[A-Z]\d{1,3})"
#: From these shares of the different texts on, a column holds identifiers as a whole (design choices).
_MOST, _NAMES = 0.5, 0.3


@dataclass(frozen=True)
class Decision:
    """What is done with one column.

    Parameters
    ----------
    column : str
        Name of the column.
    action : str
        drop; weeks (dates become weeks since the start); start (the date of the start itself); birth (a date of birth
        becomes an age); place (three digits of a ZIP code); age (over 89 becomes 90); cells (single cells are emptied);
        site (labels become numbers); kept (would be removed, and was asked to be kept).
    paragraph : str
        The class of 45 CFR 164.514(b)(2)(i), for example ``(C) dates``; empty for free text.
    found : str
        What was found and how: by the name of the column, or by its cells.
    """

    column: str
    action: Action
    paragraph: str
    found: str


def decide(
    values: pd.Series,
    name: str,
    *,
    table: str = "",
    start: str | None = None,
    n_patients: int | None = None,
    keep: Collection[str] = (),
    level: Privacy = "safe-harbor",
) -> Decision | None:
    """Decide what is done with a column.

    Parameters
    ----------
    values : pandas.Series
        Its cells, of any type; texts that are numbers are taken as numbers.
    name : str
        Its name.
    table : str
        The table of a cohort that it belongs to; empty for other files.
    start : str, optional
        Name of the column with the date of surgery or start.
    n_patients : int, optional
        Number of patients, to tell codes that every patient has; by default one a cell.
    keep : collection of str
        Columns that are kept: free text, site labels, columns in which single cells were found, and at the limited
        level what 164.514(e) lets a limited data set hold.
    level : {"safe-harbor", "limited"}
        The level aimed at.

    Returns
    -------
    Decision or None
        None where nothing is found.

    Examples
    --------
    >>> decide(pd.Series(["a@b.example"]), "contact").paragraph
    '(F) e-mail addresses'
    >>> decide(pd.Series([1.5, 2.0]), "torque") is None
    True
    """
    spec = TABLES.get(table)  # type: ignore[call-overload]
    known = spec is not None and spec.column(name) is not None
    if name == start:
        return Decision(name, "start", "(C) dates", "the date of surgery or start")
    if known and name == "quarter":
        return Decision(name, "drop", "(C) dates", "quarters") if level == "safe-harbor" else None
    rule = None if known else name_rule(name)
    if rule is not None:
        if level == "limited" and rule.allowed_in_limited and name in keep:
            return Decision(name, "kept", rule.paragraph, f"{rule.what}, by the name of the column")
        action: Action = "drop" if rule.action == "drop" else "place" if rule.action == "place" else "weeks"
        if action == "weeks":
            action = "birth" if re.search(_BIRTH, plain(name)) else "weeks"
        return Decision(name, action, rule.paragraph, f"{rule.what}, by the name of the column")
    numbers = as_numbers(values)
    if numbers is not None:
        return _numbers(numbers, name, known=known)
    if pd.api.types.is_datetime64_any_dtype(values.dtype):
        return Decision(name, "weeks", "(C) dates", "dates, by the type of the column")
    if pd.api.types.is_bool_dtype(values.dtype):
        return None
    return _texts(values, name, known=known, n_patients=n_patients, keep=keep, level=level)


def as_numbers(values: pd.Series) -> pd.Series | None:
    """Give a column as numbers, texts of numbers included; None where it holds anything else."""
    present = values.dropna()
    if pd.api.types.is_bool_dtype(values.dtype) or pd.api.types.is_datetime64_any_dtype(values.dtype) or present.empty:
        return None
    if pd.api.types.is_numeric_dtype(values.dtype):
        return present.astype("float64")
    numbers, bad = read_numbers(present)
    return None if len(bad) else numbers


def _numbers(numbers: pd.Series, name: str, *, known: bool) -> Decision | None:
    whole = bool((numbers == numbers.round()).all())
    if whole and not known:
        problem = what_whole_numbers_are(numbers.drop_duplicates(), limited=False)
        if "dates" in problem:
            return Decision(name, "weeks", "(C) dates", "dates written as numbers")
        if problem and numbers.nunique() >= 0.3 * len(numbers):
            return Decision(
                name, "drop", "(R) any other unique identifying number or code", "a long number of nearly every patient"
            )
    words = plain(name)
    if re.search(_AGE, words) and "month" not in words and bool((numbers >= 90).any()):
        return Decision(name, "age", "(C) dates", "ages over 89")
    return None


def _texts(
    values: pd.Series, name: str, *, known: bool, n_patients: int | None, keep: Collection[str], level: Privacy
) -> Decision | None:
    distinct = pd.Series(values.dropna().unique()).astype("str")
    if distinct.empty:
        return None
    if is_free_text(distinct):
        return Decision(name, "kept" if name in keep else "drop", "", "free text, in which no program can see names")
    if are_dates(distinct).mean() > _MOST:
        return Decision(name, "weeks", "(C) dates", "dates, by the cells")
    found = what_cells_hold(distinct, limited=False)
    hits = found[found != ""]
    if len(hits):
        what, _, paragraph = hits.mode().iloc[0].partition(", (")
        share = len(hits) / len(distinct)
        action: Action = "drop" if share > _MOST and not known else "cells"
        return Decision(name, action, f"({paragraph}", f"{what}, in {len(hits):,} of {len(distinct):,} different texts")
    if not known and name not in keep:
        names = (
            distinct.str.lower().str.split(r"[\W\d_]+", regex=True).map(lambda words: bool(set(words) & GIVEN_NAMES))
        )
        if names.sum() >= min(2, len(distinct)) and names.mean() > _NAMES:
            return Decision(name, "drop", "(A) names", "given names of people, by the cells")
        if are_unique_codes(values, n_patients):
            found_codes = "a code that nearly every patient has, by the cells"
            return Decision(name, "drop", "(R) any other unique identifying number or code", found_codes)
    if name == "site" and known and level == "safe-harbor" and not distinct.str.fullmatch(_OPAQUE_SITE).all():
        action = "kept" if name in keep else "site"
        return Decision(name, action, "(B) geographic subdivisions", "names of sites, which may tell a place")
    return None

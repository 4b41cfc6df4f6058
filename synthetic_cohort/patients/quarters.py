"""Quarters of the start, for reports by quarter: drawn only where they are asked for."""

from __future__ import annotations

import math

import pandas as pd

from synthetic_cohort.streams import stream

#: Invented patients start from the first quarter of this year on.
FIRST_YEAR = 2022
#: Weeks after the start, for each week of a visit, until its late window has ended.
_LATE = 1.1


def draw_quarters(n_patients: int, n_quarters: int, seed: int) -> pd.Series:
    """Draw the quarter in which each patient started; all equally likely, and unrelated to anything else.

    Categories in order, such as ``2022-Q1``, from the first quarter of 2022 on.

    Examples
    --------
    >>> draw_quarters(3, 1, 1).tolist()
    ['2022-Q1', '2022-Q1', '2022-Q1']
    """
    names = [f"{FIRST_YEAR + i // 4}-Q{i % 4 + 1}" for i in range(n_quarters)]
    codes = stream(seed, "patients", "quarter").integers(n_quarters, size=n_patients)
    return pd.Series(pd.Categorical.from_codes(codes, categories=pd.Index(names, dtype="str")), name="quarter")


def collected_until(n_quarters: int, last_week: float) -> str:
    """Give the as-of date of the cohort: the last visit of the last quarter's last patient was due by then.

    Examples
    --------
    >>> collected_until(2, 52)
    '2023-08-06'
    """
    end = pd.Timestamp(FIRST_YEAR, 1, 1) + pd.DateOffset(months=3 * n_quarters)
    return str((end + pd.Timedelta(days=math.ceil(7 * _LATE * last_week))).date())

"""Quarters of the start and the way to the clinic, for reports by quarter: drawn only where they are asked for."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

from synthetic_cohort.streams import stream

#: Invented patients start from the first quarter of this year on.
FIRST_YEAR = 2022
#: Weeks after the start, for each week of a visit, until its late window has ended.
_LATE = 1.1
#: Shares of languages and of distances from home; unrelated to anything else (invented).
_LANGUAGES = {"language of the region": 0.8, "other language": 0.2}
_DISTANCES = {"under 10 km": 0.45, "10 to 49 km": 0.4, "50 km or more": 0.15}
#: Median wait in days and standard deviation of its logarithm (invented).
_WAITS = {"days_to_surgery": (60.0, 0.5), "days_to_first_session": (9.0, 0.4)}


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


def draw_access(n_patients: int, seed: int) -> pd.DataFrame:
    """Draw the way of each patient to the clinic: language, distance_band, days_to_surgery, days_to_first_session.

    Unrelated to anything else, so that nobody is left behind in an invented cohort.

    Examples
    --------
    >>> draw_access(2, 1).columns.tolist()
    ['language', 'distance_band', 'days_to_surgery', 'days_to_first_session']
    """
    found: dict[str, object] = {}
    for name, shares in (("language", _LANGUAGES), ("distance_band", _DISTANCES)):
        codes = stream(seed, "patients", name).choice(len(shares), size=n_patients, p=list(shares.values()))
        found[name] = pd.Categorical.from_codes(codes, categories=pd.Index(list(shares), dtype="str"))
    for name, (median, spread) in _WAITS.items():
        found[name] = np.round(median * np.exp(spread * stream(seed, "patients", name).standard_normal(n_patients)))
    return pd.DataFrame(found)

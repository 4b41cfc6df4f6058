"""Digit preference: whether recorded values end in some digits more often than in others."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import stats

from analysis.progress import steps

if TYPE_CHECKING:
    from analysis.cohort.tables import Cohort

#: With fewer values the expected count of a digit is below 5, and the chi-square distribution does not hold (Cochran
#: 1954, Biometrics 10:417, from memory).
FEWEST_VALUES = 50
#: A measure whose values spread over fewer last places than this cannot have even last digits (design choice).
_LEAST_SPREAD = 20


@steps("last digits")
def digit_preference(cohort: Cohort, *, by: str | None = None) -> pd.DataFrame:
    """Count the last digits of the values of every measure, and test whether all ten are equally frequent.

    The last digit is that of the place to which nearly all values of the measure are recorded. Expected is a tenth for
    each digit, as for blood pressure in de Lusignan et al. 2004 (J Hum Hypertens 18:261), where 64 % of systolic values
    ended in 0. Scores that can only take some values, and measures whose values span fewer than twenty last places,
    are left out.

    Parameters
    ----------
    cohort : Cohort
        The cohort.
    by : str, optional
        A column of patients, such as site, whose groups are tested apart.

    Returns
    -------
    pandas.DataFrame
        One row a measure (and group): measure, group (empty without ``by``), n (values), place (unit of the last digit),
        digit_0 to digit_9 (counts), share_0_or_5 (of n), chi_square, df, p_value (Pearson's chi-square test, 9 degrees
        of freedom; not adjusted for the number of tests; missing with fewer than 50 values).

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> table = digit_preference(generate_cohort(patients=60, seed=1).observed)
    >>> bool((table[[f"digit_{i}" for i in range(10)]].sum(axis=1) == table["n"]).all())
    True
    """
    visits = cohort.visits[np.isfinite(cohort.visits["value"])]
    group = pd.Series("", index=visits.index, dtype="str")
    if by is not None and by in cohort.patients:
        groups = cohort.patients.drop_duplicates("patient_id").set_index("patient_id")[by].astype("str")
        group = visits["patient_id"].map(groups)
    rows = []
    for name, values in visits.groupby(visits["measure"].astype("str"), sort=False)["value"]:
        place = _last_place(values)
        units = (values.abs() / place).round().astype("int64")
        if units.max() - units.min() < _LEAST_SPREAD or len(units.unique()) < _LEAST_SPREAD / 2:
            continue
        for one, digits in (units % 10).groupby(group.loc[values.index], sort=True):
            rows.append({"measure": name, "group": one, "place": place, **count_digits(digits)})
    columns = ["measure", "group", "n", "place", *(f"digit_{i}" for i in range(10)), "share_0_or_5", "chi_square", "df",
               "p_value"]  # fmt: skip
    return pd.DataFrame(rows, columns=pd.Index(columns))


def count_digits(digits: pd.Series) -> dict[str, float]:
    """Test whether the digits 0 to 9 are equally frequent.

    Examples
    --------
    >>> count_digits(pd.Series([0] * 55 + list(range(1, 10)) * 5))["chi_square"]
    225.0
    """
    counts = np.bincount(digits.to_numpy(dtype="int64"), minlength=10)
    n = int(counts.sum())
    enough = n >= FEWEST_VALUES
    chi_square, p_value = stats.chisquare(counts) if enough else (np.nan, np.nan)
    return {
        "n": n,
        **{f"digit_{i}": int(count) for i, count in enumerate(counts)},
        "share_0_or_5": float((counts[0] + counts[5]) / n) if n else np.nan,
        "chi_square": float(chi_square),
        "df": 9.0 if enough else np.nan,
        "p_value": float(p_value),
    }


def _last_place(values: pd.Series) -> float:
    """Give the unit of the last place to which at least 95 in 100 values are recorded; at most four decimals."""
    for decimals in range(5):
        scaled = values * 10**decimals
        if (np.abs(scaled - scaled.round()) < 1e-6 * np.maximum(1.0, scaled.abs())).mean() >= 0.95:
            return float(10.0**-decimals)
    return 1e-4

"""Digit preference: whether recorded values end in some digits more often than in others."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import stats

from analysis.cohort.tables import Cohort
from analysis.progress import steps
from analysis.quality.completeness import NO_SITE
from analysis.statistics.small_counts import LARGEST_HIDDEN, CellSystem, hide_small_cells

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
        A column of patients, such as site, whose groups are tested apart; patients without it are "not recorded".

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
        group = visits["patient_id"].map(groups).fillna(NO_SITE)
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


def digits_by_site(cohort: Cohort, *, hide_small: bool = True) -> pd.DataFrame:
    """Count the values that end in 0 or 5 at each site, and test the last digits of each site.

    Parameters
    ----------
    cohort : Cohort
        The cohort.
    hide_small : bool
        Whether a site is hidden where from 1 to 10 of its values end in 0 or 5, or in another digit, and with it as many
        others as it takes that the counts cannot be computed from those of all sites together.

    Returns
    -------
    pandas.DataFrame
        One row a measure and site: measure, site, place, n (values), ends_0_or_5 (values), share_0_or_5 (of n),
        chi_square, df, p_value, as in :func:`digit_preference`; hidden (boolean; such a row has no numbers). Empty
        where sites were not recorded or there is one only.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> table = digits_by_site(generate_cohort(patients=60, seed=1).observed)
    >>> table["site"].unique().tolist()
    ['site A', 'site B', 'site C']
    """
    table = digit_preference(cohort, by="site").rename(columns={"group": "site"})
    table["ends_0_or_5"] = table["digit_0"] + table["digit_5"]
    numbers = ["n", "ends_0_or_5", "share_0_or_5", "chi_square", "df", "p_value"]
    if "site" not in cohort.patients or table["site"].nunique() < 2:
        return table.head(0).reindex(columns=["measure", "site", "place", *numbers, "hidden"])
    hidden = pd.Series(False, index=table.index)
    for _, rows in table.groupby("measure", sort=False) if hide_small else ():
        hidden[rows.index] = _sites_to_hide(rows["ends_0_or_5"], rows["n"])
    shown = table[["measure", "site", "place", *numbers]].astype(dict.fromkeys(numbers, "float64"))
    shown.loc[hidden, numbers] = np.nan
    return shown.assign(hidden=hidden)


def _sites_to_hide(ends: pd.Series, n: pd.Series) -> np.ndarray:
    """Choose the sites to hide; their numbers of values and the totals of all sites are known from other tables."""
    sites = len(n)
    parts = [ends.to_numpy(), (n - ends).to_numpy(), n.to_numpy()]
    place = np.arange(3 * sites).reshape(3, sites)
    values = np.concatenate([*parts, [part.sum() for part in parts]])
    sums = [(place[2, i], (place[0, i], place[1, i])) for i in range(sites)]
    sums += [(3 * sites + i, tuple(place[i])) for i in range(3)]
    known = np.arange(len(values)) >= 2 * sites
    hidden = hide_small_cells(CellSystem.of(values, sums, cost=np.where(known, 1e3, 1.0 + 1e-3 * np.log1p(values))))
    if (hidden & known & (values > LARGEST_HIDDEN)).any():
        return np.ones(sites, dtype=bool)
    return np.asarray(hidden[place].any(axis=0))


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

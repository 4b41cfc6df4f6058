"""Groups of patients that should fare alike: by sex, age, language and distance from home, where they are on record."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from analysis.statistics.small_counts import LARGEST_HIDDEN

if TYPE_CHECKING:
    from analysis.cohort.tables import Cohort

#: What patients are grouped by, and how readers say it.
GROUPED_BY = {"sex": "Sex", "age_band": "Age", "language": "Language", "distance_band": "Distance from home"}
#: Ages at which a band begins (design choice: young, of working age, older).
_AGES = (0.0, 25.0, 40.0, 55.0, float("inf"))
_AGE_NAMES = ("under 25", "25 to 39", "40 to 54", "55 and over")
NOT_RECORDED = "not recorded"
#: More groups than this of one kind are not compared: they would all be small.
MOST_GROUPS = 12


def strata(cohort: Cohort) -> pd.DataFrame:
    """Give the groups that each patient belongs to.

    Parameters
    ----------
    cohort : Cohort
        With sex, age_years or age_band, language and distance_band among the patients, or some of them.

    Returns
    -------
    pandas.DataFrame
        One row a patient, in their order: a column of text for each of :data:`GROUPED_BY` that is on record and has two
        groups or more, at most twelve; "not recorded" for patients without it.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> found = strata(generate_cohort(patients=60, seed=1, quarters=4).observed)
    >>> {name: sorted(set(found[name]))[:2] for name in ("sex", "language")}
    {'sex': ['female', 'male'], 'language': ['language of the region', 'other language']}
    """
    people = cohort.patients
    if "age_band" not in people and "age_years" in people:
        bands = pd.cut(people["age_years"].astype(float), list(_AGES), right=False, labels=list(_AGE_NAMES))
        people = people.assign(age_band=bands)
    found = {}
    for name in GROUPED_BY:
        if name in people and people[name].notna().any():
            column = people[name].astype("str").where(people[name].notna(), NOT_RECORDED)
            if 1 < column.nunique() <= MOST_GROUPS:
                found[name] = column
    return pd.DataFrame(found, index=people.index)


def nearly_sites(groups: pd.DataFrame, sites: pd.Series, counted: pd.DataFrame) -> list[str]:
    """Name the kinds of which a group is all patients of some sites, or all but a few, as where one site records no language.

    Parameters
    ----------
    groups : pandas.DataFrame
        The groups of each patient, a column for each kind.
    sites : pandas.Series
        Their sites, by the same index.
    counted : pandas.DataFrame of bool
        What is counted of the patients, a column for each quantity, by the same index.

    Returns
    -------
    list of str
        The kinds. Counts of such a group, beside those of sites, tell a count of 1 to 10 or one that is hidden: the group holds
        some sites whole and 10 others or fewer, or lies within some sites of which it lacks 10 or fewer. The rule is applied to each
        quantity of which the group has more than 10.

    Examples
    --------
    >>> sites = pd.Series(["A", "A", "B", "B"] * 6)
    >>> groups = pd.DataFrame({"sex": ["f", "m", "f", "m"] * 6, "language": ["x", "y", "not recorded", "not recorded"] * 6})
    >>> nearly_sites(groups, sites, pd.DataFrame({"seen": [True] * 24}))
    ['language']
    """
    if sites.nunique() < 2:
        return []
    return [str(kind) for kind in groups if _is_nearly_sites(groups[kind], sites, counted)]


def _is_nearly_sites(groups: pd.Series, sites: pd.Series, counted: pd.DataFrame) -> bool:
    """Say whether one of the groups, in one of the quantities, is told from some whole sites by few patients."""
    there = pd.crosstab(groups, sites)
    whole, touched = there.eq(there.sum()), there.gt(0)
    if whole.where(touched, other=True).all(axis=1).any():
        return True
    for quantity in counted:
        number = counted[quantity].astype(float).groupby([groups, sites]).sum().unstack(fill_value=0)
        of_group = number.sum(axis=1)
        beside_whole = number.where(~whole, 0.0).sum(axis=1)
        lacking = (number.sum() * touched).sum(axis=1) - of_group
        nested = (whole.any(axis=1) & (beside_whole <= LARGEST_HIDDEN)) | (
            ~touched.all(axis=1) & (lacking <= LARGEST_HIDDEN)
        )
        if (nested & (of_group > LARGEST_HIDDEN)).any():
            return True
    return False


def in_order(groups: list[str]) -> list[str]:
    """Put the groups of one kind in order: ages and distances by their first number, "under" before it, not recorded last."""

    def place(name: str) -> tuple[bool, float, bool, str]:
        digits = "".join(one if one.isdigit() else " " for one in name).split()
        first = float(digits[0]) if digits else float("inf")
        return name == NOT_RECORDED, first, not name.lower().startswith("under"), name

    return sorted(groups, key=place)

"""Groups of patients that should fare alike: by sex, age, language and distance from home, where they are on record."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

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


def of_whole_sites(groups: pd.DataFrame, sites: pd.Series) -> list[str]:
    """Name the kinds of which a group holds all patients of some sites and none of others, as where one site records no language.

    Parameters
    ----------
    groups : pandas.DataFrame
        The groups of each patient, a column for each kind.
    sites : pandas.Series
        Their sites, by the same index.

    Returns
    -------
    list of str
        The kinds. Counts of such a group would tell those of the sites, whatever is hidden of them.

    Examples
    --------
    >>> sites = pd.Series(["A", "A", "B", "B"])
    >>> of_whole_sites(pd.DataFrame({"sex": ["f", "m", "f", "m"], "language": ["x", "y", "not recorded", "not recorded"]}), sites)
    ['language']
    """
    if sites.nunique() < 2:
        return []
    inside = {str(kind): (pd.crosstab(groups[kind], sites) > 0).to_numpy() for kind in groups}
    return [kind for kind, there in inside.items() if (there <= (there.sum(axis=0) == 1)).all(axis=1).any()]


def in_order(groups: list[str]) -> list[str]:
    """Put the groups of one kind in order: ages and distances by their first number, "under" before it, not recorded last."""

    def place(name: str) -> tuple[bool, float, bool, str]:
        digits = "".join(one if one.isdigit() else " " for one in name).split()
        first = float(digits[0]) if digits else float("inf")
        return name == NOT_RECORDED, first, not name.lower().startswith("under"), name

    return sorted(groups, key=place)

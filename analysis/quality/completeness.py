"""Completeness: how many of the values that were expected are there, by measure, week, protocol and site."""

from __future__ import annotations

import pandas as pd

from analysis.cohort.follow_up.expected_visits import NOT_YET_DUE, expected_weeks, seen_weeks, visit_grid
from analysis.cohort.tables import Cohort
from analysis.progress import in_portions
from analysis.statistics.proportions import check_level, share_interval

NO_SITE = NO_PROTOCOL = "not recorded"


def expected_values(cohort: Cohort) -> pd.DataFrame:
    """Give every value that was expected and whether it is there.

    Every patient is expected at every scheduled week of every measure; the schedule of a measure is read off its
    visits. Values not yet due by the as-of date of the cohort are left out. Measures whose visits follow no schedule are left out.

    Parameters
    ----------
    cohort : Cohort
        The cohort.

    Returns
    -------
    pandas.DataFrame
        One row a patient, measure and week: patient_id, protocol, site, measure, week, seen (boolean), state ("seen",
        "missed, seen later", "not seen again").

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> table = expected_values(generate_cohort(patients=20, seed=1).observed)
    >>> len(table) % 20
    0
    """
    parts = []
    site = site_of(cohort, cohort.patients["patient_id"], NO_SITE)
    names = [str(one) for one in cohort.visits["measure"].cat.categories if one in cohort.measures]
    for place, _ in in_portions(len(names), 1, "completeness"):
        seen = seen_weeks(cohort, names[place])
        weeks = expected_weeks(seen)
        if weeks:
            by_patient = visit_grid(cohort, seen, weeks)  # patients in the order of the cohort
            table = by_patient.assign(measure=names[place], site=site.repeat(len(weeks)).to_numpy())
            parts.append(table[table["state"] != NOT_YET_DUE])
    columns = ["patient_id", "protocol", "site", "measure", "week", "seen", "state"]
    if not parts:
        return pd.DataFrame(columns=pd.Index(columns))
    table = pd.concat(parts, ignore_index=True)
    return table.assign(protocol=table["protocol"].astype("str").fillna(NO_PROTOCOL))[columns]


def site_of(cohort: Cohort, patients: pd.Series, without: str = "") -> pd.Series:
    """Give the site of each patient; ``without`` where it was not recorded or the patient is not known.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> cohort = generate_cohort(patients=20, seed=1).observed
    >>> site_of(cohort, pd.Series(["nobody"]), "not recorded").tolist()
    ['not recorded']
    """
    if "site" not in cohort.patients:
        return pd.Series(without, index=patients.index, dtype="str")
    known = cohort.patients.dropna(subset=["patient_id", "site"]).drop_duplicates("patient_id")
    sites = known.set_index("patient_id")["site"].astype("str").reindex(patients)
    return sites.fillna(without).set_axis(patients.index)


def completeness(expected: pd.DataFrame, by: list[str], level: float = 0.95) -> pd.DataFrame:
    """Count the values that are there among those expected.

    Parameters
    ----------
    expected : pandas.DataFrame
        As :func:`expected_values` gives it.
    by : list of str
        Any of measure, week, protocol, site.
    level : float
        Confidence level of the shares.

    Returns
    -------
    pandas.DataFrame
        The columns of ``by``, expected, seen, share (of expected), lower, upper, level, method. The interval (Wilson's
        score) takes values as independent, which those of one patient at several weeks or measures are not; it is a
        rough guide where ``by`` leaves out measure or week.

    Examples
    --------
    >>> table = pd.DataFrame({"site": ["A", "A", "B"], "seen": [True, False, True]})
    >>> completeness(table, ["site"])[["site", "expected", "seen", "share"]].values.tolist()
    [['A', 2, 1, 0.5], ['B', 1, 1, 1.0]]
    """
    check_level(level)
    counts = expected.groupby(by, sort=False, observed=True)["seen"].agg(expected="size", seen="sum").reset_index()
    counts["seen"] = counts["seen"].astype("int64")
    return counts.join(share_interval(counts["seen"], counts["expected"], level=level))

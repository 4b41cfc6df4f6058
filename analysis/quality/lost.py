"""Who is lost: patterns of missed visits, and drop-out beside the baseline."""

from __future__ import annotations

import numpy as np
import pandas as pd

from analysis.cohort.derived import measured_values
from analysis.cohort.follow_up.expected_visits import NOT_YET_DUE, expected_weeks, seen_weeks, visit_grid
from analysis.cohort.tables import Cohort
from analysis.progress import steps
from analysis.quality.completeness import NO_PROTOCOL
from analysis.statistics.proportions import share_interval

#: complete: seen at every expected week that was due. monotone: seen at every week up to one, and never after (lost). intermittent:
#: missed a week, and seen at the last one. intermittent, then lost: both. never seen: at no expected week.
PATTERNS = ("complete", "intermittent", "monotone", "intermittent, then lost", "never seen")
_LOST = ("monotone", "intermittent, then lost", "never seen")


@steps("patterns of missed visits")
def visit_patterns(cohort: Cohort) -> pd.DataFrame:
    """Tell for every patient how visits were missed.

    Parameters
    ----------
    cohort : Cohort
        The cohort.

    Returns
    -------
    pandas.DataFrame
        One row a patient: patient_id, protocol, expected, seen (weeks), last_week (last expected week attended; missing
        where none), pattern (one of :data:`PATTERNS`), lost (boolean: not seen at the last expected week, nor after
        some earlier one). Empty without a schedule.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> table = visit_patterns(generate_cohort(patients=40, seed=1).observed)
    >>> set(table["pattern"]) <= set(PATTERNS)
    True
    """
    seen = seen_weeks(cohort)
    weeks = expected_weeks(seen)
    columns = ["patient_id", "protocol", "expected", "seen", "last_week", "pattern", "lost"]
    if not weeks:
        return pd.DataFrame(columns=pd.Index(columns))
    grid = visit_grid(cohort, seen, weeks)
    there = grid["seen"].to_numpy().reshape(-1, len(weeks))
    n_due = (grid["state"] != NOT_YET_DUE).to_numpy().reshape(-1, len(weeks)).sum(axis=1)
    n_seen = there.sum(axis=1)
    last = np.where(n_seen > 0, len(weeks) - 1 - np.argmax(there[:, ::-1], axis=1), -1)
    gap = n_seen < last + 1
    gone = last < n_due - 1
    pattern = np.select(
        [n_due == 0, n_seen == 0, gap & gone, gone, gap],
        ["complete", "never seen", "intermittent, then lost", "monotone", "intermittent"],
        "complete",
    )  # fmt: skip
    first = grid.iloc[:: len(weeks)]
    return pd.DataFrame(
        {
            "patient_id": first["patient_id"].to_numpy(),
            "protocol": first["protocol"].astype("str").fillna(NO_PROTOCOL).to_numpy(),
            "expected": n_due,
            "seen": n_seen,
            "last_week": np.where(n_seen > 0, np.asarray(weeks)[last], np.nan),
            "pattern": pattern,
            "lost": np.isin(pattern, _LOST),
        }
    )


def patterns_by_protocol(patterns: pd.DataFrame, level: float = 0.95) -> pd.DataFrame:
    """Count the patterns of every protocol.

    Parameters
    ----------
    patterns : pandas.DataFrame
        As :func:`visit_patterns` gives it.
    level : float
        Confidence level of the shares.

    Returns
    -------
    pandas.DataFrame
        protocol, pattern, patients (of that pattern), of (patients of the protocol), share, lower, upper, level, method
        (Wilson's score interval).

    Examples
    --------
    >>> table = pd.DataFrame({"protocol": ["a", "a"], "pattern": ["complete", "monotone"]})
    >>> patterns_by_protocol(table)["share"].tolist()
    [0.5, 0.0, 0.5, 0.0, 0.0]
    """
    rows = [
        (protocol, pattern, int((group == pattern).sum()), len(group))
        for protocol, group in patterns.groupby("protocol", sort=False)["pattern"]
        for pattern in PATTERNS
    ]
    table = pd.DataFrame(rows, columns=["protocol", "pattern", "patients", "of"])
    return table.join(share_interval(table["patients"], table["of"], level=level))


@steps("who is lost")
def lost_by_baseline(cohort: Cohort, patterns: pd.DataFrame, level: float = 0.95) -> pd.DataFrame:
    """Count the lost patients in groups of the baseline.

    Numbers (age, baseline values of the measures) are cut into thirds of the patients who have them; labels (sex,
    procedure, site, protocol) are taken as they are.

    Parameters
    ----------
    cohort : Cohort
        The cohort.
    patterns : pandas.DataFrame
        As :func:`visit_patterns` gives it.
    level : float
        Confidence level of the shares.

    Returns
    -------
    pandas.DataFrame
        One row a group: characteristic, group, lost, patients, share, lower, upper, level, method (Wilson's score
        interval). A missing value is a group of its own, "not recorded".

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> cohort = generate_cohort(patients=60, seed=1).observed
    >>> table = lost_by_baseline(cohort, visit_patterns(cohort))
    >>> int(table[table["characteristic"] == "protocol"]["patients"].sum())
    60
    """
    lost = patterns.set_index("patient_id")["lost"]
    rows = []
    for characteristic, groups in _baseline_groups(cohort).items():
        counts = lost.reindex(groups.index).groupby(groups, sort=False, observed=True).agg(["sum", "count"])
        known = counts[counts["count"] > 0]
        rows += [(characteristic, str(group), int(n), int(of)) for group, n, of in known.itertuples()]
    table = pd.DataFrame(rows, columns=["characteristic", "group", "lost", "patients"])
    return table.join(share_interval(table["lost"], table["patients"], level=level))


def _baseline_groups(cohort: Cohort) -> dict[str, pd.Series]:
    """Give the group of every patient, by patient, for each characteristic of the baseline."""
    patients = cohort.patients.drop_duplicates("patient_id").set_index("patient_id")
    answer: dict[str, pd.Series] = {}
    for name in ("protocol", "site", "procedure", "sex"):
        if name in patients and patients[name].notna().any():
            labels = patients[name].astype("str").where(patients[name].notna(), "not recorded")
            answer[name] = labels.sort_values(kind="stable")
    if "age_years" in patients:
        answer["age (years)"] = thirds(patients["age_years"], 0)
    for name in cohort.visits["measure"].cat.categories:
        if name not in cohort.measures:
            continue
        measure = cohort.measures[str(name)]
        values = measured_values(cohort.visits, measure.name, measure.default_limb, cohort.patients).dropna()
        first = (
            values[values["week"] <= 0].sort_values("week", kind="stable").drop_duplicates("patient_id", keep="last")
        )
        if len(first):
            column = first.set_index("patient_id")["value"].reindex(patients.index)
            answer[f"{measure.label} at the start ({measure.unit})"] = thirds(column, measure.decimals)
    return {name: groups for name, groups in answer.items() if len(groups)}


def thirds(values: pd.Series, decimals: int) -> pd.Series:
    """Put numbers into thirds, lowest first; fewer groups where many values are equal.

    Examples
    --------
    >>> thirds(pd.Series([1.0, 2.0, 3.0, None]), 0).tolist()
    ['1', '2', '3', 'not recorded']
    """
    known = values.dropna()
    if known.empty:
        return values.astype("str").where(values.notna(), "not recorded")
    codes = pd.qcut(known, 3, labels=False, duplicates="drop")
    codes = pd.Series(0, index=known.index) if codes.isna().all() else codes
    names = {}
    for code, group in known.groupby(codes):
        low, high = f"{group.min():.{decimals}f}", f"{group.max():.{decimals}f}"
        names[code] = low if low == high else f"{low} to {high}"
    groups = codes.sort_values(kind="stable").map(names).astype("str")
    missing = pd.Series("not recorded", index=values.index[values.isna()], dtype="str")
    return pd.concat([groups, missing])

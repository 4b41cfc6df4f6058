"""Brace limits prescribed by week, and how far the knee moved within them."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from analysis.cohort.follow_up.expected_visits import expected_weeks, seen_weeks
from analysis.cohort.programme import brace_off, worn_until
from analysis.cohort.reference import patients_by_protocol, used_protocols
from analysis.cohort.tables import Cohort
from analysis.cohort.visit_frame import visit_frame
from analysis.result import ResultWithNotes
from analysis.statistics.proportions import check_level, share_interval

_IN_FORCE = (
    "Limits in force at the week: the last setting before it, until the brace came off, or else week 6 and two weeks after the last "
    "setting."
)
_FLEXION, _EXTENSION = "flexion_limit_deg", "extension_limit_deg"


@dataclass(frozen=True, eq=False, repr=False)
class BraceByWeek(ResultWithNotes):
    """Brace limits and motion by protocol and visit week.

    Attributes
    ----------
    recorded : bool
        Whether brace limits were recorded at all.
    table : pandas.DataFrame
        protocol, week, allocated, worn (patients with limits in force), flexion_limit and extension_limit (medians, deg; missing
        without one), n (of these with measured flexion of the involved knee), reached (of these, patients who bent as far as the
        brace allows), share, lower, upper, level, method.
    """

    recorded: bool
    table: pd.DataFrame

    def _headline(self) -> str:
        return "Brace limits by week" if self.recorded else "Brace limits: not recorded"


def brace_by_week(cohort: Cohort, *, level: float = 0.95) -> BraceByWeek:
    """Give the brace limits in force at each visit week, and who bent as far as they allow.

    Limits are in force from the week of their setting until the next one, or until the brace came off
    (:func:`analysis.cohort.programme.worn_until`).

    Parameters
    ----------
    cohort : Cohort
    level : float
        Confidence level of the shares.

    Returns
    -------
    BraceByWeek
        A row a protocol and week at which flexion was measured after the start and anybody wore a brace.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> found = brace_by_week(generate_cohort(patients=60, seed=1).observed)
    >>> found.recorded, bool((found.table["reached"] <= found.table["n"]).all())
    (True, True)
    """
    check_level(level)
    columns = ["protocol", "week", "allocated", "worn", "flexion_limit", "extension_limit", "n", "reached"]
    brace = cohort.brace_limits
    if brace is None or brace.empty or _FLEXION not in brace:
        empty = pd.DataFrame(columns=[*columns, "share", "lower", "upper", "level", "method"])
        said = "Brace limits were not recorded." if brace is None else "No brace limit is on record."
        return BraceByWeek(recorded=False, table=empty, notes=(said,))
    visits = visit_frame(cohort, "knee_flexion", "involved")
    flexion = visits[visits["value"].notna()].set_index(["patient_id", "week"])["value"]
    weeks = [week for week in expected_weeks(seen_weeks(cohort, "knee_flexion", "involved")) if week > 0]
    people = patients_by_protocol(cohort)
    parts = []
    for week in weeks:
        at = people.assign(week=week, **_in_force(brace, people["patient_id"], week))
        at["value"] = pd.MultiIndex.from_frame(at[["patient_id", "week"]]).map(flexion.to_dict()).astype("float64")
        parts.append(at)
    rows = pd.concat(parts) if parts else people.iloc[:0].assign(week=0.0, flexion=0.0, extension=0.0, value=0.0)
    rows["known"] = rows["flexion"].notna() & rows["value"].notna()
    rows["reached"] = rows["known"] & (rows["value"] >= rows["flexion"])
    names = list(used_protocols(cohort.patients["protocol"]).cat.categories)
    counted = (
        rows[rows["protocol"].notna()]
        .assign(protocol=lambda one: pd.Categorical(one["protocol"].astype("str"), [str(name) for name in names]))
        .groupby(["protocol", "week"], observed=True)
        .agg(allocated=("patient_id", "size"), worn=("flexion", "count"), flexion_limit=("flexion", "median"),
             extension_limit=("extension", "median"), n=("known", "sum"), reached=("reached", "sum"))
        .reset_index()
        .astype({"protocol": "str"})
    )  # fmt: skip
    counted = counted[counted.groupby("week")["worn"].transform("sum") > 0].reset_index(drop=True)
    shares = share_interval(counted["reached"], counted["n"], level=level)
    return BraceByWeek(
        recorded=True,
        table=counted.join(shares),
        notes=(
            _IN_FORCE,
            "Reached: measured flexion of the involved knee is at least the limit.",
        ),
    )  # fmt: skip


def _in_force(brace: pd.DataFrame, patients: pd.Series, week: float) -> dict[str, np.ndarray]:
    """Give the limits in force for each patient at a week; missing where none is."""
    until = worn_until(brace)
    before = brace[(brace["week"] <= week) & ~brace_off(brace)].sort_values("week", kind="stable")
    last = before.drop_duplicates("patient_id", keep="last").set_index("patient_id")
    worn = patients.map(until).astype("float64").to_numpy() >= week
    limits = {"flexion": _FLEXION, "extension": _EXTENSION}
    return {
        name: np.where(worn, patients.map(last[column]).astype("float64"), np.nan)
        if column in last
        else np.full(len(patients), np.nan)
        for name, column in limits.items()
    }

"""The rules by which the patients of a comparison become findings: who was seen and stayed, how they began, harms, values."""

from typing import Any

import numpy as np
import pandas as pd

from analysis.cohort import Measure
from analysis.outcomes import Responders
from analysis.outcomes.endpoint import reached
from analysis.outcomes.home_programme.events import OTHER, SERIOUS, is_harm, is_serious
from analysis.report.comparison.findings.finding import AT_THE_END, HARDLY_DONE, Seen, Stayed
from analysis.report.comparison.prepared import Prepared

#: Groups that were not drawn by lot and lie further apart at the start, in standard deviations, get a doubt (a limit in
#: common use for matched groups; common practice, no source).
APART_AT_START = 0.25


def seen_at_the_week(study: Prepared) -> dict[str, Seen]:
    """Give who was seen at the primary week, by protocol; nothing where visits have no schedule."""
    table = study.missing.table
    if table.empty or study.primary_week is None:
        return {}
    rows = table[table["week"] == study.primary_week].to_dict("records")
    return {str(row["protocol"]): Seen(str(row["protocol"]), int(row["seen"]), int(row["expected"])) for row in rows}


def who_stayed(study: Prepared, seen: dict[str, Seen]) -> tuple[Stayed, ...]:
    """Give who stayed of each protocol, and why others were lost."""
    flow, found = study.flow, []
    for row in flow.allocated.to_dict("records"):
        name = str(row["protocol"])
        lost = flow.lost[flow.lost["protocol"] == name].sort_values("patients", ascending=False, kind="stable")
        reasons = tuple((str(one.reason), int(one.patients)) for one in lost.itertuples())  # type: ignore[arg-type]
        found.append(
            Stayed(
                name, int(row["allocated"]), int(row["with_baseline"]), int(row["seen_after_baseline"]),
                seen[name].seen if name in seen else None, int(lost["patients"].sum()) if flow.weeks else None,
                reasons if flow.weeks else (),
            )
        )  # fmt: skip
    return tuple(found)


def imbalance_at_start(study: Prepared) -> list[tuple[str, str, float]]:
    """Give what lies far apart at the start, in pooled standard deviations (Austin, Stat Med 2009;28:3083, from memory)."""
    found: dict[tuple[str, str], float] = {}
    for (_, label, category), rows in study.baseline.table.groupby(
        ["variable", "label", "category"], sort=False, dropna=False
    ):
        one = {str(row["protocol"]): row for row in rows.to_dict("records")}
        for name in study.protocols:
            if study.reference in one and name in one and name != study.reference:
                gap = _standardised(one[name], one[study.reference])
                if abs(gap) > max(APART_AT_START, abs(found.get((name, _with_category(label, category)), 0.0))):
                    found[name, _with_category(label, category)] = gap
    return sorted(((name, label, gap) for (name, label), gap in found.items()), key=lambda one: -abs(one[2]))


def _with_category(label: object, category: object) -> str:
    return str(label) if pd.isna(category) else f"{label}: {category}"  # type: ignore[call-overload]


def _standardised(own: dict[Any, Any], base: dict[Any, Any]) -> float:
    if np.isfinite(own["mean"]) and np.isfinite(base["mean"]):
        gap = own["mean"] - base["mean"]
        variance = (own["standard_deviation"] ** 2 + base["standard_deviation"] ** 2) / 2
    else:
        gap = own["share"] - base["share"]
        variance = (own["share"] * (1 - own["share"]) + base["share"] * (1 - base["share"])) / 2
    return float(gap / variance**0.5) if variance > 0 and np.isfinite(gap) else 0.0


def harms_by_protocol(study: Prepared) -> list[tuple[str, int, int, int]]:
    """Give patients with a serious harm, with another one, and all; nothing where events were not recorded."""
    if not study.events.recorded:
        return []
    table = study.events.table.astype({"protocol": "str"})
    other = table[table["event"] == OTHER].set_index("protocol")["patients"].to_dict()
    return [
        (str(row["protocol"]), int(row["patients"]), int(other[row["protocol"]]), int(row["allocated"]))
        for row in table[table["event"] == SERIOUS].to_dict("records")
    ]


def seriousness_unsaid(study: Prepared) -> tuple[int, ...]:
    """Count the harms of which neither a mark nor the name says whether they were serious, of all; nothing where it is said."""
    events = study.cohort.events
    if events is None or events.empty:
        return ()
    harms = events[is_harm(events["event"])]
    marked = harms["serious"].notna() if "serious" in harms else pd.Series(data=False, index=harms.index)
    unsaid = int((~marked & ~is_serious(harms)).sum())
    return (unsaid, len(harms)) if unsaid else ()


def sessions_hardly_done(study: Prepared) -> list[tuple[str, str, int, int]]:
    """Give the home sessions of which less than half were done, of those patients in whom it is known."""
    if not study.adherence.recorded:
        return []
    rows = study.adherence.overall.to_dict("records")
    return [
        (str(row["protocol"]), str(row["modality"]), int(row["sessions_done"]), int(row["sessions_prescribed"]))
        for row in rows
        if row["sessions_prescribed"] > 0 and row["sessions_done"] < HARDLY_DONE * row["sessions_prescribed"]
    ]


def best_value(measure: Measure) -> float | None:
    """Give the best value that a score has; None for what is not counted in points.

    Examples
    --------
    >>> from analysis.cohort.catalogue import load_catalogue
    >>> [best_value(load_catalogue()[name]) for name in ("pain", "koos_pain", "quadriceps_torque")]
    [0.0, 100.0, None]
    """
    best = measure.highest if measure.sign > 0 else measure.lowest
    return float(best) if measure.unit == "points" and np.isfinite(best) else None


def at_best_value(study: Prepared) -> tuple[int, ...]:
    """Count those with the best value of a score at the primary week; nothing where they are few."""
    best, seen = best_value(study.measure), study.visits[study.visits["value"].notna()]
    at = seen.loc[seen["week"] == study.primary_week, "value"]
    return _many(at == best) if best is not None else ()


def no_room_to_improve(found: Responders) -> tuple[int, ...]:
    """Count those who began too near the best value to improve by the threshold; nothing where they are few."""
    endpoint, measure = found.endpoint, found.endpoint.measure
    best = best_value(measure) if measure.ideal is None else measure.ideal
    judged = found.patients.dropna(subset=["improvement"])
    if best is None or endpoint.criterion != "improvement":
        return ()
    room = endpoint.improvement(judged["baseline"], judged["baseline"] * 0 + best)
    return _many(~reached(room, endpoint.to_reach.value).astype(bool))


def _many(which: pd.Series) -> tuple[int, ...]:
    return (int(which.sum()), len(which)) if len(which) and which.mean() >= AT_THE_END else ()


def unusual_means(study: Prepared) -> list[tuple[str, float, float]]:
    """Give the mean of each protocol that lies furthest outside what means of groups are."""
    measure = study.measure
    seen = study.visits[study.visits["value"].notna() & study.visits["protocol"].notna()]
    means = seen.groupby([seen["protocol"].astype("str"), "week"])["value"].mean()
    outside = pd.concat([measure.lowest_mean - means, means - measure.highest_mean], axis=1).max(axis=1)
    table = pd.DataFrame({"mean": means, "outside": outside}).reset_index().sort_values("outside", ascending=False)
    worst = table[table["outside"] > 0].drop_duplicates("protocol").to_dict("records")
    return [(str(row["protocol"]), float(row["week"]), float(row["mean"])) for row in worst]

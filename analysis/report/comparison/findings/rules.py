"""The rules by which the results of a comparison become findings; nothing is rounded here."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from analysis.cohort import Measure
from analysis.outcomes import MissingDataAnalyses, Responders, TippingPoint
from analysis.outcomes.comparisons.compare_outcomes import OutcomesInOrder
from analysis.outcomes.comparisons.subgroups import SubgroupDifferences
from analysis.report.comparison.findings.finding import (
    Course,
    Difference,
    Findings,
    Mean,
    Seen,
    Shift,
    Verdict,
)
from analysis.report.comparison.findings.outcome_rules import groups_apart, outcomes_in_their_order
from analysis.report.comparison.findings.patient_rules import (
    at_best_value,
    harms_by_protocol,
    imbalance_at_start,
    no_room_to_improve,
    seen_at_the_week,
    seriousness_unsaid,
    sessions_hardly_done,
    unusual_means,
    who_stayed,
)
from analysis.report.comparison.parameters import ADJUSTED_INTERVALS
from analysis.report.comparison.prepared import Prepared
from analysis.report.parts.losses import too_many_lost

#: What the table of analyses calls the model of the curves themselves.
BY_MODEL = "mixed model"


def find(
    study: Prepared,
    *,
    primary: pd.DataFrame,
    means: pd.DataFrame,
    analyses: MissingDataAnalyses | None,
    tipping: TippingPoint | None,
    in_order: OutcomesInOrder | None = None,
    by_group: Sequence[SubgroupDifferences] = (),
) -> Findings:
    """Judge what the results of a comparison say.

    ``primary`` has the differences at the primary week with their adjusted limits, ``means`` the model means by week,
    ``analyses`` and ``tipping`` the comparison under other assumptions about missing visits; None where there are none.
    ``in_order`` has the secondary outcomes, ``by_group`` the differences within groups, where any were named.
    The rules are the kit's own; their limits stand at the top of this module and of
    :mod:`analysis.report.comparison.findings.finding`. A difference favours a protocol only where its interval, adjusted for
    the number of comparisons at the primary week (Bonferroni), leaves out zero and not too many were lost.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> from analysis.cohort import write_cohort
    >>> from analysis.report.comparison import prepare_study
    >>> from synthetic_cohort import generate_cohort
    >>> with TemporaryDirectory() as name:
    ...     study = prepare_study(write_cohort(generate_cohort(patients=48, seed=3).observed, name + "/cohort"), imputations=2)
    >>> [(one.protocol, one.verdict) for one in study.found.differences]
    [('home stimulation', 'undecided'), ('home stimulation and early motion', 'undecided')]
    """
    by_name = seen_at_the_week(study)
    # Protocols of which the model holds nobody come last.
    seen = tuple(by_name[name] for name in dict.fromkeys((*study.protocols, *by_name)) if name in by_name)
    at_week = tuple(_means(means, study))
    by_week = (
        study.curves.differences(level=study.level) if study.curves is not None and len(primary) else pd.DataFrame()
    )
    differences = tuple(
        replace(
            _difference(row, study, by_name, at_week, analyses, among=len(primary)),
            shift=None if tipping is None else _shift(tipping, str(row["protocol"])),
            **_drawn(by_week, str(row["protocol"])),
        )
        for row in primary.to_dict("records")
    )
    responders = study.main_responders
    return Findings(
        seen=seen,
        differences=differences,
        courses=tuple(_courses(study, differences)),
        responders=responders,
        opposite=tuple(_opposite(differences, responders, study.measure.sign)),
        imbalance=tuple(imbalance_at_start(study)) if study.allocation == "observational" else (),
        unusual=tuple(unusual_means(study)),
        at_best=at_best_value(study),
        no_room=no_room_to_improve(responders) if responders is not None else (),
        tips=() if tipping is None else tuple(_tips(study.measure, tipping, differences)),
        harms=tuple(harms_by_protocol(study)),
        harms_unsaid=seriousness_unsaid(study),
        start_known=not study.baseline.table.empty,
        hardly_done=tuple(sessions_hardly_done(study)),
        sessions_known=study.adherence.recorded and bool((study.adherence.overall["sessions_prescribed"] > 0).any()),
        stayed=who_stayed(study, by_name),
        primary_week=study.primary_week,
        last_week=study.flow.weeks[-1] if study.flow.weeks else None,
        means=at_week,
        in_order=() if in_order is None else outcomes_in_their_order(in_order, study.allocated, differences),
        groups=groups_apart(by_group, seen, level=study.level),
    )


def _difference(
    row: dict[Any, Any],
    study: Prepared,
    seen: dict[str, Seen],
    at_week: tuple[Mean, ...],
    analyses: MissingDataAnalyses | None,
    *,
    among: int,
) -> Difference:
    protocol, reference = str(row["protocol"]), str(row["reference"])
    own, other = seen.get(protocol), seen.get(reference)
    by_name = {one.protocol: one.estimate for one in at_week}
    means = by_name.get(protocol, np.nan), by_name.get(reference, np.nan)
    lower, upper = float(row["adjusted_lower"]), float(row["adjusted_upper"])
    turned, others, spread = _turned(analyses, protocol, side(lower, upper))
    far = _far_on_both_sides(study, (protocol, reference), means, found=side(lower, upper) != 0)
    return Difference(
        protocol=protocol,
        reference=reference,
        week=float(study.primary_week or np.nan),
        estimate=float(row["estimate"]),
        lower=lower,
        upper=upper,
        p_value=float(row["adjusted_p_value"]),
        among=among,
        seen=own,
        reference_seen=other,
        verdict=verdict_of(lower, upper, study.measure, (own, other), means, far),
        mean=means[0],
        reference_mean=means[1],
        turned_by=turned,
        analyses=others,
        alone=(float(row["lower"]), float(row["upper"])),
        spread=spread,
        far=far,
    )


def side(lower: float, upper: float) -> int:
    """Say on which side of zero an interval lies: 1, -1, or 0 where it holds zero or is missing.

    Examples
    --------
    >>> side(0.1, 0.2), side(-0.1, 0.2), side(-0.2, -0.1), side(float("nan"), 0.2)
    (1, 0, -1, 0)
    """
    return int(lower > 0) - int(upper < 0)


def _means(means: pd.DataFrame, study: Prepared) -> list[Mean]:
    """Give the model means at the primary week, the reference first."""
    if means.empty:
        return []
    at = means[(means["week"] - (study.primary_week or 0.0)).abs() < 1e-9]
    names = at["protocol"].astype("str") if "protocol" in at else pd.Series(study.protocols[:1] * len(at), at.index)
    rows = {str(row["protocol"]): row for row in at.assign(protocol=names).to_dict("records")}
    return [
        Mean(name, float(rows[name]["estimate"]), float(rows[name]["lower"]), float(rows[name]["upper"]))
        for name in study.protocols
        if name in rows
    ]


def _drawn(by_week: pd.DataFrame, protocol: str) -> dict[str, Any]:
    """Count the weeks with an interval, not adjusted, and those at which it leaves out zero."""
    own = by_week[(by_week["protocol"].astype("str") == protocol) & by_week["lower"].notna()]
    return {"apart": int(((own["lower"] > 0) | (own["upper"] < 0)).sum()), "weeks": len(own)}


def _shift(found: TippingPoint, protocol: str) -> Shift | None:
    rows = found.tipping[found.tipping["protocol"].astype("str") == protocol].to_dict("records")
    shifted = found.table.loc[found.table["protocol"].astype("str") == protocol, "n_missing"].max()
    return next(
        (
            Shift(
                at=float(row["delta"]), smallest=float(row["smallest"]), largest=float(row["largest"]),
                excludes_zero=bool(row["excludes_zero"]), shifted=int(shifted),
            )
            for row in rows
        ),
        None,
    )  # fmt: skip


def verdict_of(
    lower: float,
    upper: float,
    measure: Measure,
    seen: tuple[Seen | None, Seen | None],
    means: tuple[float, float],
    far: tuple[float, float] | None,
) -> Verdict:
    """Judge a difference by its limits, by who was seen, and by where the means lie; those of protocol and reference."""
    if np.isnan(lower) or np.isnan(upper):
        return "not compared"
    own, other = seen
    if own is not None and other is not None and too_many_lost([own.lost, other.lost]):
        return "no conclusion"
    better = side(lower, upper) * measure.sign
    if far is not None or (better and any(map(measure.is_beyond_ideal, means))):
        return "beyond the ideal"
    return "undecided" if better == 0 else "favours protocol" if better > 0 else "favours reference"


def _far_on_both_sides(
    study: Prepared, pair: tuple[str, str], means: tuple[float, float], *, found: bool
) -> tuple[float, float] | None:
    """Give mean distances from the best value of those seen, where their means hide values on both sides of it; else None.

    They do where differences of distances and of means differ by a threshold of change, or point in opposite directions where
    one is found. Of values on one side both are the same.
    """
    measure = study.measure
    if measure.ideal is None or any(map(measure.is_beyond_ideal, means)):
        return None
    at = study.visits[study.visits["week"] == study.primary_week]
    values = pd.DataFrame({"mean": measure.sign * at["value"], "worth": measure.worth(at["value"])})
    by_protocol = values.groupby(at["protocol"].astype("str")).mean().reindex(list(pair))
    rise, nearer = by_protocol.iloc[0] - by_protocol.iloc[1]
    apart = min((one.value for one in measure.thresholds if one.accepted), default=np.inf)
    if not (abs(nearer - rise) >= apart or (found and nearer * rise < 0)):
        return None
    own, other = measure.sign * measure.ideal - by_protocol["worth"]
    return float(own), float(other)


def _turned(analyses: MissingDataAnalyses | None, protocol: str, main: int) -> tuple[int, int, tuple[float, float]]:
    """Count the analyses of missing visits whose interval lies on another side than that of the curves, and all of them.

    Beside them the lowest and the highest difference, that of the curves included.
    """
    if analyses is None:
        return 0, 0, (float("nan"), float("nan"))
    table = analyses.differences
    own = table[
        (table["protocol"].astype("str") == protocol) & table["lower"].notna() & (table["analysis"] != BY_MODEL)
    ]
    sides = [side(lower, upper) for lower, upper in zip(own["lower"], own["upper"], strict=True)]
    every = table.loc[table["protocol"].astype("str") == protocol, "difference"]
    return sum(one != main for one in sides), len(sides), (float(every.min()), float(every.max()))


def _courses(study: Prepared, differences: tuple[Difference, ...]) -> list[Course]:
    """Find weeks that tell another story than the primary one: for each protocol the earlier or later one furthest from 0."""
    curves = study.curves
    if curves is None or not differences or not curves.scheduled:
        return []
    table = curves.differences(level=study.level, adjust=ADJUSTED_INTERVALS)
    found = []
    for one in differences:
        main, told_at = side(one.lower, one.upper), one.verdict not in ("no conclusion", "not compared")
        rows = table[(table["protocol"].astype("str") == one.protocol) & ((table["week"] - one.week).abs() > 1e-9)]
        weeks = [_course(row, one, len(table), study) for row in rows.sort_values("week").to_dict("records")]
        known = [week for week in weeks if np.isfinite(week.lower) and not too_many_lost([at.lost for at in week.seen])]
        told = [week for week in known if side(week.lower, week.upper) not in (0, main if told_at else 0)]
        for kind in ("faded", "not yet"):
            there = [week for week in told if (week.week < one.week) == (kind == "faded")]
            if there:
                furthest = max(there, key=lambda week: abs(week.estimate))
                where = side(furthest.lower, furthest.upper)
                also = tuple(week.week for week in there if week != furthest and side(week.lower, week.upper) == where)
                found.append(replace(furthest, kind="open" if not told_at else "reversed" if main else kind, also=also))
        last = [week for week in known[-1:] if week is weeks[-1] and week.week > one.week]
        found += [week for week in last if main and told_at and side(week.lower, week.upper) == 0]
    return found


def _course(row: dict[Any, Any], at: Difference, among: int, study: Prepared) -> Course:
    """Give a week, as if the difference of the primary one were found no more there."""
    table, week = study.missing.table, float(row["week"])
    rows = table[(table["week"] - week).abs() < 1e-9].astype({"protocol": "str"}).set_index("protocol")
    seen = [
        Seen(name, int(rows.loc[name, "seen"]), int(rows.loc[name, "expected"]))  # type: ignore[arg-type]
        for name in (at.reference, at.protocol)
        if name in rows.index
    ]
    return Course(
        at.protocol, at.reference, week, float(row["estimate"]), float(row["lower"]), float(row["upper"]), among, "gone",
        tuple(seen),
    )  # fmt: skip


def _tips(measure: Measure, found: TippingPoint, differences: tuple[Difference, ...]) -> list[tuple[str, float]]:
    """Give the shifts that take a favour away and are smaller than any threshold of the measure."""
    small = min((one.value for one in measure.thresholds if one.accepted), default=0.0)
    table = found.tipping
    shift = dict(zip(table["protocol"].astype("str"), table["delta"].astype(float), strict=True))
    favoured = [one.protocol for one in differences if one.verdict.startswith("favours")]
    return [(name, shift[name]) for name in favoured if abs(shift.get(name, np.nan)) < small]


def _opposite(differences: tuple[Difference, ...], responders: Responders | None, sign: int) -> list[str]:
    if responders is None:
        return []
    table = responders.differences
    points = dict(zip(table["protocol"].astype("str"), 100 * table["difference"].fillna(0.0), strict=True))
    return [
        one.protocol
        for one in differences
        if round(points.get(one.protocol, 0.0)) * side(one.lower, one.upper) * sign < 0
    ]

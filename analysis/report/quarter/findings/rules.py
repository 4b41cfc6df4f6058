"""The rules by which the released counts of a quarter become findings; nothing is rounded here."""

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pandas as pd

from analysis.quarter import CaseMix, Funnel, Indicator, IndicatorChart, ReleasedCounts
from analysis.quarter.counted import STARTED
from analysis.quarter.indicators import CHANGE, DUE
from analysis.quarter.over_time.control_charts import ControlChart
from analysis.quarter.over_time.quarter_change import QuarterChange
from analysis.quarter.over_time.release_changes import release_changes
from analysis.quarter.over_time.run_chart import RunChart
from analysis.quarter.periods import quarter_of
from analysis.quarter.released_counts import BASELINE, WINDOW, site_slice
from analysis.quarter.sites.funnel import BEYOND_95, BEYOND_998
from analysis.quarter.sites.site_signals import main_site_signals, other_site_signals
from analysis.quarter.value_interval import target_verdict, value_interval
from analysis.report.quarter.findings.finding import LOST, Followed, Patients, QuarterFindings, Site, Sites


def find(
    released: ReleasedCounts,
    charts: dict[str, IndicatorChart],
    *,
    compared: Indicator | None,
    funnel: Funnel | None,
    case_mix: CaseMix | None,
    span: str,
    of_patients: bool,
    level: float,
    others: Mapping[str, Funnel | None] | None = None,
) -> QuarterFindings:
    """Judge what the counts of a quarter say; nothing but what may be shown is looked at.

    Parameters
    ----------
    released : ReleasedCounts
        Counts that may be shown.
    charts : dict of str to IndicatorChart
        By name of the indicator.
    compared : Indicator or None
        The indicator that sites are compared by.
    funnel : Funnel or None
        Sites about the whole.
    case_mix : CaseMix or None
        Sites after adjustment.
    span : str
        The quarters over which sites are compared, in words.
    of_patients : bool
        Whether the counts come from a cohort.
    level : float
        Confidence level.
    others : mapping of str to Funnel or None, optional
        Sites about the whole by every other share and rate, by its name.

    Returns
    -------
    QuarterFindings
        With the verdict on each indicator.

    Examples
    --------
    >>> from analysis.quarter import chart_of, quarter_indicators, release
    >>> from synthetic_cohort import generate_cohort
    >>> counts = quarter_indicators(generate_cohort(patients=400, seed=3, quarters=4).observed).counts
    >>> shown = release(counts, "2022-Q4", baseline=counts.periods, window=counts.periods)
    >>> charts = {one.name: chart_of(shown, one) for one in shown.indicators}
    >>> found = find(shown, charts, compared=None, funnel=None, case_mix=None, span="", of_patients=True, level=0.95)
    >>> sorted({one.change.verdict for one in found.followed})
    ['hidden', 'too early']
    """
    patients = _patients(released) if of_patients else None
    latest = ""
    if patients is not None and patients.not_yet_due:
        latest = max((quarter_of(one) for one in released.periods if one not in released.immature), default="")
    changes = release_changes(released, charts)
    far = other_site_signals(others or {})
    return QuarterFindings(
        quarter=released.quarter,
        level=level,
        of_patients=of_patients,
        patients=patients,
        followed=tuple(
            _followed(released, charts[one.name], _unless_lost(one, changes[one.name], patients), level)
            for one in released.indicators
        ),
        main=compared.name if compared is not None else "",
        sites=(
            _sites(released, compared, funnel, case_mix, span, main_site_signals(funnel, case_mix))
            if compared is not None
            else None
        ),
        latest_due=latest,
        as_of=released.as_of,
        other_sites={
            one.name: _sites(released, one, others[one.name], None, span, far.get(one.name))
            for one in released.indicators
            if others and one.name in others
        },
    )


def _patients(released: ReleasedCounts) -> Patients:
    started, due, judged = (released.value(name, released.quarter) for name in (STARTED, DUE, CHANGE))
    due_before, judged_before = (released.value(name, BASELINE) for name in (DUE, CHANGE))
    words = next(one.denominator_words for one in released.indicators if one.denominator == CHANGE)
    return Patients(
        started=started,
        due=due,
        judged=judged,
        lost_before=1 - judged_before / due_before if due_before > 0 else float("nan"),
        not_yet_due=released.quarter in released.not_yet.get(DUE, ()),
        judged_words=words,
    )


def _unless_lost(one: Indicator, change: QuarterChange, patients: Patients | None) -> QuarterChange:
    """Conclude nothing of an outcome where too many were lost, so that no list has a signal of it."""
    judged = change.verdict in ("signal", "no signal")
    if not judged or one.role != "outcome" or patients is None or not patients.much_lost:
        return change
    return replace(change, verdict=LOST, rules=(), way="", direction="", since="")


def _followed(released: ReleasedCounts, found: IndicatorChart, change: QuarterChange, level: float) -> Followed:
    one, chart = found.indicator, found.chart
    now, before, baseline = released.of(one, [released.quarter, released.before, BASELINE]).to_dict("records")
    numerator, denominator = float(now["numerator"]), float(now["denominator"])
    if now["not_yet"]:
        numerator = denominator = float("nan")
    value = float("nan") if now["not_yet"] else float(now["value"])
    lower, upper = value_interval(one.kind, numerator, denominator, level=level)
    reached = value >= one.floor if np.isfinite([value, one.floor]).all() else released.floors.get(one.name)
    return Followed(
        indicator=one,
        change=change,
        numerator=numerator,
        denominator=denominator,
        value=value,
        lower=lower,
        upper=upper,
        before=float("nan") if before["not_yet"] else float(before["value"]),
        baseline=float(baseline["value"]),
        chart="no chart" if chart is None else "control chart" if isinstance(chart, ControlChart) else "run chart",
        points=len(found.known_values),
        hidden=int(found.points["hidden"].sum()),
        usual=_limits(chart.table, released.quarter) if isinstance(chart, ControlChart) else (np.nan, np.nan),
        in_baseline=chart is not None and any(one in chart.baseline for one in _periods(released)),
        wanders=isinstance(chart, RunChart) and bool(chart.rules),
        floor_reached=None if reached is None else bool(reached),
        target=target_verdict(one.target, one.better, lower, upper),
        as_released=bool(now["as_released"]),
        baseline_revised=_baseline_revised(released, one),
    )


def _baseline_revised(released: ReleasedCounts, one: Indicator) -> bool:
    """Hold the periods of a stored baseline against what the release that stored it showed of them."""
    first = next((entry for entry in released.earlier if entry.baseline == released.baseline), None)
    if first is None:
        return False
    for row in released.of(one, list(released.baseline)).to_dict("records"):
        before = first.shown.get(released.place(str(row["slice"])), {})
        was = tuple(before.get(name, np.nan) for name in (one.numerator, one.denominator))
        if np.isfinite(was).all() and not row["hidden"] and was != (row["numerator"], row["denominator"]):
            return True
    return False


def _periods(released: ReleasedCounts) -> list[str]:
    """Give the periods of the quarter: itself, or its months."""
    return [one for one in released.periods if quarter_of(one) == released.quarter]


def _limits(table: pd.DataFrame, quarter: str) -> tuple[float, float]:
    at = table.loc[table["period"] == quarter, ["lower", "upper"]]
    return (float(at["lower"].iloc[0]), float(at["upper"].iloc[0])) if len(at) else (float("nan"), float("nan"))


def _sites(
    released: ReleasedCounts,
    compared: Indicator,
    funnel: Funnel | None,
    case_mix: CaseMix | None,
    span: str,
    signals: pd.DataFrame | None,
) -> Sites:
    rows = released.by_site(compared)
    beyond: tuple[Site, ...] = ()
    near: tuple[Site, ...] = ()
    if funnel is not None:
        beyond, near = (
            tuple(_site(row.site, row.value, funnel.target) for row in funnel.table[there].itertuples())
            for there in (funnel.table["wide_region"] == region for region in (BEYOND_998, BEYOND_95))
        )
    apart: tuple[Site, ...] = ()
    if case_mix is not None:
        apart = tuple(
            _site(row.site, row.estimate, case_mix.share, row.lower, row.upper) for row in case_mix.apart.itertuples()
        )
    after = case_mix is not None and case_mix.is_adjusted
    whole = funnel.target if funnel is not None else float("nan")
    adjusted_whole = case_mix.share if case_mix is not None else float("nan")
    return Sites(
        recorded=tuple(released.sites),
        judged=len(funnel.table) if funnel is not None else 0,
        hidden=int(rows["hidden"].sum()),
        span=span,
        whole=whole,
        shares=_ends(funnel.table["value"]) if funnel is not None else (),
        beyond=beyond,
        near=near,
        widened=funnel is not None and funnel.over_dispersed,
        adjusted=len(case_mix.table) if case_mix is not None else 0,
        adjusted_whole=adjusted_whole,
        ratios=_ends(case_mix.table["ratio"]) if case_mix is not None else (),
        estimates=_ends(case_mix.table["estimate"]) if case_mix is not None else (),
        apart=apart,
        case_mix_known=case_mix is None or case_mix.is_adjusted,
        limits_notes=funnel.notes if funnel is not None else (),
        case_mix_notes=case_mix.notes if case_mix is not None else (),
        signals=()
        if signals is None
        else tuple(
            _site(row.site, row.estimate, adjusted_whole, row.lower, row.upper)
            if after
            else _site(row.site, row.value, whole)
            for row in signals.itertuples()
        ),
        after_adjustment=after,
        whole_hidden=bool(released.of(compared, [WINDOW])["hidden"].iloc[0]),
        together=_together(released, compared),
    )


def _together(released: ReleasedCounts, compared: Indicator) -> tuple[float, ...]:
    """Give numerator and denominator of the sites hidden, together: the whole without those shown, all of the same data."""
    whole, rows = (released.of(compared, names) for names in ([WINDOW], [site_slice(one) for one in released.sites]))
    mixed = pd.concat([whole, rows[~rows["hidden"]]])["as_released"].any()
    if not rows["hidden"].any() or whole["hidden"].iloc[0] or mixed:
        return ()
    shown = rows[~rows["hidden"]]
    return tuple(float(whole[name].iloc[0] - shown[name].sum()) for name in ("numerator", "denominator"))


def _ends(values: pd.Series) -> tuple[float, float]:
    return float(values.min()), float(values.max())


def _site(name: object, value: object, whole: float, *limits: object) -> Site:
    share, *interval = (float(one) for one in (value, *limits))  # type: ignore[arg-type]
    return Site(str(name), share, "above" if share > whole else "below", *interval)

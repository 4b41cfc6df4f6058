"""Recovery curves by group of quarters in words: how far the means lie apart, and what that does not say."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.counted import form
from analysis.curves.covariates import adjusted_in_words
from analysis.report.parts import numbers
from analysis.report.parts.model_words import method_in_words
from analysis.report.parts.numbers import in_text, shown_decimals

if TYPE_CHECKING:
    from analysis.report.quarter.prepared.curve_study import CurvesByQuarter


def curves_told(found: CurvesByQuarter) -> str:
    """Say of the outcome's week the means of both groups and their difference; that it is hidden where it is."""
    label, week = in_text(found.measure.label), numbers.moment(found.week)
    estimate, lower, upper = found.difference
    if numbers.is_missing(estimate):
        return (
            f"At {week} the mean {label} of a group is hidden because of small counts, so the groups are not compared."
        )
    decimals = shown_decimals(found.measure)
    at = found.means[found.means["week"] == found.week].set_index("protocol")["estimate"]
    before, now = (numbers.number(at[name], decimals) for name in found.groups)
    interval = f"{numbers.level_in_words(found.level)} interval {numbers.interval(lower, upper, decimals)}"
    apart = (
        "no difference can be told" if lower <= 0 <= upper else f"{'higher' if estimate > 0 else 'lower'} than before"
    )
    return (
        f"At {week} the mean {label} is {now} {found.measure.unit} of those who started in {found.groups[1]} and {before} of those "
        f"of the baseline, {found.groups[0]}: a difference of {numbers.number(estimate, decimals)} ({interval}), {apart}."
    )


def curves_title(found: CurvesByQuarter) -> str:
    """Say the same in one line, for the title of a slide."""
    label, week = found.measure.label, numbers.moment(found.week)
    estimate, lower, upper = found.difference
    if numbers.is_missing(estimate):
        return f"{label} at {week}: a mean is hidden because of small counts, so the groups are not compared"
    decimals = shown_decimals(found.measure)
    told = "no difference from the baseline can be told"
    if not lower <= 0 <= upper:
        far = numbers.number(abs(estimate), decimals)
        told = f"{far} {found.measure.unit} {'higher' if estimate > 0 else 'lower'} than in the baseline"
    return f"{label} at {week}, {found.groups[1]}: {told}"


def curves_caption(found: CurvesByQuarter) -> str:
    """Say what is drawn and how it was computed."""
    percent = numbers.level_in_words(found.level)
    marks = "bars" if found.scheduled else "bands"
    start = " Curves start at the mean baseline of all in the model." if not numbers.is_missing(found.start) else ""
    hidden = (
        f" Hidden, as fewer than 11 patients were seen or a small count would show: {found.hidden} "
        f"{form(found.hidden, 'mean')}."
        if found.hidden
        else ""
    )
    stand = (
        f" As released: {found.as_released} {form(found.as_released, 'number')} of patients, since late data changed "
        f"{form(found.as_released, 'it', 'them')} by too few to be told."
        if found.as_released
        else ""
    )
    adjusted = f", adjusted for {adjusted_in_words(found.adjusted_for)}" if found.adjusted_for else ""
    return (
        f"Model means in {found.measure.unit} with {percent} intervals ({marks}) of patients by the quarter of their start; no single "
        f"patient is drawn. Numbers under the axis: patients seen.{start}{hidden}{stand} Mixed model by week{adjusted}; within the "
        f"patient: {found.covariance}. Intervals: {method_in_words(found.means.dropna(subset=['estimate']))}. Patients of the two "
        "groups may differ in more than the quarter; those not yet due are not in the later weeks."
    )

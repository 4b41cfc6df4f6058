"""What a check of the data found: a record, with what was looked at, made once; and the sentences that speak from it."""

from dataclasses import dataclass
from typing import Any

import pandas as pd

from analysis.cohort.follow_up.expected_visits import NO_SCHEDULE
from analysis.counted import form, none_or
from analysis.quality.unlikely_changes import FEWEST_FOR_A_TREND
from analysis.report.parts import numbers
from analysis.report.parts.losses import too_many_lost
from analysis.report.parts.numbers import in_text

#: Below this p the last digits are called uneven (design choice: ten measures at ten sites are a hundred tests).
UNEVEN = 0.001


@dataclass(frozen=True)
class Fewest:
    """The measure and week with the smallest share of the values expected."""

    measure: str
    week: float
    seen: int
    expected: int


@dataclass(frozen=True)
class LastDigits:
    """How many rows of last digits could be tested, and which are uneven, in words."""

    tested: int
    uneven: tuple[str, ...]


@dataclass(frozen=True)
class QualityFindings:
    """What was found, in the order in which a reader must know it.

    Attributes
    ----------
    errors, warnings : int
        Findings of the check.
    seen, expected : int
        Values that are there, of those expected; 0 of 0 where no week is scheduled.
    worst_week : tuple of float
        The week with the smallest share of values of all measures, and that share; empty where no week is scheduled.
    fewest : Fewest or None
        The measure and week with the smallest share.
    measures : int
        Measures with a scheduled week.
    later_visits : bool
        Whether any week after the start is scheduled.
    lost : tuple of (str, int, int)
        Protocol, patients not seen at the last scheduled week, and all.
    back, back_then_lost : int
        Patients who missed a visit and came back and stayed, and those lost later.
    values_judged, impossible : int
        Values that a rule is about, and those that break it.
    changes_judged, unlikely : int
        Changes that a trend and a detectable change are known for, and those against the trend by more.
    off_schedule : int
        Visits off the scheduled weeks.
    digits, digits_by_site : LastDigits or None
        None where nothing was recorded finely enough.
    roundest : tuple of (str, float)
        The measure of which most values end in 0 or 5, and their share; empty where nothing was recorded finely enough.
    """

    errors: int
    warnings: int
    seen: int
    expected: int
    worst_week: tuple[float, float] | tuple[()]
    fewest: Fewest | None
    measures: int
    later_visits: bool
    lost: tuple[tuple[str, int, int], ...]
    back: int
    back_then_lost: int
    values_judged: int
    impossible: int
    changes_judged: int
    unlikely: int
    off_schedule: int
    digits: LastDigits | None
    digits_by_site: LastDigits | None
    roundest: tuple[str, float] | tuple[()]

    @property
    def complete(self) -> bool:
        """Whether every expected value is there."""
        return self.seen == self.expected

    @property
    def too_many_lost(self) -> bool:
        """Whether nothing can be concluded about protocols at the last scheduled week."""
        return bool(self.lost) and too_many_lost([lost / of for _, lost, of in self.lost])


def find(
    *,
    checked: Any,
    labels: dict[str, str],
    expected: pd.DataFrame,
    timing: pd.DataFrame,
    patterns: pd.DataFrame,
    questions: pd.DataFrame,
    values_judged: int,
    changes_judged: int,
    digits: pd.DataFrame,
    digits_by_site: pd.DataFrame,
) -> QualityFindings:
    """Judge what the results of a check say; nothing is rounded here.

    The frames are those of :mod:`analysis.quality`, ``checked`` the report of the check, ``labels`` what readers call the
    measures.
    """
    by_cell = expected.groupby(["measure", "week"], sort=False)["seen"].agg(["sum", "size"]) if len(expected) else None
    by_week = expected.groupby("week")["seen"].mean() if len(expected) else pd.Series(dtype=float)
    lost = patterns.groupby(patterns["protocol"].astype("str"))["lost"].agg(["sum", "size"]) if len(patterns) else None
    impossible = int((questions["severity"] == "impossible").sum())
    return QualityFindings(
        errors=checked.n_errors,
        warnings=checked.n_warnings,
        seen=int(expected["seen"].sum()) if len(expected) else 0,
        expected=len(expected),
        worst_week=(float(by_week.idxmin()), float(by_week.min())) if len(by_week) else (),  # type: ignore[arg-type]
        fewest=None if by_cell is None else _fewest(by_cell, labels),
        measures=expected["measure"].nunique() if len(expected) else 0,
        later_visits=bool((expected["week"] > 0).any()) if len(expected) else False,
        lost=()
        if lost is None
        else tuple((str(name), int(row["sum"]), int(row["size"])) for name, row in lost.iterrows()),
        back=int((patterns["pattern"] == "intermittent").sum()) if len(patterns) else 0,
        back_then_lost=int((patterns["pattern"] == "intermittent, then lost").sum()) if len(patterns) else 0,
        values_judged=values_judged,
        impossible=impossible,
        changes_judged=changes_judged,
        unlikely=len(questions) - impossible,
        off_schedule=int(timing["off_schedule"].sum()) if len(timing) else 0,
        digits=_last_digits(digits, labels),
        digits_by_site=_last_digits(digits_by_site, labels),
        roundest=_roundest(digits, labels),
    )


def _fewest(by_cell: pd.DataFrame, labels: dict[str, str]) -> Fewest:
    """Give the first of the cells with the smallest share."""
    rows = by_cell.reset_index()
    worst = rows.iloc[int((rows["sum"] / rows["size"]).to_numpy().argmin())]
    return Fewest(labels[str(worst["measure"])], float(worst["week"]), int(worst["sum"]), int(worst["size"]))


def _last_digits(rows: pd.DataFrame, labels: dict[str, str]) -> LastDigits | None:
    if rows.empty:
        return None
    uneven = rows[rows["p_value"] < UNEVEN].to_dict("records")
    named = [labels[row["measure"]] + (f" at {row['site']}" if "site" in row else "") for row in uneven]
    return LastDigits(int(rows["p_value"].notna().sum()), tuple(named))


def _roundest(digits: pd.DataFrame, labels: dict[str, str]) -> tuple[str, float] | tuple[()]:
    if digits.empty:
        return ()
    most = digits.iloc[int(digits["share_0_or_5"].to_numpy().argmax())]
    return labels[str(most["measure"])], float(most["share_0_or_5"])


def in_short(found: QualityFindings) -> list[str]:
    """Say what was found, a line each: errors, completeness, who is lost, what is impossible or unlikely."""
    said = [_errors(found), _there(found)]
    if found.lost:
        said.append(_lost(found))
    return [*said, _judged(found)]


def _errors(found: QualityFindings) -> str:
    errors = numbers.plural(found.errors, "error")
    warnings = numbers.plural(found.warnings, "warning") if found.warnings else "no warning"
    if found.errors:
        return f"The check found {errors} and {warnings}: the cohort is refused by the other reports until they are mended."
    if found.too_many_lost:
        counts = [f"{name} {numbers.fraction(lost, of)}" for name, lost, of in found.lost]
        return (
            f"The check found no error and {warnings}. The cohort can be loaded, but too many were lost before the last "
            f"scheduled week to conclude anything about protocols there: {', '.join(counts)}."
        )
    return f"The check found no error and {warnings}: the cohort can be used."


def _there(found: QualityFindings) -> str:
    if not found.worst_week:
        return f"{NO_SCHEDULE}."
    if found.complete:
        return f"{_all_there(found.expected)}."
    week, share = found.worst_week
    return (
        f"Of {numbers.count(found.expected)} expected values {numbers.count(found.seen)} are there "
        f"({numbers.share(found.seen / found.expected)}); fewest at {numbers.moment(week)}, {numbers.share(share)}."
    )


def _all_there(expected: int) -> str:
    return (
        f"All {numbers.count(expected)} expected values are there"
        if expected > 1
        else "The one expected value is there"
    )


def _lost(found: QualityFindings) -> str:
    """Say how many are lost and how many came back, where anybody was to come after the start."""
    if not found.later_visits:
        return "No visit after the start is scheduled, so nobody can be lost."
    lost, patients = sum(lost for _, lost, _ in found.lost), sum(of for _, _, of in found.lost)
    later = f", {found.back_then_lost} of these before being lost" if found.back_then_lost else ""
    return (
        f"Of {numbers.plural(patients, 'patient')} {none_or(lost, 'is')} lost before the last scheduled week; "
        f"{found.back + found.back_then_lost or 'none'} missed a visit and came back{later}."
    )


def _judged(found: QualityFindings) -> str:
    """Say how many values and changes are questions to the sites, of those judged."""
    values, changes = numbers.plural(found.values_judged, "value"), numbers.plural(found.changes_judged, "change")
    questions = ": questions to the sites. An unlikely value may be true" if found.impossible + found.unlikely else ""
    if not found.values_judged:
        none = "No rule for impossible values is about what was measured"
        if not found.changes_judged:
            return f"{none}, and no change could be judged."
        return f"Of {changes} judged {none_or(found.unlikely, 'is')} unlikely{questions}. {none}, so none was judged by one."
    looked_at = f"{values} and {changes} judged" if found.changes_judged else f"{values} judged, and no change,"
    asked = f"{none_or(found.impossible, 'is')} impossible and {found.unlikely or 'none'} unlikely"
    return f"Of {looked_at} {asked}{questions}."


def nothing_asked_words(found: QualityFindings) -> tuple[str, ...]:
    """Say that no value and no change is a question to the sites, with how much was looked at."""
    values, changes = found.values_judged, found.changes_judged
    return (
        f"None of the {numbers.plural(values, 'value')} that a rule is about breaks it."
        if values
        else "No value was recorded that a rule is about.",
        f"None of the {numbers.plural(changes, 'change')} judged goes against the trend by more than is detectable."
        if changes
        else f"No change was judged: at no two visits were {FEWEST_FOR_A_TREND} patients measured one after the other.",
    )


def completeness_title(found: QualityFindings) -> str:
    """Say in one line where fewest values are there, for the title of a slide."""
    one = found.fewest
    if found.complete or one is None:
        return _all_there(found.expected)
    return f"Fewest values are there for {in_text(one.measure)} at {numbers.moment(one.week)}"


def completeness_words(found: QualityFindings) -> str:
    """Say in one sentence what the figure of completeness shows."""
    shown, one = f"Completeness by week for {numbers.plural(found.measures, 'measure')}", found.fewest
    if found.complete or one is None:
        return f"{shown}; every one of {numbers.count(found.expected)} expected values is there."
    return (
        f"{shown}; lowest for {in_text(one.measure)} at {numbers.moment(one.week)}, "
        f"{numbers.fraction(one.seen, one.expected)} values."
    )


def timing_words(found: QualityFindings) -> str:
    """Say how many visits lie off the scheduled weeks."""
    off = found.off_schedule
    if off:
        return f"Off the scheduled weeks {form(off, 'lies')} {numbers.plural(off, 'visit')}."
    return "Every week on record is a scheduled one. That is so too where visits were put into windows before."


def digits_words(found: QualityFindings) -> str:
    """Say in which measures last digits are uneven, of those tested."""
    known = found.digits
    if known is None or not known.uneven:
        return _even(known, "measure")
    named = numbers.listed(known.uneven)
    return (
        f"Last digits are uneven in {named} (p below 0.001): values may have been rounded by those who wrote them down."
    )


def site_digits_words(found: QualityFindings) -> str:
    """Say at which sites last digits are uneven, of those tested."""
    known = found.digits_by_site
    if known is None or not known.uneven:
        return _even(known, "measure of a single site", "measures of single sites")
    return f"By site, last digits are uneven in {numbers.listed(known.uneven)} (p below 0.001)."


def _even(known: LastDigits | None, what: str, several: str | None = None) -> str:
    """Say that no preference is clear, with how many were tested."""
    if known is None or not known.tested:
        return "Too few values were recorded to test their last digits."
    where = numbers.plural(known.tested, what, several)
    return f"No clear preference for some last digits is seen in {where} tested (none has p below 0.001)."


def digit_figure_words(found: QualityFindings, measures: int) -> str:
    """Say in one sentence what the bars of last digits of so many measures show."""
    shown = f"Bars of last digits for {numbers.plural(measures, 'measure')}"
    if not found.roundest:
        return f"{shown}."
    name, share = found.roundest
    return (
        f"{shown}; the largest share of values that end in 0 or 5 is {numbers.share(share)}, of {in_text(name)}; a fifth is "
        "expected."
    )

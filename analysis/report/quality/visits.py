"""Completeness, visit timing and who is lost, as figures and tables."""

import pandas as pd

from analysis import quality
from analysis.cohort.follow_up.expected_visits import NO_SCHEDULE
from analysis.report.parts import numbers
from analysis.report.parts.passages import Item, Passage, Section, absent
from analysis.report.parts.tables import Column, Table
from analysis.report.quality.figures import completeness_figure
from analysis.report.quality.findings import completeness_title, completeness_words, timing_words
from analysis.report.quality.study import QualityStudy


def completeness(study: QualityStudy) -> Section:
    """Show how many of the expected values are there, by measure and week, protocol and site."""
    if study.expected.empty:
        return Section((absent(f"a schedule. {NO_SCHEDULE}."),))
    expected = study.expected.assign(measure=study.expected["measure"].map(study.label))
    by_week = quality.completeness(expected, ["measure", "week"], study.level)
    parts: list[Item] = []
    for by, heading in (("measure", "Measure"), ("protocol", "Protocol"), ("site", "Site")):
        if by == "site" and "site" not in study.cohort.patients:
            parts.append(absent("the site of the patients."))
            continue
        parts.append(
            Table(
                quality.completeness(expected, [by], study.level),
                f"Values that are there among those expected, by {by}.",
                (Column(by, heading), *_counts("seen", "expected", "There")),
                (_interval(study, "Values of one patient hang together, so the true interval is wider."),),
                name=f"completeness-{by}",
            )
        )
    told, message = completeness_words(study.found), completeness_title(study.found)
    return Section((completeness_figure(by_week, study.level, told=told, message=message), *parts))


def timing(study: QualityStudy) -> Section:
    """Show how many patients came at and around each scheduled week."""
    if study.timing.empty:
        return Section((absent(f"a schedule. {NO_SCHEDULE}."),))
    said = Passage((timing_words(study.found),))
    table = Table(
        study.timing,
        "Visits at and around each scheduled week.",
        (
            Column("week", "Week", "week"),
            Column(("at_week", "patients"), "Patients seen at the week", "fraction with share"),
            Column("off_schedule", "Visits off schedule, nearest to it", "count"),
            Column(("earliest", "latest"), "Weeks of these visits", "interval", 1),
            Column("median_off", "Median distance of those off (weeks)", "number", 1),
        ),
        ("A week is scheduled where at least 5 % as many patients were seen as at the best-attended week.",),
        name="timing",
    )
    return Section((said, table))


def lost(study: QualityStudy) -> Section:
    """Show the patterns of missed visits, and who is lost by baseline."""
    if study.patterns.empty:
        return Section((absent(f"a schedule. {NO_SCHEDULE}."),))
    patterns = Table(
        quality.patterns_by_protocol(study.patterns, study.level),
        "Patients by pattern of missed visits.",
        (Column("pattern", "Pattern"), *_counts("patients", "of", "Patients")),
        (
            (
                "Monotone: seen at every scheduled week up to one and not after. Intermittent: missed a week and seen at the "
                "last. A visit counts as attended where any measure has a value."
            ),
            _interval(study),
        ),
        name="patterns",
        rows_grouped_by="protocol",
    )
    by_baseline = Table(
        _named(study.lost),
        "Patients lost before the last scheduled week, by what was known at the start.",
        (Column("group", "Group"), *_counts("lost", "patients", "Lost")),
        (
            (
                "Numbers are cut into three groups of about equal size, into fewer where many are equal. No group is tested "
                "against another: with so many "
                "groups some differ by chance. A difference says that the patients who stay are not like those who left; it "
                "cannot say whether what was not seen would explain it."
            ),
            _interval(study),
        ),
        name="lost",
        rows_grouped_by="characteristic",
    )
    return Section((patterns, by_baseline))


def _named(table: pd.DataFrame) -> pd.DataFrame:
    group = table["group"].str.replace(r"(?:^|(?<=\s))-(?=\d)", numbers.MINUS, regex=True)
    return table.assign(
        group=group, characteristic=table["characteristic"].str[:1].str.upper() + table["characteristic"].str[1:]
    )


def _counts(part: str, whole: str, heading: str) -> tuple[Column, Column]:
    return (
        Column((part, whole), heading, "fraction"),
        Column("share", "Share", "share with interval"),
    )


def _interval(study: QualityStudy, more: str = "") -> str:
    return f"In brackets: {numbers.level_in_words(study.level)} confidence interval, Wilson's score. {more}".strip()

"""Who waits, who is missing, who is left behind: shares by groups of patients over a whole year."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pandas as pd

from analysis.quarter.access.strata import GROUPED_BY
from analysis.report.parts import numbers
from analysis.report.parts.indicator_numbers import HIDDEN, HIDDEN_NOTE
from analysis.report.parts.passages import Passage, Section, absent
from analysis.report.parts.tables import Column, Table
from analysis.report.quarter.findings.equity_words import equity_words

if TYPE_CHECKING:
    from collections.abc import Hashable

    from analysis.report.quarter.study import QuarterStudy

_TESTED = (
    "Comparisons: Pearson's chi-squared test among the groups whose counts may be shown, adjusted by Holm over all that were made; "
    "none where an expected count lies below 5."
)


def equity(study: QuarterStudy) -> Section:
    """Show every share by group, small counts hidden; nothing for counts without patients."""
    found = study.equity
    if found is None:
        return Section((absent(study.no_equity),) if study.no_equity else ())
    rows = []
    for kind in found.counts.kinds:
        for group in found.counts.groups(kind):
            here = found.table[(found.table["kind"] == kind) & (found.table["group"] == group)]
            cells = {str(row["share"]): _cell(row) for row in here.to_dict("records")}
            rows.append({"kind": GROUPED_BY[kind], "group": group, **cells})
    data = pd.DataFrame(rows)
    percent = numbers.level_in_words(study.level)
    table = Table(
        data,
        f"Patients who started in {found.counts.year}, by group.",
        (Column("group", "Group"), *(Column(one.name, one.label, "right") for one in found.shares)),
        (
            f"In brackets: numerator over denominator, {percent} interval (Wilson score).",
            _TESTED,
            "A year is counted when it is first released, and stands as released.",
            *([HIDDEN_NOTE] if (data == HIDDEN).to_numpy().any() else []),
        ),
        name="groups-of-patients",
        rows_grouped_by="kind",
        csv=found.table.to_csv(index=False, lineterminator="\n"),
    )
    return Section((Passage(tuple(equity_words(found)), "items"), table))


def _cell(row: dict[Hashable, Any]) -> str:
    if numbers.is_missing(row["value"]):
        return HIDDEN if numbers.is_missing(row["denominator"]) or row["denominator"] > 0 else numbers.MISSING
    counts = numbers.fraction(row["numerator"], row["denominator"])
    return f"{numbers.share(row['value'])} ({counts}; {numbers.share_interval(row['lower'], row['upper'])})"

"""Who the patients of a comparison were, and who stayed: flow and baseline."""

from collections.abc import Mapping

import pandas as pd

from analysis.cohort import Measure
from analysis.outcomes import BaselineTable
from analysis.report.comparison.findings.flow_words import before_words, flow_boxes, flow_title, flow_words
from analysis.report.comparison.study import Study
from analysis.report.figures.flow_figure import MOST_COLUMNS, before_table, flow_across, flow_figure, lost_table
from analysis.report.parts import numbers
from analysis.report.parts.numbers import in_text, shown_decimals
from analysis.report.parts.passages import Item, Passage, Section, absent
from analysis.report.parts.tables import Column, Table

#: A characteristic with more categories than this is named under the table and not shown (design choice).
MOST_CATEGORIES = 8
_INDENT = "\u2003"
_NOTE = "Numbers: mean (standard deviation, SD). Categories: patients (share)."


def flow(study: Study) -> Section:
    """Show how many patients were allocated, seen and lost."""
    found = study.flow
    items: list[Item] = []
    if len(found.allocated) <= MOST_COLUMNS:
        modelled = None
        if study.curves is not None:
            frame = study.curves.frame
            modelled = frame.groupby(frame["protocol"].astype("str"))["patient_id"].nunique()
        before = before_words(found)
        words = f"in the model of {in_text(study.measure.label)}"
        judged = study.found
        items.append(
            flow_figure(
                found, told=" ".join(filter(None, (before, flow_words(judged, study.measure)))), message=flow_title(judged),
                on_slide=flow_boxes(judged), modelled=modelled, modelled_words=words,
            )
        )  # fmt: skip
    elif found.weeks:
        items.append(flow_across(found))
    given = before_table(found)
    items += [given] if given else []
    if not found.weeks:
        items.append(absent("a schedule of visits, so nobody can be said to be lost."))
    elif len(found.lost):
        items.append(lost_table(found))
    else:
        items.append(Passage((f"Every patient was seen at {numbers.moment(found.weeks[-1])}, the last one.",)))
    return Section(tuple(items))


def baseline(study: Study) -> Section:
    """Describe the patients at the start, by protocol, without tests."""
    if study.baseline.table.empty:
        return Section((absent("characteristics of the patients at the start, and values at or before week 0."),))
    return Section((baseline_of(study.baseline, study.cohort.measures),))


def baseline_of(found: BaselineTable, measures: Mapping[str, Measure]) -> Table | Passage:
    """Turn the long baseline table into one with a column a protocol; of no row that can be shown, a sentence.

    Rows are means (standard deviations) of numbers, and counts (shares) of categories.
    """
    protocols = list(dict.fromkeys(found.table["protocol"]))
    sizes = found.table.drop_duplicates("protocol").set_index("protocol")["allocated"]
    rows: list[dict[str, str]] = []
    left_out = []
    for (variable, label, unit), group in found.table.groupby(["variable", "label", "unit"], sort=False):
        heading = f"{label} ({unit})" if unit else str(label)
        if group["category"].nunique() > MOST_CATEGORIES:
            left_out.append(heading)
        elif group["category"].isna().all():
            rows.append({"what": f"{heading}, mean (SD)", **_means(group, _decimals(str(variable), measures))})
        else:
            rows.append({"what": heading, **dict.fromkeys(protocols, "")})
            rows += [
                {"what": f"{_INDENT}{category}", **_counts(one)}
                for category, one in group.groupby("category", sort=False)
            ]
        missing = group.drop_duplicates("protocol").set_index("protocol")["missing"]
        if missing.any() and heading not in left_out:
            rows.append({"what": f"{_INDENT}missing", **{name: numbers.count(missing[name]) for name in protocols}})
    columns = [Column("what", "Characteristic")]
    columns += [Column(name, f"{name} (n = {numbers.count(sizes[name])})", "right") for name in protocols]
    notes = [_NOTE, *found.notes]
    if left_out:
        notes.append(f"Not shown, with more than {MOST_CATEGORIES} categories: {numbers.listed(left_out)}.")
    if not rows:
        return absent(f"characteristics at the start that a table can hold. {notes[-1]}")
    return Table(
        pd.DataFrame(rows, columns=["what", *protocols]),
        "Patients at the start, by protocol.",
        tuple(columns),
        tuple(notes),
        name="baseline",
    )


def _means(group: pd.DataFrame, decimals: int) -> dict[str, str]:
    return {
        str(row["protocol"]): f"{numbers.number(row['mean'], decimals)} "
        f"({numbers.number(row['standard_deviation'], decimals)})"
        for _, row in group.iterrows()
    }


def _counts(group: pd.DataFrame) -> dict[str, str]:
    return {
        str(row["protocol"]): f"{numbers.count(row['count'])} ({numbers.share(row['share'])})"
        for _, row in group.iterrows()
    }


def _decimals(variable: str, measures: Mapping[str, Measure]) -> int:
    measure = variable.partition(":")[0]
    return shown_decimals(measures[measure]) if measure in measures else 1

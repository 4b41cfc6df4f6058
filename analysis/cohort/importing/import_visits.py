"""Import of the visits: every entry of values in the map becomes rows with patient, week, measure, limb and value."""

from __future__ import annotations

import numpy as np
import pandas as pd

from analysis.cohort.importing.map_file import ImportMap
from analysis.cohort.importing.map_keys import PatientColumn
from analysis.cohort.importing.map_reference import WIDE_VALUES
from analysis.cohort.importing.map_visits import ValueColumns
from analysis.cohort.importing.source_rows import SourceRows
from analysis.cohort.importing.sources import Sources, listed
from analysis.cohort.importing.start_dates import StartDates
from analysis.cohort.importing.visit_weeks import dated_weeks, weeks_of_rows, weeks_of_time
from analysis.cohort.tables import TABLES, conform_table
from analysis.errors import CohortError

_KEY = ["patient_id", "measure", "limb"]


def visits_table(
    mapped: ImportMap, sources: Sources, starts: StartDates, patients: pd.DataFrame
) -> tuple[pd.DataFrame, int]:
    """Give one row a value that is not empty, the index holds the row in the file; and the number of empty cells."""
    place = pd.Series(np.arange(len(patients)), index=patients["patient_id"])
    place = place[~place.index.duplicated()]
    parts, places = [], {}
    for number, entry in enumerate(mapped.value_columns):
        rows, some = _entry(mapped, entry, sources, starts, patients)
        if id(rows) not in places:
            known = place.reindex(rows.ids[rows.first_rows]).fillna(len(place)).to_numpy()
            places[id(rows)] = pd.Series(known[rows.patient_codes], index=rows.frame.index)
        parts += [part.assign(_entry=number, _patient=places[id(rows)].loc[part.index]) for part in some]
    whole = pd.concat(parts) if parts else pd.DataFrame()
    empty = whole["value"].isna()
    kept = whole if empty.all() else whole[~empty]
    kept = kept.sort_values(["_patient", "week", "_entry"], kind="stable")
    columns = [
        column.name for column in TABLES["visits"].columns if column.name != "bound" or kept["bound"].notna().any()
    ]
    visits = conform_table(kept[columns], TABLES["visits"])
    return visits.set_index(kept.index), int(empty.sum())


def _entry(
    mapped: ImportMap, entry: ValueColumns, sources: Sources, starts: StartDates, patients: pd.DataFrame
) -> tuple[SourceRows, list[pd.DataFrame]]:
    """Give the rows of the source, and their values column by column."""
    form = entry.format or mapped.format_of("visits")
    patient = mapped.patient_column
    if mapped.visit_patient is not None and form != mapped.format_of("patients"):
        patient = PatientColumn("patient_id", column=mapped.visit_patient, recode=patient.recode)
    week = mapped.week
    if mapped.layout == "wide":
        names = sources.column_names(form)
        times = entry.times_in(names, week)
        if not times:
            raise CohortError(
                f"No column fits the pattern {entry.pattern!r} of the measure {entry.measure!r}.",
                where=f"{sources.name_of(form)} has the columns: {listed(names)}",
                what_to_do=[f"Correct the pattern in {mapped.name}.", *WIDE_VALUES.lines("pattern")],
            )
        rows = sources.rows(form, patient, [*times, *week.dates.values()])
        parts = []
        for column, time in times.items():
            dated = week.dates.get(time)
            same = pd.Series(time, index=rows.frame.index)
            weeks = weeks_of_time(week, same) if dated is None else dated_weeks(week, rows, starts, dated)
            parts.append(_part(entry, rows, column, weeks, patients))
        return rows, parts
    wanted = [week.column, week.date, entry.column, entry.measure_column, entry.limb_column, entry.baseline]
    rows = sources.rows(form, patient, wanted)
    weeks, taken = weeks_of_rows(week, rows, starts)
    part = _part(entry, rows, entry.column or "", weeks, patients)
    if entry.limb_column is None and any(one.limb_column is not None for one in mapped.value_columns):
        part = _not_repeated(part, rows, entry)
    if entry.baseline is not None:
        first = pd.Series(entry.baseline_week, index=rows.frame.index)
        baseline = _part(entry, rows, entry.baseline, first, patients)
        return rows, [part[taken.loc[part.index]], _once(baseline, part, rows, entry)]
    return rows, [part if taken.all() else part[taken.loc[part.index]]]


def _part(entry: ValueColumns, rows: SourceRows, column: str, weeks: pd.Series, patients: pd.DataFrame) -> pd.DataFrame:
    part = pd.DataFrame({"patient_id": rows.ids, "week": weeks}, index=rows.frame.index)
    part["measure"], part["limb"] = entry.measure, entry.limb
    stays = pd.Series(True, index=rows.frame.index)
    if entry.measure_column is not None:
        labels = rows.labels(entry.measure_column, {})
        part["measure"] = rows.labels(entry.measure_column, entry.measures)
        of_label = labels.map(dict(entry.measure_limbs)).astype("str")
        part["limb"] = of_label.where(of_label.notna(), part["limb"])
        stays = ~labels.isin(list(entry.left_out))
    if entry.limb_column is not None:
        part["limb"] = rows.labels(entry.limb_column, entry.limbs)
    if "involved_side" in patients and part["limb"].isin(["right", "left"]).any():
        part["limb"] = _by_side(part, rows, patients, entry.limb_column or column)
    part["value"] = rows.numbers(column, limits=True) * entry.multiply
    part["bound"] = rows.bounds(column)
    if entry.multiply < 0:
        part["bound"] = part["bound"].map({"below": "above", "above": "below"})
    return part if stays.all() else part[stays]


def _not_repeated(part: pd.DataFrame, rows: SourceRows, entry: ValueColumns) -> pd.DataFrame:
    """Take a value of the patient once where it stands in the rows of both limbs; one that differs there stays, and is found."""
    again = part["value"].notna() & part.duplicated([*_KEY, "week", "value", "bound"])
    n = int(again.sum())
    if n:
        rows.findings.add(
            "warning", rows.name, f"{n:,} value{'' if n == 1 else 's'} repeated in another row of the same visit",
            "One row is a limb, and this measure has none: each value counts once.", column=entry.column or "",
        )  # fmt: skip
    return part[~again]


def _by_side(part: pd.DataFrame, rows: SourceRows, patients: pd.DataFrame, column: str) -> pd.Series:
    """Call right and left limbs involved or uninvolved, by the side of the patient; one without a side is a finding."""
    sides = patients.drop_duplicates("patient_id").set_index("patient_id")["involved_side"].astype("str")
    side = part["patient_id"].map(sides)
    of_body = part["limb"].isin(["right", "left"])
    one = side.isin(["right", "left"])
    unknown = (of_body & ~one & rows.first_rows).to_numpy()
    rows.findings.add(
        "error", rows.name, "the limb is said as right or left, and the operated side of the patient is not one of them",
        "Fill in the side of the patient; where both knees were operated on, give the limbs as involved and uninvolved.",
        column=column, rows=part.index.to_numpy()[unknown], patients=part["patient_id"][unknown],
    )  # fmt: skip
    return (
        part["limb"]
        .mask(of_body & one, (part["limb"] == side).map({True: "involved", False: "uninvolved"}))
        .mask(of_body & ~one, "involved")
    )


def _once(baseline: pd.DataFrame, visits: pd.DataFrame, rows: SourceRows, entry: ValueColumns) -> pd.DataFrame:
    """Take the baseline once for each patient, measure and limb, and not where a visit of that week has it.

    Values that differ within a patient are an error; a visit of that week that says otherwise is one too.
    """
    known = baseline.dropna(subset=["value"])
    first = known.groupby(_KEY, sort=False)["value"].transform("first")
    at_baseline = visits[(visits["week"] == entry.baseline_week) & visits["value"].notna()].drop_duplicates(_KEY)
    there = at_baseline.set_index(_KEY)["value"]
    seen = pd.Series(there.reindex(pd.MultiIndex.from_frame(known[_KEY])).to_numpy(), index=known.index)
    for wrong, problem in (
        (known["value"] != first, "the baseline differs from the first one of the patient"),
        (seen.notna() & (seen != known["value"]), "the baseline is not the value of the visit of that week"),
    ):
        hits = wrong.to_numpy()
        rows.findings.add(
            "error", rows.name, problem, "Correct the cell, or leave the column of the baseline out of the map.",
            column=entry.baseline or "", rows=known.index.to_numpy()[hits], patients=known["patient_id"][hits],
            values=known["value"][hits],
        )  # fmt: skip
    return known[~known.duplicated(_KEY) & seen.isna()]

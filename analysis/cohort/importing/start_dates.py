"""The date of surgery or start of each patient, from which dates become weeks; no date goes into a cohort."""

from __future__ import annotations

import pandas as pd

from analysis.cohort.importing.map_file import ImportMap
from analysis.cohort.importing.map_reference import WEEK
from analysis.cohort.importing.source_rows import SourceRows
from analysis.cohort.importing.sources import Sources
from analysis.errors import CohortError


class StartDates:
    """Dates of surgery or start, as the section [week] of the map says.

    The column is looked for in the file at hand, then in that of the patients.
    """

    def __init__(self, mapped: ImportMap, sources: Sources) -> None:
        self.mapped, self.sources = mapped, sources
        self._by_patient: pd.Series | None = None
        self._days: dict[tuple[int, str], pd.Series] = {}
        self._parsed: dict[tuple[int, str], pd.Series] = {}
        self._began: list[pd.Series] = []

    def dates(self, rows: SourceRows, column: str) -> pd.Series:
        """Give a column of a file as dates, read once."""
        key = (id(rows), column)
        if key not in self._parsed:
            self._parsed[key] = rows.dates(column, self.mapped.week.date_format)
        return self._parsed[key]

    def days(self, rows: SourceRows, column: str) -> pd.Series:
        """Give the days from the start to the dates in a column; times of the day count as parts of a day.

        Raises
        ------
        CohortError
            The map does not name the column with the start.
        """
        key = (id(rows), column)
        if key in self._days:
            return self._days[key]
        start = self.mapped.week.start
        if start is None:
            raise CohortError(
                "The map gives dates, but not the column with the date of surgery or start.",
                where=f"{self.mapped.name}, [week]",
                what_to_do=["Add the column.", *WEEK.lines("start")],
            )
        dates = self.dates(rows, column)
        began = (
            self.dates(rows, start) if start in rows else self._known(start).reindex(rows.ids).set_axis(rows.ids.index)
        )
        days = (dates - began.dt.normalize()).dt.total_seconds() / 86_400.0
        self._began.append(began.dt.normalize().set_axis(rows.ids))
        unknown = (began.isna() & dates.notna()).to_numpy()
        rows.findings.add(
            "error", rows.name, "there is a date, but no date of surgery or start of the patient",
            "Give the start, or remove the row.", column=start, rows=rows.frame.index.to_numpy()[unknown],
            patients=rows.ids[unknown],
        )  # fmt: skip
        self._days[key] = days
        return days

    def by_patient(self, patients: pd.Series) -> pd.Series | None:
        """Give the start of each patient, as far as it was read; None where no date was counted from one."""
        if not self._began:
            return None
        known = pd.concat(self._began).dropna()
        known = known[~known.index.duplicated()]
        return pd.Series(known.reindex(patients).to_numpy(), index=patients.index, dtype="datetime64[ns]")

    def _known(self, start: str) -> pd.Series:
        if self._by_patient is None:
            mapped = self.mapped
            rows = self.sources.rows(mapped.format_of("patients"), mapped.patient_column, [start])
            table = pd.DataFrame({"patient": rows.ids, "start": self.dates(rows, start)}).dropna()
            starts = table.drop_duplicates()
            differ = table["patient"].isin(starts.loc[starts["patient"].duplicated(), "patient"]).to_numpy()
            rows.findings.add(
                "error", rows.name, "the date of surgery or start differs within the patient", "Keep one.",
                column=start, rows=table.index.to_numpy()[differ], patients=table["patient"][differ],
            )  # fmt: skip
            self._by_patient = table.drop_duplicates("patient").set_index("patient")["start"]
        return self._by_patient

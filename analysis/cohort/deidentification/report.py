"""What de-identification found and did: one row a column, without any value of the source."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import pandas as pd

from analysis.cohort.files.paths import refuse_impossible_name
from analysis.cohort.findings import not_run
from analysis.cohort.tables import Privacy
from analysis.foreign_text import visible
from analysis.result import Result

CITATION = "45 CFR 164.514(b)(2)(i)"
WITHHELD = "withheld until a person permits it"
REPORT_COLUMNS = ("table", "column", "paragraph", "found", "done", "n_cells", "act")

CAUTIONS = (
    (
        "A column stays only where its name and every cell are of the trade, or where a person named it. A cell of the trade can "
        "still say something of a person, and whoever permits a column answers for what is in it: read the columns that are left."
    ),
    (
        "Safe Harbor asks besides that nobody here has actual knowledge that what is left could identify a patient, 45 CFR "
        "164.514(b)(2)(ii). A program cannot know that."
    ),
    (
        "A rare combination of what is left (age, sex, site, procedure) can still single out a patient: look at the "
        "disclosure risk."
    ),
    (
        "The rules are those of one country. Whether these data may be used or given away is decided by the local privacy "
        "officer and the ethics board, not by this report."
    ),
)
LIMITED_CAUTION = (
    "The level is limited: the data may hold the quarter of the start and must stay within the organisation, or go out "
    "under a data use agreement only, 45 CFR 164.514(e)."
)


@dataclass(frozen=True, repr=False)
class DeidentificationReport(Result):
    """What was found and done.

    Parameters
    ----------
    actions : pandas.DataFrame
        One row a column that was changed or left out: table and column (as they may be shown: a name that may say too much by
        its place and its shape), paragraph (of 45 CFR 164.514(b)(2)(i); empty where no class was recognised), found, done,
        n_cells (cells left out or changed), act (what was done in one word: withhold, weeks, cap, number, ...).
    level : {"safe-harbor", "limited"}
        Level of what was written.
    folder : Path
        Folder that was written.
    kept : tuple of str
        Columns that are as they were, as table.column.
    identifiers : str
        How the new identifiers were made.
    n_patients : int
        Patients.
    warnings : tuple of str
        What needs a look: tables that do not link for all patients, hidden columns and sheets.
    to_confirm : tuple of str
        Labels that a person permitted, by column: none of them may name a person or a place.
    """

    actions: pd.DataFrame
    level: Privacy
    folder: Path
    kept: tuple[str, ...] = field(default=())
    identifiers: str = ""
    n_patients: int = 0
    warnings: tuple[str, ...] = ()
    to_confirm: tuple[str, ...] = ()

    @property
    def withheld(self) -> pd.DataFrame:
        """Columns that are left out until a person permits them, as rows of ``actions``."""
        return self.actions[self.actions["done"] == WITHHELD]

    @property
    def cautions(self) -> tuple[str, ...]:
        """What cannot be promised, and who decides."""
        return (LIMITED_CAUTION, *CAUTIONS) if self.level == "limited" else CAUTIONS

    @property
    def steps(self) -> tuple[str, ...]:
        """What was done, a sentence each, for the provenance of the cohort."""
        first = f"De-identified to the level {self.level}, {CITATION}. {self.identifiers}"
        return (first, *(f"{_line(row)}." for row in self.actions.to_dict("records")))

    def to_text(self) -> str:
        """Give the report as lines of text."""
        lines = [
            f"Level {self.level}, rules of {CITATION}; {self.n_patients:,} patients.",
            self.identifiers,
            *(f"Warning: {warning}" for warning in self.warnings),
            *(f"Labels kept, to be confirmed: {labels}" for labels in self.to_confirm),
            f"Found and done ({len(self.actions)} column{'' if len(self.actions) == 1 else 's'}):",
            *(f"  {_line(row)}" for row in self.actions.to_dict("records")),
            f"Left as they were: {', '.join(self.kept) or 'none'}",
            *self._how_to_decide(),
            "What this cannot promise:",
            *(f"  - {caution}" for caution in self.cautions),
        ]
        return "\n".join(visible(line) for line in lines)

    def write(self, path: Path) -> Path:
        """Write the table of actions as CSV; a cell that a spreadsheet would run gets an apostrophe in front."""
        refuse_impossible_name(path)
        table = self.actions.copy()
        for name in REPORT_COLUMNS[:-1]:
            table[name] = not_run(table[name].astype("str"))
        table.to_csv(path, index=False, encoding="utf-8", lineterminator="\n")
        return path

    def _headline(self) -> str:
        return f"De-identified to the level {self.level}, {CITATION}: {self.n_patients:,} patients. {self.identifiers}"

    def _shown_notes(self) -> tuple[str, ...]:
        kept = f"Left as they were: {', '.join(self.kept) or 'none'}."
        return (*self.warnings, *self.to_confirm, kept, *self._how_to_decide(), *self.cautions)

    def _how_to_decide(self) -> tuple[str, ...]:
        n = len(self.withheld)
        if not n:
            return ()
        what, them = ("1 column is", "it") if n == 1 else (f"{n:,} columns are", "them")
        review = "kneecurve deidentify SOURCE --review FILE, then --decisions FILE"
        return (f"{what} withheld until a person permits {them}. To look at {them} and decide: {review}.",)


def _line(row: dict[object, object]) -> str:
    paragraph = f" {row['paragraph']}" if row["paragraph"] else ""
    return f"{row['table']}.{row['column']}:{paragraph} {row['found']}; {row['done']}"

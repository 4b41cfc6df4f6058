"""The result of a check: every problem found, in one table, for the screen, a notebook or the site that must answer."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from analysis.cohort.files.paths import refuse_impossible_name
from analysis.cohort.recognition.trade_words import shown_cell, shown_identifier
from analysis.foreign_text import shape, visible
from analysis.result import Result

Severity = Literal["error", "warning"]

FINDING_COLUMNS = ("severity", "table", "row", "patient_id", "column", "value", "problem", "what_to_do")
_TABLE_ORDER = ("", "patients", "visits", "sessions", "brace_limits", "events", "flow")
_SHOWN_OF_A_KIND = 20
_LONGEST_VALUE = 60
#: Columns of labels, in which a number of many digits is none that is known.
_LABELS = (
    "protocol",
    "site",
    "sex",
    "involved_side",
    "procedure",
    "limb",
    "measure",
    "modality",
    "event",
    "quarter",
    "step",
    "reason",
)
#: The row of a file in which the first row of its table stands, as a spreadsheet counts: the header is row 1.
FIRST_ROW = 2
#: Column of parts of a finding list, not of a report.
_IDENTIFIER = "_identifier"


@dataclass(frozen=True, repr=False)
class CheckReport(Result):
    """Every problem of a cohort.

    Parameters
    ----------
    findings : pandas.DataFrame
        One row a problem: severity (error, warning), table, row (as a spreadsheet numbers the rows of the file, the header
        is row 1; missing where the problem is no single row), patient_id, column, value (numbers and words of the trade;
        of other texts the shape: A a letter, 9 a digit), problem, what_to_do. Errors first, then by table and row.
    n_identifiers : int
        How many of the errors are about something that could identify a patient.
    counts : dict
        Number of rows of each table checked.
    """

    findings: pd.DataFrame
    n_identifiers: int = 0
    counts: dict[str, int] = field(default_factory=dict)

    @property
    def n_errors(self) -> int:
        """Number of findings that keep the cohort from being used."""
        return int((self.findings["severity"] == "error").sum())

    @property
    def n_warnings(self) -> int:
        """Number of findings that need a look."""
        return int((self.findings["severity"] == "warning").sum())

    @property
    def passed(self) -> bool:
        """Whether there is no error."""
        return self.n_errors == 0

    @property
    def summary(self) -> str:
        """One line: what was checked and how many problems there are."""
        checked = (
            ", ".join(f"{n:,} row{'' if n == 1 else 's'} of {name}" for name, n in self.counts.items()) or "nothing"
        )
        return (
            f"{self.n_errors:,} error{'' if self.n_errors == 1 else 's'}, {self.n_warnings:,} "
            f"warning{'' if self.n_warnings == 1 else 's'} in {checked}"
        )

    def to_text(self, most_of_a_kind: int | None = _SHOWN_OF_A_KIND) -> str:
        """Give the findings as lines of text, one kind of problem after the other.

        Parameters
        ----------
        most_of_a_kind : int, optional
            Most rows listed of one kind of problem in one column; how many more there are is said. None lists all.

        Returns
        -------
        str
            Summary and findings; control characters are shown, not sent to the screen.
        """
        lines = [self.summary]
        keys = ["severity", "table", "column", "problem"]
        kinds = self.findings.assign(problem=_kind_of_problem(self.findings["problem"]))
        for rows in kinds.groupby(keys, sort=False, dropna=False).groups.values():
            group = self.findings.loc[rows]
            shown = group if most_of_a_kind is None else group.head(most_of_a_kind)
            lines += [_line(finding) for finding in shown.to_dict("records")]
            advice = [str(text) for text in shown["what_to_do"].unique()]
            lines += [f"      what to do: {visible(text)}" for text in advice if text]
            if len(group) > len(shown):
                lines.append(f"      and {len(group) - len(shown):,} more of this kind")
        return "\n".join(lines)

    def write(self, path: Path) -> Path:
        """Write all findings as CSV, for the site that must answer.

        A cell that a spreadsheet would run as a formula gets an apostrophe in front.

        Parameters
        ----------
        path : Path
            File that is written.

        Returns
        -------
        Path
            The same path.
        """
        refuse_impossible_name(path)
        table = self.findings.copy()
        for name in ("table", "patient_id", "column", "value", "problem", "what_to_do"):
            table[name] = not_run(table[name])
        table.to_csv(path, index=False, encoding="utf-8", lineterminator="\n")
        return path

    def _headline(self) -> str:
        return self.summary

    def _shown_notes(self) -> list[str]:
        return (
            ["All findings by kind: print(report.to_text()); as a file: report.write(path)."]
            if len(self.findings)
            else []
        )


class FindingList:
    """Collects findings; each call adds the rows that share one problem."""

    def __init__(self) -> None:
        self._parts: list[pd.DataFrame] = []
        self._identifiers = 0
        self.counts: dict[str, int] = {}

    def add(
        self,
        severity: Severity,
        table: str,
        problem: str | Sequence[str],
        what_to_do: str,
        *,
        column: str = "",
        rows: Any = None,
        patients: Any = None,
        values: Any = None,
        identifier: bool = False,
    ) -> None:
        """Add one finding for each row, or a single one where ``rows`` and ``patients`` are not given.

        ``table`` is empty where it concerns the folder; a problem is one for all rows, or one each; ``rows`` are those
        of the index of the table, from 0.
        ``identifier`` says that it is about something that could identify a patient.
        """
        given = [part for part in (rows, patients, values) if part is not None]
        n = len(given[0]) if given else 1
        if n == 0:
            return
        self._identifiers += n if identifier else 0
        columns = {
            "severity": severity,
            "table": table,
            "row": pd.array([pd.NA] * n if rows is None else np.asarray(rows), dtype="Int64"),
            "patient_id": "" if patients is None else values_as_text(patients),
            "column": column,
            "value": "" if values is None else values_as_text(values),
            "problem": problem if isinstance(problem, str) else list(problem),
            "what_to_do": what_to_do,
            _IDENTIFIER: identifier,
        }
        self._parts.append(pd.DataFrame(columns, index=pd.RangeIndex(n)))

    def add_rows(
        self,
        severity: Severity,
        table: str,
        frame: pd.DataFrame,
        wrong: pd.Series | None,
        column: str,
        problem: str | Sequence[str],
        what_to_do: str,
        values: pd.Series | None = None,
        *,
        identifier: bool = False,
    ) -> None:
        """Add one finding for each row of a table that is wrong in a column (each row, where ``wrong`` is None).

        What is shown are ``values``, or the cells of the column.
        """
        chosen = None if wrong is None else wrong.to_numpy(dtype=bool, na_value=False)
        if frame.empty or (chosen is not None and not chosen.any()):
            return
        rows = frame if chosen is None else frame[chosen]
        self.add(
            severity, table, problem, what_to_do, column=column, rows=rows.index.to_numpy(),
            patients=rows.get("patient_id"), values=rows[column] if values is None else values, identifier=identifier,
        )  # fmt: skip

    def tables_with_errors(self) -> frozenset[str]:
        """Return the tables that an error was added for."""
        return frozenset(part["table"].iloc[0] for part in self._parts if (part["severity"] == "error").any())

    def extend(self, other: FindingList, source_rows: Mapping[str, np.ndarray]) -> None:
        """Take over the findings of another list, whose rows count the rows of a table.

        For each table ``source_rows`` has the row of the source of each of its rows, both from 0.
        """
        for part in other._parts:
            name, rows = part["table"].iloc[0], part["row"]
            if name in source_rows and rows.notna().all():
                taken = source_rows[name][rows.to_numpy(dtype=np.int64)]
                part = part.assign(row=pd.array(taken, dtype="Int64"))
            self._parts.append(part)
        self._identifiers += other._identifiers

    def report(self, masked_patients: frozenset[str] = frozenset()) -> CheckReport:
        """Return what was collected, in order; ``masked_patients`` say too much, and are masked wherever they stand."""
        if self._parts:
            findings = pd.concat(self._parts, ignore_index=True)
        else:
            findings = pd.DataFrame({name: pd.Series(dtype="str") for name in FINDING_COLUMNS})
            findings["row"] = findings["row"].astype("Int64")
            findings[_IDENTIFIER] = False
        findings["row"] += FIRST_ROW
        findings = _with_identifiers_masked(findings)
        labels, identifiers = findings["column"].isin(_LABELS), findings["column"] == "patient_id"
        _show(findings, "value", ~labels & ~identifiers, shown_cell)
        _show(findings, "value", labels, lambda text: shown_cell(text, 3))
        _show(findings, "value", identifiers, shown_identifier)
        _show(findings, "patient_id", findings["patient_id"].notna(), shown_identifier)
        if masked_patients:
            hidden = findings["patient_id"].isin(masked_patients)
            findings.loc[hidden, "patient_id"] = findings.loc[hidden, "patient_id"].map(shape)
            hidden = (findings["column"] == "patient_id") & findings["value"].isin(masked_patients)
            findings.loc[hidden, "value"] = findings.loc[hidden, "value"].map(shape)
        order = pd.DataFrame(
            {
                "severity": (findings["severity"] != "error").astype(int),
                "table": findings["table"]
                .map({name: i for i, name in enumerate(_TABLE_ORDER)})
                .fillna(len(_TABLE_ORDER)),
                "row": findings["row"].fillna(0).astype("int64"),
            }
        ).sort_values(["severity", "table", "row"], kind="stable")
        return CheckReport(findings.loc[order.index].reset_index(drop=True), self._identifiers, dict(self.counts))


def _show(findings: pd.DataFrame, column: str, rows: pd.Series, shown: Callable[[str], str]) -> None:
    texts = findings.loc[rows, column].astype("str")
    findings.loc[rows, column] = texts.map({text: shown(text) for text in texts.unique()})


def _with_identifiers_masked(findings: pd.DataFrame) -> pd.DataFrame:
    """Mask the value of every finding about a cell that holds an identifier, whatever else is wrong with it."""
    identifier = findings.pop(_IDENTIFIER).astype(bool)
    cell = ["table", "column", "row"]
    if identifier.any() and not identifier.all():
        cells = findings.loc[identifier & findings["row"].notna(), cell].drop_duplicates()
        same = findings[cell].merge(cells.assign(same=True), on=cell, how="left")["same"].notna().to_numpy()
        hidden = same & ~identifier.to_numpy()
        findings.loc[hidden, "value"] = findings.loc[hidden, "value"].map(shape)
    return findings


def in_file(row: int) -> str:
    """Name a row of a table, from 0, for a message.

    Examples
    --------
    >>> in_file(0)
    'row 2'
    """
    return f"row {row + FIRST_ROW}"


def values_as_text(values: Any) -> pd.Series:
    """Give values as short text: whole numbers without a decimal point, missing as empty."""
    series = pd.Series(values).reset_index(drop=True)
    if pd.api.types.is_float_dtype(series.dtype):
        text = series.map(lambda value: f"{value:.15g}" if value == value else "")
    else:
        text = series.astype("str").fillna("")
    return text.astype("str").str.slice(0, _LONGEST_VALUE)


def looks_like_formula(text: pd.Series) -> pd.Series:
    """Say which texts a spreadsheet would run: they begin with = + - or @, full-width ones too, and are not numbers."""
    array = pa.array(text.astype("str"), type=pa.large_string(), from_pandas=True)
    found = pc.match_substring_regex(pc.utf8_ltrim_whitespace(array), r"^[=+\-@＝＋－＠]").fill_null(False)
    begins = pd.Series(np.asarray(found), index=text.index, dtype=bool)
    if not begins.any():
        return begins
    number = text.str.fullmatch(r"\s*[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?\s*").fillna(value=False).astype(bool)
    return begins & ~number


def not_run(text: pd.Series) -> pd.Series:
    """Put an apostrophe before each text that a spreadsheet would run.

    Examples
    --------
    >>> not_run(pd.Series(["=1+1", "-2.5", "usual"])).tolist()
    ["'=1+1", '-2.5', 'usual']
    """
    formula = looks_like_formula(text)
    return text.where(~formula, "'" + text) if formula.any() else text


def _kind_of_problem(problems: pd.Series) -> pd.Series:
    return problems.str.replace(r"\d+(?:\.\d+)?", "#", regex=True)


def _line(finding: dict[Any, Any]) -> str:
    place = [finding["table"]] if finding["table"] else []
    if not pd.isna(finding["row"]):
        place.append(f"row {finding['row']}")
    if finding["patient_id"]:
        place.append(f"patient {finding['patient_id']}")
    if finding["column"]:
        place.append(f"{finding['column']}" + (f" = {finding['value']}" if finding["value"] else ""))
    return visible(f"{finding['severity']:8}{', '.join(place)}: {finding['problem']}")

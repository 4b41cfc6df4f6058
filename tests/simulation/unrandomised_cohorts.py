"""Cohorts in which clinicians chose the protocol, compared by ``observational_comparison``: bias, errors, coverage, refusals.

Run from the root of the kit as ``python tests/simulation/unrandomised_cohorts.py [--cohorts 1000] [--wrong 400] [--processes 2]``.
It writes ``unrandomised_cohorts.csv``: a row for each cell and protocol compared, at week 26, with the date, the seeds and a hash of
the code. It goes through the cells in rounds of a quarter of the cohorts, and writes the table after each cell.

Visits at weeks 0 (the baseline, a covariate), 3, 6, 12 and 26; about a quarter of the later ones missed, more after low values.
Age, site and the baseline (its square too) lead to the protocol and to the outcome. Difference at week 26: 0.5 of the second
protocol, 0.8 of the third. Where not both models are right, a bend of age leads to both as well, and a wrong model does not have it;
scores and outcome model are then put together here from the parts of ``observational_comparison``, which gives both the same
covariates.
"""

from __future__ import annotations

import argparse
import hashlib
import inspect
import multiprocessing
import sys
import warnings
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pandas as pd

from analysis.cohort import Cohort
from analysis.errors import KneecurveWarning, ModelError
from analysis.outcomes import observational_comparison
from analysis.outcomes.unrandomised import observational_comparison as parts
from analysis.outcomes.unrandomised.balance_weights import weigh
from analysis.outcomes.unrandomised.estimated import estimated_tables
from analysis.outcomes.unrandomised.filled_visits import mixed_outcome_rows
from analysis.outcomes.unrandomised.known_before import with_known_before
from analysis.outcomes.unrandomised.visits_compared import visits_compared
from analysis.statistics.weighting.tilted_means import TiltedMeans

HERE = Path(__file__).parent
TABLE = HERE / "unrandomised_cohorts.csv"
WEEKS = (0.0, 3.0, 6.0, 12.0, 26.0)
PROTOCOLS = ("first", "second", "third")
EFFECTS = np.array([0.0, 0.5, 0.8])
#: Which of the two models has all that leads to protocol and outcome: a cell for each.
MODELS = ("both right", "scores right", "outcome right", "both wrong")
NUMBERS = ("estimate", "std_error", "sandwich_error", "lower", "upper", "crude", "crude_lower", "crude_upper", "model")
#: Rounds in which the cells are gone through.
ROUNDS = 4
#: What a refusal begins with, by its kind.
REFUSED = {
    "cells": ("No patient of", "Protocol '", "Whether '"),
    "separated": ("The covariates tell",),
    "weights": ("After weighting, protocol", "One patient of", "Few patients could"),
    "balance": ("After weighting the",),
    "hangs_on_one": ("The models hang", "At some week the values"),
}


@dataclass(frozen=True)
class Cell:
    """A kind of cohort: protocols, patients in all, and which models are right."""

    protocols: int
    patients: int
    models: str


def every_cell() -> list[Cell]:
    """Give the cells: both models right in small and larger cohorts of two and three protocols, one or both wrong in larger ones."""
    right = [Cell(k, n, "both right") for k in (2, 3) for n in (120, 400)]
    return [*right, *(Cell(2, 400, models) for models in MODELS[1:])]


def cohort(cell: Cell, seed: int) -> Cohort:
    """Draw a cohort."""
    rng = np.random.default_rng([seed, cell.protocols, cell.patients, MODELS.index(cell.models)])
    n = cell.patients
    baseline, age, site = rng.normal(size=n), rng.normal(size=n), rng.integers(0, 2, n)
    bend = (age > 0.5) - 0.3085  # mean 0; a straight line is far from it
    bent = 0.0 if cell.models == "both right" else bend
    push = 0.6 * baseline + 0.2 * (baseline**2 - 1) + 0.5 * age + 0.4 * (site - 0.5) - 1.5 * bent
    logits = np.column_stack([np.zeros(n), push, 0.6 * push + 0.3 * age][: cell.protocols])
    logits[:, 1:] -= logits[:, 1:].mean(axis=0)
    chances = np.exp(logits) / np.exp(logits).sum(axis=1, keepdims=True)
    protocol = (rng.uniform(size=(n, 1)) > chances.cumsum(axis=1)[:, :-1]).sum(axis=1)
    own = rng.normal(size=n) * 0.6
    values = np.empty((n, len(WEEKS)))
    values[:, 0] = baseline
    noise = rng.normal(size=n)
    for k, week in enumerate(WEEKS[1:], start=1):
        noise = 0.6 * noise + 0.8 * rng.normal(size=n)
        level = 0.7 * baseline + 0.2 * (baseline**2 - 1) + 0.6 * age + 0.3 * site - 1.5 * bent
        values[:, k] = 0.4 * np.log1p(week) + level + EFFECTS[protocol] * np.sqrt(week / 26) + own + 0.7 * noise
    seen = np.ones((n, len(WEEKS)), dtype=bool)
    last = baseline
    for k in range(1, len(WEEKS)):
        seen[:, k] = rng.uniform(size=n) >= 1 / (1 + np.exp(1.0 + 0.5 * (last - 0.4 * np.log1p(WEEKS[max(k - 1, 0)]))))
        last = np.where(seen[:, k], values[:, k], last)
    name = np.array([f"c{i:04d}" for i in range(n)])
    patients = pd.DataFrame(
        {
            "patient_id": name,
            "protocol": pd.Categorical(np.array(PROTOCOLS)[protocol], PROTOCOLS[: cell.protocols]),
            "site": pd.Categorical(np.array(["north", "south"])[site]),
            "age_years": 35 + 8 * age,
            "bend": bend,
        }
    )
    place = np.nonzero(seen)
    visits = pd.DataFrame({"patient_id": name[place[0]], "week": np.array(WEEKS)[place[1]], "value": values[place]})
    return Cohort(patients, visits.assign(measure="pain", limb="none"), reference="first")


def one_cohort(cell: Cell, seed: int) -> tuple[str, np.ndarray]:
    """Give what became of a cohort ("compared" or the kind of refusal), and the numbers of each protocol but the first."""
    nothing = np.full((cell.protocols - 1, len(NUMBERS)), np.nan)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", KneecurveWarning)
        try:
            ours, crude, model = compared(cell, seed)
        except ModelError as error:
            kinds = [kind for kind, begins in REFUSED.items() if error.what.startswith(begins)]
            return (kinds or ["failed"])[0], nothing
    kept = ["estimate", "std_error", "sandwich_error", "lower", "upper"]
    others = crude.set_index("protocol").loc[ours["protocol"], ["estimate", "lower", "upper"]]
    return "compared", np.column_stack([ours[kept], others, model["estimate"]]).astype(float)


def compared(cell: Cell, seed: int) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """Give the differences at week 26: by weights and model, crude, and by the model alone."""
    plain, bent = ["age_years", "site"], ["age_years", "site", "bend"]
    if cell.models == "both right":
        found = observational_comparison(cohort(cell, seed), "pain", plain, weeks=[26])
        return found.differences, found.crude, found.standardised
    known, start, _, _ = with_known_before(cohort(cell, seed), "pain", [])
    visits = visits_compared(known, "pain", reference=None, weeks=[26])
    of_scores, of_outcome = (
        weigh(visits.patients, "protocol", [*start, *(bent if right in cell.models else plain)], target="overlap")
        for right in ("scores right", "outcome right")
    )
    model, _ = parts._adjusted_fit(visits, of_outcome, interactions=False)
    rows = mixed_outcome_rows(model, parts._with_columns(visits.patients, of_outcome), visits.protocols, visits.weeks)
    given = {"base": 0, "errors": "jackknife", "level": 0.95, "spread": np.ones(1), "weeks": visits.weeks}
    names, scores = visits.protocols, of_scores.scores
    ours = estimated_tables(TiltedMeans(scores, rows, "overlap", "aipw"), names, **given)[1]
    alone = estimated_tables(TiltedMeans(scores, rows, "everybody", "model"), names, **given)[1]
    return ours, parts._crude_fit(visits).differences(reference="first", weeks=[26.0]), alone


def _some(task: tuple[Cell, int, int]) -> list[tuple[str, np.ndarray]]:
    cell, first, last = task
    return [one_cohort(cell, seed) for seed in range(first, last)]


def drawn(
    cell: Cell, first: int, cohorts: int, pool: multiprocessing.pool.Pool | None = None
) -> list[tuple[str, np.ndarray]]:
    """Give what :func:`one_cohort` does, for so many seeds."""
    tasks = [(cell, start, min(start + 10, first + cohorts)) for start in range(first, first + cohorts, 10)]
    parts = pool.map(_some, tasks, chunksize=1) if pool else [_some(task) for task in tasks]
    return [one for part in parts for one in part]


def judged(cell: Cell, results: list[tuple[str, np.ndarray]]) -> pd.DataFrame:
    """Give a row for each protocol compared: how many were compared and refused, bias, errors and coverage."""
    from scipy.special import ndtri

    ends, numbers = zip(*results, strict=True)
    cohorts = len(results)
    counts = {kind: ends.count(kind) for kind in (*REFUSED, "failed")}
    rows = []
    for k in range(cell.protocols - 1):
        truth = EFFECTS[k + 1]
        table = pd.DataFrame(np.array(numbers)[:, k], columns=list(NUMBERS)).dropna()
        gap, n = table["estimate"] - truth, len(table)
        half = ndtri(0.975) * table["sandwich_error"]
        rows.append(
            {
                "protocol": PROTOCOLS[k + 1], "truth": truth, "cohorts": cohorts, "compared": n, **counts,
                "crude_bias": table["crude"].mean() - truth, "bias": gap.mean(), "bias_error": gap.std() / np.sqrt(n),
                "model_bias": table["model"].mean() - truth, "spread": gap.std(), "std_error": table["std_error"].mean(),
                "sandwich_error": table["sandwich_error"].mean(),
                "coverage": ((table["lower"] <= truth) & (truth <= table["upper"])).mean(),
                "sandwich_coverage": (gap.abs() <= half).mean(),
                "crude_coverage": ((table["crude_lower"] <= truth) & (truth <= table["crude_upper"])).mean(),
            }
        )  # fmt: skip
    return pd.DataFrame(rows)


def code() -> str:
    """Give a hash of the code that the numbers depend on: weighting, the filling of visits, and what draws a cohort."""
    analysis = HERE.parents[1] / "analysis"
    files = [
        *sorted((analysis / "statistics" / "weighting").glob("*.py")),
        analysis / "outcomes/unrandomised/filled_visits.py",
    ]
    own = [inspect.getsource(one) for one in (cohort, compared, one_cohort, drawn, judged)]
    return hashlib.sha256(b"".join([*(file.read_bytes() for file in files), *map(str.encode, own)])).hexdigest()[:12]


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--cohorts", type=int, default=1000)
    parser.add_argument("--wrong", type=int, default=400)
    parser.add_argument("--processes", type=int, default=2)
    given = parser.parse_args()
    results: dict[Cell, list[tuple[str, np.ndarray]]] = {cell: [] for cell in every_cell()}
    with multiprocessing.Pool(given.processes) as pool:
        for turn in range(1, ROUNDS + 1):
            for cell, known in results.items():
                asked = given.cohorts if cell.models == "both right" else given.wrong
                known += drawn(cell, len(known), asked * turn // ROUNDS - len(known), pool)
                write(results)
                sys.stderr.write(f"{turn} of {ROUNDS}: {cell}\n")


def write(results: dict[Cell, list[tuple[str, np.ndarray]]]) -> None:
    """Write the table of what has been drawn so far."""
    today, now = datetime.now(tz=UTC).date().isoformat(), code()
    tables = [judged(cell, one).assign(**vars(cell)) for cell, one in results.items() if one]
    table, keys = pd.concat(tables).assign(first_seed=0, date=today, code=now), list(Cell.__dataclass_fields__)
    table[[*keys, *(one for one in table if one not in keys)]].to_csv(TABLE, index=False, float_format="%.5g")


if __name__ == "__main__":
    main()

"""Trials without a true difference, fitted by the recovery-curve model of the reports: how often it finds one.

Run from the root of the kit as ``python tests/simulation/report_trials.py [--trials 2000] [--again 10000] [--processes 2]``.
It writes ``report_trials.csv``: a row for each cell and follow-up week, with the date, the seeds and a hash of the code.
Cells that the same code made before are kept, so that it can be stopped and started again.
"""

from __future__ import annotations

import argparse
import hashlib
import inspect
import itertools
import multiprocessing
import sys
import warnings
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pandas as pd

from analysis.curves import recovery
from analysis.errors import KneecurveWarning, ModelError

HERE = Path(__file__).parent
TABLE = HERE / "report_trials.csv"
WEEKS = {3: (6.0, 12.0, 26.0), 6: (2.0, 6.0, 12.0, 26.0, 39.0, 52.0)}
LEVELS = {
    "patients": (12, 20, 60),
    "follow_ups": (3, 6),
    "spread": ("equal", "growing", "shrinking"),
    "correlation": ("independent", "serial", "constant"),
    "missing": ("none", "a fifth"),
}
MEAN = "value ~ protocol * C(week) + baseline * C(week)"
#: First seed of a cell that is run again.
AGAIN = 1_000_000
#: Residual structures that the model may end with.
COVARIANCES = ("unstructured", "ar1-by-week", "by-week", "independent")
#: Type I error at 5 % that is taken for right.
RIGHT = (0.04, 0.06)


@dataclass(frozen=True)
class Cell:
    """A kind of trial: patients of each protocol, follow-up visits, spread over time, correlation, missing visits."""

    patients: int
    follow_ups: int
    spread: str
    correlation: str
    missing: str


def every_cell() -> list[Cell]:
    """Give the 48 cells of the table: all 36 with 12 patients a protocol, and of those with 20 and 60 every sixth.

    The sixth runs through every level of spread, correlation and missing visits, with three and with six follow-ups.
    """
    cells = []
    for levels in itertools.product(*(range(len(values)) for values in LEVELS.values())):
        patients, follow_ups, spread, correlation, missing = levels
        sixth = (spread + correlation) % 3 == patients and (spread + follow_ups) % 2 == missing
        if patients == 0 or sixth:
            cells.append(Cell(*(values[level] for values, level in zip(LEVELS.values(), levels, strict=True))))
    return cells


def covariance(cell: Cell) -> np.ndarray:
    """Give the covariance of the baseline and the follow-ups."""
    weeks = np.array([0.0, *WEEKS[cell.follow_ups]])
    ends = {"equal": (1.0, 1.0), "growing": (1.0, 2.5), "shrinking": (2.5, 1.0)}[cell.spread]
    spread = np.linspace(*ends, len(weeks))
    apart = np.abs(np.subtract.outer(weeks, weeks))
    correlation = {
        "independent": np.eye(len(weeks)),
        "serial": np.exp(-apart / 13.0),
        "constant": 0.6 + 0.4 * np.eye(len(weeks)),
    }[cell.correlation]
    return np.outer(spread, spread) * correlation


def trial(cell: Cell, seed: int) -> pd.DataFrame:
    """Draw one trial: visits after the baseline, with the baseline beside them. The protocols do not differ."""
    rng = np.random.default_rng([seed, *(list(LEVELS[name]).index(getattr(cell, name)) for name in LEVELS)])
    V, weeks, n = covariance(cell), WEEKS[cell.follow_ups], 2 * cell.patients
    values = rng.normal(size=(n, len(V))) @ np.linalg.cholesky(V).T
    seen = np.ones((n, len(weeks)), dtype=bool)
    if cell.missing != "none":  # at random: a visit is missed the rather, the worse the value last seen was
        last = values[:, 0] / np.sqrt(V[0, 0])
        for k in range(len(weeks)):
            seen[:, k] = rng.random(n) >= 1.0 / (1.0 + np.exp(1.75 + 1.2 * last))
            last = np.where(seen[:, k], values[:, k + 1] / np.sqrt(V[k + 1, k + 1]), last)
    protocol = np.where(rng.permutation(n) < cell.patients, "new", "usual")
    frame = pd.DataFrame(
        {
            "patient_id": np.repeat(np.arange(n), len(weeks)),
            "protocol": pd.Categorical(np.repeat(protocol, len(weeks)), ["usual", "new"]),
            "week": np.tile(weeks, n),
            "baseline": np.repeat(values[:, 0], len(weeks)),
            "value": (50.0 + 5.0 * np.log1p(weeks) + values[:, 1:]).ravel(),
        }
    )
    return frame[seen.ravel()].reset_index(drop=True)


def one_trial(cell: Cell, seed: int) -> list[float]:
    """Give p of the difference at each follow-up week by the model of the reports, and which covariance was taken.

    NaN where none could be fitted.
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", KneecurveWarning)
        try:
            model = recovery._fit(trial(cell, seed), MEAN, scheduled=True)[0]
        except ModelError:
            return [np.nan] * (cell.follow_ups + 1)
        table = model.differences(of="protocol", reference="usual", weeks=list(WEEKS[cell.follow_ups]))
    return [*(float(p) for p in table["p_value"]), float(COVARIANCES.index(model.residual))]


def _some(task: tuple[Cell, int, int]) -> np.ndarray:
    cell, first, last = task
    return np.array([one_trial(cell, seed) for seed in range(first, last)])


def rejections(cell: Cell, first: int, trials: int, pool: multiprocessing.pool.Pool | None = None) -> pd.DataFrame:
    """Give, for each follow-up week, the trials fitted, the share with p below 5 %, and the shares of the covariances."""
    size = 50
    tasks = [(cell, start, min(start + size, first + trials)) for start in range(first, first + trials, size)]
    found = np.concatenate(pool.map(_some, tasks, chunksize=1) if pool else [_some(task) for task in tasks])
    p, taken = found[:, :-1], found[:, -1]
    fitted = np.isfinite(p).sum(axis=0)
    table = pd.DataFrame({"week": WEEKS[cell.follow_ups], "trials": trials, "fitted": fitted})
    table["type_1_error"] = (p < 0.05).sum(axis=0) / fitted
    return table.assign(**{name: float((taken == k).mean()) for k, name in enumerate(COVARIANCES)})


def judged(table: pd.DataFrame) -> list[float]:
    """Give what has to lie between 4 and 6 %: the error at each follow-up week, and their mean."""
    return [*(float(error) for error in table["type_1_error"]), float(table["type_1_error"].mean())]


def right(table: pd.DataFrame) -> bool:
    """Whether a cell lies inside."""
    return all(RIGHT[0] <= error <= RIGHT[1] for error in judged(table))


def code() -> str:
    """Give a hash of the code that the numbers depend on: the package of the curves, and what draws and fits a trial."""
    files = sorted((HERE.parents[1] / "analysis" / "curves").rglob("*.py"))
    own = [inspect.getsource(one) for one in (covariance, trial, one_trial, rejections)]
    return hashlib.sha256(b"".join([*(file.read_bytes() for file in files), *map(str.encode, own)])).hexdigest()[:12]


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--trials", type=int, default=2000)
    parser.add_argument("--again", type=int, default=10_000)
    parser.add_argument("--processes", type=int, default=2)
    given = parser.parse_args()
    made = pd.read_csv(TABLE, dtype={"code": "str"}) if TABLE.exists() else pd.DataFrame(columns=[*LEVELS, "code"])
    tables = {Cell(*key): rows for key, rows in made[made["code"] == code()].groupby(list(LEVELS), sort=False)}
    columns = [*LEVELS, "week", "trials", "fitted", "type_1_error", *COVARIANCES, "first_seed", "date", "code"]
    with multiprocessing.Pool(given.processes) as pool:
        for number, cell in enumerate(every_cell(), start=1):
            for first, trials in ((0, given.trials), (AGAIN, given.again)):
                if cell in tables and (right(tables[cell]) or (tables[cell]["trials"] >= trials).all()):
                    continue
                today = datetime.now(tz=UTC).date().isoformat()
                table = rejections(cell, first, trials, pool)
                tables[cell] = table.assign(**vars(cell), first_seed=first, date=today, code=code())
                lowest, highest = min(judged(table)), max(judged(table))
                sys.stderr.write(
                    f"{number} of {len(every_cell())}: {cell}, {trials} trials: {lowest:.4f} to {highest:.4f}\n"
                )
                known = [tables[one] for one in every_cell() if one in tables]
                pd.concat(known)[columns].to_csv(TABLE, index=False, float_format="%.5g")


if __name__ == "__main__":
    main()

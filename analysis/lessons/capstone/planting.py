"""What goes wrong with the data of the capstone: six problems, each planted into a cohort whose truth is known."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import expit

from analysis.cohort import Cohort
from analysis.lessons.capstone.mending import change_values, patients_at
from analysis.lessons.capstone.study import MEASURE, STRAIGHT, Kind

#: Where each problem is: a site, or nowhere in particular.
Planted = Mapping[Kind, str | None]
#: Problems that nobody can undo: what is known of a cohort is known with these in it.
LASTING: tuple[Kind, ...] = ("drop-out with pain", "rounded", "no baseline")
MENDABLE: tuple[Kind, ...] = ("other scale", "limbs swapped", "entered twice")
#: Chance at each visit from week 4 on that a patient of mean pain stays away for good, and the odds ratio for one
#: standard deviation more of pain at the visit before (design choices: strong enough to be seen in 240 patients).
STAYS_AWAY, ODDS_OF_PAIN = 0.06, 3.5
TWICE = 10
_WHOLE_TENS = 10


def plant(cohort: Cohort, kind: Kind, site: str | None, random: np.random.Generator) -> Cohort:
    """Plant one problem.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> cohort = generate_cohort("knee replacement", patients=60, seed=1).observed
    >>> rounded = plant(cohort, "rounded", "site A", np.random.default_rng(1))
    >>> bool((rounded.visits["value"] != cohort.visits["value"]).any())
    True
    """
    if kind == "drop-out with pain":
        return _lost_with_pain(cohort, random)
    where = str(site)
    if kind == "other scale":
        return change_values(cohort, MEASURE, times=-1, plus=STRAIGHT, site=where)
    if kind == "rounded":
        return _rounded(cohort, where)
    if kind == "no baseline":
        return _without_baseline(cohort, where)
    if kind == "limbs swapped":
        return _swapped(cohort, where)
    return _entered_twice(cohort, where, random)


def _rounded(cohort: Cohort, site: str) -> Cohort:
    visits = cohort.visits.copy()
    rows = visits["measure"].eq(MEASURE) & visits["patient_id"].isin(patients_at(cohort, site))
    visits.loc[rows, "value"] = (visits.loc[rows, "value"] / _WHOLE_TENS).round() * _WHOLE_TENS
    return replace(cohort, visits=visits)


def _without_baseline(cohort: Cohort, site: str) -> Cohort:
    visits = cohort.visits
    gone = visits["measure"].eq(MEASURE) & visits["week"].le(0) & visits["patient_id"].isin(patients_at(cohort, site))
    return replace(cohort, visits=visits[~gone].reset_index(drop=True))


def _swapped(cohort: Cohort, site: str) -> Cohort:
    visits = cohort.visits.copy()
    rows = visits["measure"].eq("quadriceps_torque") & visits["patient_id"].isin(patients_at(cohort, site))
    limb = visits["limb"].astype(str)
    visits["limb"] = limb.mask(rows, limb.map({"involved": "uninvolved", "uninvolved": "involved", "none": "none"}))
    return replace(cohort, visits=visits)


def _entered_twice(cohort: Cohort, site: str, random: np.random.Generator) -> Cohort:
    chosen = pd.Index(random.choice(patients_at(cohort, site).to_numpy(), TWICE, replace=False))
    tables = {}
    for name, frame in cohort.tables():
        second = frame[frame["patient_id"].isin(chosen)]
        tables[str(name)] = pd.concat(
            [frame, second.assign(patient_id=second["patient_id"] + "b")], ignore_index=True
        )  # fmt: skip
    return replace(cohort, **tables)  # type: ignore[arg-type]


def _lost_with_pain(cohort: Cohort, random: np.random.Generator) -> Cohort:
    """Lose patients by the pain of the visit before: missing at random, given pain that was seen."""
    pain = cohort.visits[cohort.visits["measure"].eq("pain")]
    table = pain.pivot_table(index="patient_id", columns="week", values="value").reindex(cohort.patients["patient_id"])
    weeks = [float(week) for week in table.columns]
    last = table.ffill(axis=1).to_numpy()
    lost_from = np.full(len(table), np.inf)
    for place in range(2, len(weeks)):
        before = last[:, place - 1]
        worse = (before - np.nanmean(before)) / np.nanstd(before)
        chance = expit(np.log(STAYS_AWAY / (1 - STAYS_AWAY)) + np.log(ODDS_OF_PAIN) * np.nan_to_num(worse))
        leaves = (random.random(len(table)) < chance) & np.isinf(lost_from)
        lost_from[leaves] = weeks[place]
    return _until(cohort, pd.Series(lost_from, index=table.index))


def _until(cohort: Cohort, lost_from: pd.Series) -> Cohort:
    """Drop what a patient would have shown from a week on, in every table with weeks."""
    kept = {}
    for name, frame in cohort.tables():
        if "week" in frame:
            until: NDArray[np.float64] = lost_from.reindex(frame["patient_id"]).to_numpy(dtype=float)
            kept[str(name)] = frame[frame["week"].to_numpy(dtype=float) < until].reset_index(drop=True)
    return replace(cohort, **kept)  # type: ignore[arg-type]

"""The unseen cohort: made from a seed alone, so that nothing of its truth stands in the folder of the resident."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property, lru_cache

import numpy as np
import pandas as pd
from scipy.special import expit

from analysis.cohort import Cohort, Provenance, visit_frame
from analysis.errors import ReportError
from analysis.lessons.capstone.knowable import Knowable, what_can_be_known
from analysis.lessons.capstone.mending import leave_out
from analysis.lessons.capstone.planting import LASTING, MENDABLE, Planted, plant
from analysis.lessons.capstone.study import (
    GAIN,
    KINDS,
    LIMB,
    MATTERS,
    MEASURE,
    NEW,
    PATIENTS,
    REFERENCE,
    SITES,
    WEEK,
    Allocation,
    Kind,
)
from synthetic_cohort import Effect, Scenario, generate_cohort, load_scenario
from synthetic_cohort.streams import stream

#: Shares of the patients at the sites; planned loss by chance alone, by week (design choices).
_SITE_SHARES = (0.3, 0.26, 0.23, 0.21)
_LOST_WEEKS, _LOST_SHARES = (12.0, 26.0, 52.0), (0.05, 0.1, 0.15)
#: Patients drawn from where a therapist chose, and how strongly the baseline decided: log-odds of one standard deviation.
_DRAWN_FROM, _CHOSEN_BY = 3 * PATIENTS, 1.0
_MOST_SEED = 2**31 - 1


@dataclass(frozen=True, eq=False)
class UnseenCohort:
    """A cohort with its truth.

    Parameters
    ----------
    observed : Cohort
        What the resident gets.
    mended : Cohort
        The same with everything undone that can be undone; nothing more can be known from these data.
    difference : float
        True mean difference at the week, new protocol minus reference, in degrees.
    planted : dict of str to str or None
        The three problems, and the site of each.
    allocation : {"by lot", "not by lot"}
        How the protocols were given.
    shares : dict of str to float
        By protocol the share of all patients, seen or not, who improved.
    """

    observed: Cohort
    mended: Cohort
    difference: float
    planted: Planted
    allocation: Allocation
    shares: dict[str, float]

    @cached_property
    def known(self) -> Knowable:
        """What the mended data let anybody know."""
        return what_can_be_known(self.mended)


@lru_cache(maxsize=4)
def unseen_cohort(seed: int) -> UnseenCohort:
    """Make the cohort of a seed.

    Parameters
    ----------
    seed : int
        Seed, 0 or more.

    Returns
    -------
    UnseenCohort
        Observed and mended cohort, with the truth.

    Raises
    ------
    ReportError
        The seed is no whole number in range.

    Examples
    --------
    >>> made = unseen_cohort(1)
    >>> len(made.planted), made.observed.protocols
    (3, ['exercise only', 'home stimulation'])
    """
    if isinstance(seed, bool) or not isinstance(seed, int) or not 0 <= seed <= _MOST_SEED:
        raise ReportError(
            f"A seed is a whole number from 0 to {_MOST_SEED:,}, not {seed!r}.",
            where="capstone",
            what_to_do="Give such a number.",
        )
    random = stream(seed, "capstone", "truth")
    effect = _drawn_effect(random)
    allocation: Allocation = "by lot" if random.random() < 0.5 else "not by lot"
    planted = _drawn_problems(random)
    made = generate_cohort(_scenario(effect), patients=_DRAWN_FROM, seed=seed)
    chosen = _chosen(made.complete, allocation, random)
    true = made.truth.protocol_differences.set_index(["measure", "limb", "week"])["difference"]
    everyone, observed = (
        leave_out(one, set(one.patients["patient_id"]) - chosen) for one in (made.complete, made.observed)
    )
    for kind in (*LASTING, *MENDABLE):
        if kind in planted:
            observed = plant(observed, kind, planted[kind], random)
        if kind == LASTING[-1]:
            mended = observed
    names = dict(
        zip(random.permutation(observed.patients["patient_id"]), _identifiers(len(observed.patients)), strict=True)
    )
    difference = float(true.loc[(MEASURE, LIMB, WEEK)]) if effect else 0.0
    observed, mended = (_as_told(one, names, seed) for one in (observed, mended))
    return UnseenCohort(observed, mended, difference, planted, allocation, _shares(everyone))


def _drawn_effect(random: np.random.Generator) -> float:
    """Draw the true difference: none, less than what matters, or clearly more; either protocol may be the better one."""
    size = float(random.choice([0.0, random.uniform(0.4, 0.7) * MATTERS, random.uniform(1.7, 2.2) * MATTERS]))
    return round(size * float(random.choice([-1.0, 1.0, 1.0])), 1)


def _drawn_problems(random: np.random.Generator) -> dict[Kind, str | None]:
    kinds: list[Kind] = [list(KINDS)[place] for place in random.choice(len(KINDS), 3, replace=False)]
    sites = [str(one) for one in random.permutation(SITES)]
    return {kind: None if kind == "drop-out with pain" else site for kind, site in zip(kinds, sites, strict=False)}


def _scenario(effect: float) -> Scenario:
    plan = load_scenario("knee replacement").without_effects()
    two = (REFERENCE, NEW)
    home = tuple(
        replace(one, protocols=tuple(name for name in one.protocols if name in two)) for one in plan.modalities
    )
    missing = replace(
        plan.missingness, lost="completely at random", missed="completely at random", lost_weeks=_LOST_WEEKS,
        lost_shares=_LOST_SHARES, missed_share=0.03, untested_share=0.0,
    )  # fmt: skip
    added = (Effect(NEW, MEASURE, LIMB, "constant", effect, 4),) if effect else ()
    return replace(
        plan, name="capstone", protocols=two, modalities=home, brace=(), missingness=missing, effects=added, sites=SITES,
        site_shares=_SITE_SHARES,
    )  # fmt: skip


def _chosen(cohort: Cohort, allocation: Allocation, random: np.random.Generator) -> set[str]:
    """Choose the patients of the study: by lot the first ones; otherwise stiffer knees come with the new protocol."""
    if allocation == "by lot":
        return set(cohort.patients["patient_id"].head(PATIENTS))
    start = visit_frame(cohort, MEASURE).drop_duplicates("patient_id")
    stiff = (start["baseline"].mean() - start["baseline"]) / start["baseline"].std()
    side = np.where(start["protocol"].astype(str) == NEW, 1.0, -1.0)
    takes = random.random(len(start)) < expit(_CHOSEN_BY * side * stiff)
    taken = start[takes].groupby("protocol", observed=True).head(PATIENTS // 2)
    return set(taken["patient_id"])


def _identifiers(count: int) -> list[str]:
    return [f"k{place:04d}" for place in range(1, count + 1)]


def _as_told(cohort: Cohort, names: dict[str, str], seed: int) -> Cohort:
    """Give new identifiers in no order of sites, and a provenance without the truth."""
    tables: dict[str, pd.DataFrame] = {}
    for name, frame in cohort.tables():
        renamed = frame.assign(patient_id=frame["patient_id"].map(names))
        tables[str(name)] = renamed.sort_values("patient_id", kind="stable").reset_index(drop=True)
    told = Provenance(
        scenario="capstone", seed=seed, steps=("Invented for the capstone of the lessons, no real person.",)
    )
    return replace(cohort, provenance=told, **tables)  # type: ignore[arg-type]


def _shares(everyone: Cohort) -> dict[str, float]:
    frame = visit_frame(everyone, MEASURE)
    frame = frame[frame["week"] == WEEK]
    improved = (frame["change"] >= GAIN).groupby(frame["protocol"].astype(str)).mean()
    return {str(name): float(share) for name, share in improved.items()}

"""Cohorts in which the truth is planted: differences by week, and who is lost, as they are named."""

from dataclasses import replace

import numpy as np
import pandas as pd

from analysis.cohort import Cohort, Provenance

WEEKS = (0, 6, 12, 26, 52)
#: Means by week, spread of the patients, spread of a visit, limits and decimals of a value.
MEASURES = {
    "quadriceps_torque": ((1.6, 1.2, 1.4, 1.8, 2.1), 0.35, 0.15, (0.05, 6.0), 2),
    "pain": ((5.5, 4.5, 3.5, 2.8, 2.2), 1.2, 1.0, (0.0, 10.0), 0),
    "knee_extension": ((-6.0, -4.0, -3.0, -1.5, -1.0), 2.0, 1.5, (-60.0, 20.0), 0),
    "ikdc": ((45.0, 50.0, 58.0, 68.0, 75.0), 9.0, 6.0, (0.0, 100.0), 1),
}

LATE = (12, 26, 52)


def plant(
    seed=1, *, patients=60, protocols=("usual", "early"), measure="quadriceps_torque", effect=None, lose=None, weeks=WEEKS,
    sites=(), start=None, gain=1.0, level=None,
):  # fmt: skip
    """Make a cohort.

    ``patients``: of each protocol, or a number for each. ``effect``: {protocol: {week: added}} in the better direction.
    ``lose``: function of (protocol, week, true value, generator) that says whether the visit is missed. ``start``:
    {protocol: added to the baseline and all later values}. ``gain``: part of the usual change that patients make.
    ``level``: mean of all weeks in place of the usual means.
    """
    rng = np.random.default_rng(seed)
    means, between, within, limits, decimals = MEASURES[measure]
    by_week = dict(zip(WEEKS, means, strict=True))
    sign = -1 if measure == "pain" else 1
    limb = "involved" if measure in ("quadriceps_torque", "knee_extension") else "none"
    sizes = patients if isinstance(patients, tuple) else (patients,) * len(protocols)
    people, rows = [], []
    for name, size in zip(protocols, sizes, strict=True):
        for number in range(size):
            one = f"{name[0]}{protocols.index(name)}{number:04d}"
            person = {"patient_id": one, "protocol": name}
            if sites:
                person["site"] = sites[number % len(sites)]
            people.append(person)
            own = rng.normal(0, between) + (start or {}).get(name, 0.0)
            for week in weeks:
                mean = by_week[0] + gain * (by_week[week] - by_week[0]) if level is None else level
                value = mean + own + rng.normal(0, within) + sign * (effect or {}).get(name, {}).get(week, 0.0)
                value = round(float(np.clip(value, *limits)), decimals)
                if week and lose is not None and lose(name, week, value, rng):
                    continue
                rows.append((one, float(week), measure, limb, value))
    visits = pd.DataFrame(rows, columns=["patient_id", "week", "measure", "limb", "value"])
    people = pd.DataFrame(people)
    people["protocol"] = pd.Categorical(people["protocol"], protocols)
    return Cohort(people, visits, reference=protocols[0], provenance=Provenance(steps=("Made for a test.",)))


def share(by_protocol):
    """Lose this share of each protocol's visits after the start at random."""
    return lambda name, week, value, rng: rng.random() < by_protocol.get(name, 0.0)


def better(size, weeks=LATE, protocol="early"):
    """An effect of one size in some weeks."""
    return {protocol: dict.fromkeys(weeks, size)}


def off_schedule(cohort, seed=5):
    """Every visit after the start up to two weeks off."""
    visits = cohort.visits.copy()
    later = visits["week"] > 0
    visits.loc[later, "week"] += np.random.default_rng(seed).uniform(-2, 2, int(later.sum()))
    return replace(cohort, visits=visits)

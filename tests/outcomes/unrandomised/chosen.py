"""Invented patients whose clinicians chose the protocol."""

import numpy as np
import pandas as pd

from analysis.cohort import Cohort

WEEKS = (0.0, 6.0, 12.0, 26.0)


def patients(n=200, protocols=("usual", "early"), seed=1, strength=0.7):
    """A row a patient: the older and those of site south more often have the later protocols."""
    rng = np.random.default_rng(seed)
    age, south = rng.normal(35, 8, n), rng.uniform(size=n) < 0.5
    push = strength * ((age - 35) / 8 + south - 0.5)
    logits = np.outer(push, np.arange(len(protocols)))
    chances = np.exp(logits) / np.exp(logits).sum(axis=1, keepdims=True)
    code = (rng.uniform(size=(n, 1)) > chances.cumsum(axis=1)[:, :-1]).sum(axis=1)
    return pd.DataFrame(
        {
            "patient_id": [f"q{i:04d}" for i in range(n)],
            "protocol": pd.Categorical(np.array(protocols)[code], list(protocols)),
            "site": pd.Categorical(np.where(south, "south", "north")),
            "age_years": age,
            "score": 50 + 0.5 * age + 3.0 * code + rng.normal(0, 5, n),
        }
    )


def cohort(n=200, protocols=("usual", "early"), seed=1, missing=0.2, strength=0.7, **tables):
    """Pain at weeks 0, 6, 12 and 26 goes with age and start; the second protocol lowers it by 1, the third by 1.5."""
    rng = np.random.default_rng([seed, 7])
    people = patients(n, protocols, seed, strength).drop(columns="score")
    effect = np.array([0.0, -1.0, -1.5])[people["protocol"].cat.codes]
    start = 6 + 0.05 * (people["age_years"].to_numpy() - 35) + rng.normal(size=n)
    own = rng.normal(size=n)
    values = [start]
    late = 0.12 * (people["age_years"].to_numpy() - 35)
    values += [0.6 * start + late + effect - 0.03 * week + 0.5 * own + rng.normal(size=n) for week in WEEKS[1:]]
    rows = [
        (name, week, value[i])
        for i, name in enumerate(people["patient_id"])
        for k, (week, value) in enumerate(zip(WEEKS, values, strict=True))
        if k == 0 or rng.uniform() > missing
    ]
    visits = pd.DataFrame(rows, columns=["patient_id", "week", "value"]).assign(measure="pain", limb="none")
    return Cohort(people, visits, reference="usual", **tables)

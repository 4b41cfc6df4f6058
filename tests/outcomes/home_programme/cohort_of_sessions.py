"""Cohorts with home sessions written by hand, for the tests of adherence."""

import numpy as np
import pandas as pd

from analysis.cohort import Cohort
from analysis.cohort.modalities import NMES
from analysis.outcomes.chosen_endpoint import choose_endpoint


def cohort_of_sessions(entries, protocols, *, visits=None, **tables):
    """``entries``: rows of patient, week, modality, prescribed, done (further columns by name in dictionaries)."""
    rows = [row if isinstance(row, dict) else dict(zip(COLUMNS, row, strict=False)) for row in entries]
    people = pd.DataFrame({"patient_id": list(protocols), "protocol": list(protocols.values())})
    names = list(dict.fromkeys(protocols.values()))
    people["protocol"] = pd.Categorical(people["protocol"], categories=names)
    if visits is None:
        visits = pd.DataFrame({"patient_id": list(protocols)[:1], "week": 0, "measure": "pain", "value": 5.0})
        visits["limb"] = "none"
    return Cohort(people, visits, sessions=pd.DataFrame(rows), **tables)


COLUMNS = ["patient_id", "week", "modality", "sessions_prescribed", "sessions_done"]


def weeks_done(patient, done, *, prescribed=5, modality="exercise"):
    """One row a week from 1 on; None: no entry, NaN: an entry without the sessions done."""
    return [
        (patient, week, modality, prescribed, np.nan if count is np.nan else count)
        for week, count in enumerate(done, start=1)
        if count is not None
    ]


def with_stimulation(rng, n=60, weeks=(0, 2, 4, 8), effect=10.0, offered=True):
    """Two protocols; stimulation is prescribed in 'early' only; the score falls by ``effect`` x share of it done."""
    entries, visits, protocols = [], [], {}
    for number in range(n):
        name, early = f"P{number:02d}", number % 2 == 1
        protocols[name] = "early" if early else "usual"
        share = rng.uniform(0.2, 1)
        for week in range(1, 9):
            entries.append((name, week, "exercise", 5, rng.binomial(5, share)))
            if early or not offered:
                entries.append((name, week, NMES, 5, rng.binomial(5, share)))
        done = sum(
            row[4] for row in entries if row[0] == name and row[2] == "neuromuscular electrical stimulation (NMES)"
        )
        level = rng.normal(60, 5)
        visits += [(name, week, level - effect * done / 40 * week / 8 + rng.normal(0, 1)) for week in weeks]
    frame = pd.DataFrame(visits, columns=["patient_id", "week", "value"]).assign(measure="ikdc", limb="none")
    return cohort_of_sessions(entries, protocols, visits=frame)


def three_arms(rng, n=90, **more):
    """'usual' and 'alike' have exercise only, 'early' has stimulation too, which adds 10 points for all of it."""
    cohort = with_stimulation(rng, n=n)
    people = cohort.patients.astype({"protocol": "str"})
    usual = people.index[people["protocol"] == "usual"]
    people.loc[usual[::2], "protocol"] = "alike"
    people["protocol"] = pd.Categorical(people["protocol"], categories=["usual", "alike", "early"])
    return Cohort(people, cohort.visits, sessions=cohort.sessions, **more)


def score_at_week_8(cohort, **more):
    """The endpoint of these tests: means alone."""
    return choose_endpoint(cohort, "ikdc", week=8, criterion=None, **more)

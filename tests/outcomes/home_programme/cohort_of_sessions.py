"""Cohorts with home sessions written by hand, for the tests of adherence."""

import numpy as np
import pandas as pd

from analysis.cohort import Cohort


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

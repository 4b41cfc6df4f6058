"""Small cohorts whose every number can be counted by hand."""

import pandas as pd
import pytest

from analysis.cohort import Cohort


def make_cohort(changes, *, week=26.0, baseline=50.0, measure="ikdc", baselines=None, **tables):
    """A cohort with one score: ``changes`` maps each protocol to the changes of its patients, None = not seen."""
    patients, visits, number = [], [], 0
    for protocol, of_patients in changes.items():
        for change in of_patients:
            number += 1
            name = f"P{number:03d}"
            start = baseline if baselines is None else baselines[number - 1]
            patients.append({"patient_id": name, "protocol": protocol})
            if start is not None:
                visits.append((name, 0.0, start))
            if change is not None:
                visits.append((name, week, (50.0 if start is None else start) + change))
    frame = pd.DataFrame(visits, columns=["patient_id", "week", "value"]).assign(measure=measure, limb="none")
    people = pd.DataFrame(patients)
    people["protocol"] = pd.Categorical(people["protocol"], categories=list(changes))
    return Cohort(people, frame, **tables)


@pytest.fixture(name="make_cohort")
def _make_cohort():
    return make_cohort


@pytest.fixture
def two_protocols():
    """30 patients: of 10 on 'usual' 4 improve by 12 or more of 8 seen; of 20 on 'early' 12 of 16 seen."""
    usual = [12, 15, 20, 30, 0, 5, 11, -3, None, None]
    early = [12] * 6 + [25] * 6 + [3, 4, 0, -8] + [None] * 4
    return make_cohort({"usual": usual, "early": early})

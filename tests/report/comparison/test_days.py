"""Visits at days that are no whole weeks are called by their day wherever a report names a time."""

import re

import numpy as np
import pandas as pd
import pytest

from analysis.cohort import Cohort
from analysis.quarter import quarter_indicators
from analysis.report import comparison

DAYS = (0, 3, 10, 30)
SECTIONS = ("subtitle", "answer", "estimand", "flow", "measurements", "recovery", "differences", "responder_analysis", "missing",
            "methods", "every_finding", "other_counts")  # fmt: skip


@pytest.fixture(scope="module")
def in_days():
    rng = np.random.default_rng(1)
    ids = [f"p{i:02d}" for i in range(40)]
    rows = [
        (name, day / 7, "pain", "none", float(np.clip(round(6 - 0.08 * day * (1 + i % 2) + rng.normal()), 0, 10)))
        for i, name in enumerate(ids)
        for day in DAYS
        if not (day == DAYS[-1] and i % 9 == 0)
    ]
    people = pd.DataFrame({"patient_id": ids, "protocol": ["usual", "early"] * 20, "quarter": "2024-Q1"})
    visits = pd.DataFrame(rows, columns=["patient_id", "week", "measure", "limb", "value"])
    return Cohort(people, visits, privacy="limited")


def test_a_comparison_names_days(study_in_memory, in_days):
    study = study_in_memory(in_days)
    for name in SECTIONS:
        said = "\n".join(str(part) for part in getattr(comparison, name)(study))
        assert re.findall(r"weeks? -?\d+\.\d+|\d\.4286|\b4\.2\d+ weeks", said) == [], name
    (answer,) = comparison.answer(study)
    assert "At day 30" in "\n".join(answer.paragraphs)


def test_a_quarter_names_days(in_days):
    titles = [one.label for one in quarter_indicators(in_days, week=30 / 7).counts.indicators]
    assert any(title.endswith("by day 30") for title in titles)
    assert not any("week" in title for title in titles)

"""Patterns of visits and the start of those missing, counted by hand."""

import numpy as np
import pandas as pd
import pytest

from analysis.cohort import Cohort
from analysis.errors import ModelError
from analysis.outcomes.missing.missing_by_week import missing_by_week
from analysis.outcomes.missing.missing_patterns import missing_patterns
from synthetic_cohort import generate_cohort

# protocol, weeks 0, 6, 26 seen, baseline, sex
PATIENTS = [
    ("usual", "xxx", 40, "female"),
    ("usual", "xxx", 50, "male"),
    ("usual", "xx.", 20, "female"),
    ("usual", "xx.", 30, "female"),
    ("early", "x.x", 60, "male"),
    ("early", "x..", 44, None),
    ("early", "...", None, "male"),
]


@pytest.fixture
def cohort():
    ids = [f"P{number}" for number in range(len(PATIENTS))]
    patients = pd.DataFrame(
        {"patient_id": ids, "protocol": [one[0] for one in PATIENTS], "sex": [one[3] for one in PATIENTS]}
    )
    rows = [
        (name, week, start + week)
        for name, (_, pattern, start, _) in zip(ids, PATIENTS, strict=True)
        for week, sign in zip([0, 6, 26], pattern, strict=True)
        if sign == "x"
    ]
    visits = pd.DataFrame(rows, columns=["patient_id", "week", "value"]).assign(measure="ikdc", limb="none")
    return Cohort(patients, visits)


def test_patterns_and_kinds(cohort):
    found = missing_patterns(cohort, "ikdc")
    table = found.patterns.set_index(["protocol", "pattern"])
    assert table["count"].to_dict() == {
        ("usual", "xxx"): 2,
        ("usual", "xx."): 2,
        ("early", "x.x"): 1,
        ("early", "x.."): 1,
        ("early", "..."): 1,
    }
    assert table.loc[("usual", "xx.")][["kind", "n", "share", "last_week_seen"]].tolist() == ["stopped", 4, 0.5, 6.0]
    assert table.loc[("early", "...")]["kind"] == "never seen"
    assert np.isnan(table.loc[("early", "...")]["last_week_seen"])
    kinds = found.kinds.set_index(["protocol", "kind"])["count"]
    assert kinds["usual"].to_dict() == {"complete": 2, "stopped": 2, "gaps": 0, "never seen": 0}
    assert kinds["early"].to_dict() == {"complete": 0, "stopped": 1, "gaps": 1, "never seen": 1}


def test_the_start_of_seen_and_missing(cohort):
    """Usual: seen 40 and 50, missing 20 and 30; every variance 50, so the difference of -20 is -20 / sqrt(50)."""
    table = missing_patterns(cohort, "ikdc").baseline.set_index(["protocol", "variable", "category"])
    start = table.loc[("usual", "baseline", np.nan)]
    assert start.tolist() == pytest.approx([2, 45, 2, 25, -20, -20 / 50**0.5])
    women = table.loc[("usual", "sex", "female")]
    assert women.tolist() == pytest.approx([2, 0.5, 2, 1, 0.5, 0.5 / (0.5 / 2) ** 0.5])
    few = table.loc[("early", "baseline", np.nan)]
    assert few[["n_seen", "n_missing", "difference"]].tolist() == [1, 1, -16]
    assert np.isnan(few["standardised_difference"])


def test_nobody_missing_is_missing_not_zero(cohort):
    first = missing_patterns(cohort, "ikdc", week=6).baseline.set_index(["protocol", "variable"])
    assert first.loc[("usual", "baseline")]["n_missing"] == 0
    assert np.isnan(first.loc[("usual", "baseline")]["missing"])


def test_missing_counted_as_by_week():
    cohort = generate_cohort(patients=200, seed=2).observed
    found = missing_patterns(cohort, "pain", week=26)
    place = found.weeks.index(26)
    lost = found.patterns["pattern"].str[place] == "."
    mine = found.patterns[lost].groupby("protocol")["count"].sum()
    table = missing_by_week(cohort, "pain").table
    assert mine.to_dict() == table[table["week"] == 26].set_index("protocol")["missing"].to_dict()


def test_what_cannot_be_asked(cohort):
    with pytest.raises(
        ModelError, match=r"Week 9 is not a scheduled week after the start\.\n  where: .*expected weeks: 0, 6, 26"
    ):
        missing_patterns(cohort, "ikdc", week=9)
    with pytest.raises(ModelError, match=r"There is no column 'site'\."):
        missing_patterns(cohort, "ikdc", covariates=["site"])
    with pytest.raises(ModelError, match=r"Visits follow no schedule\."):
        missing_patterns(cohort, "pain")

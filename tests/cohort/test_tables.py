"""The Cohort: frozen, its own copies, its types; and what the tables say about themselves."""

import dataclasses

import pandas as pd
import pytest

from analysis.cohort import TABLES, Cohort
from analysis.errors import CohortError


def test_the_frames_given_stay_as_they_were_and_the_cohort_has_its_own(patients, visits):
    before = visits.copy(deep=True)
    cohort = Cohort(patients, visits)
    visits.loc[0, "value"] = 99
    assert cohort.visits.loc[0, "value"] == before.loc[0, "value"]
    assert before["measure"].dtype == "str"
    assert cohort.visits["measure"].dtype == "category"


def test_it_is_frozen(cohort):
    with pytest.raises(dataclasses.FrozenInstanceError):
        cohort.privacy = "limited"


def test_columns_in_any_order_and_index(patients, visits):
    shuffled = visits[list(reversed(visits.columns))].set_index(pd.Index(range(100, 100 + len(visits))))
    cohort = Cohort(patients, shuffled)
    assert cohort.visits.index.tolist() == list(range(len(visits)))
    assert list(cohort.visits.columns) == list(reversed(visits.columns))


def test_protocols_in_their_order_and_text_for_people(cohort):
    assert cohort.protocols == ["usual", "early"]
    assert str(cohort).splitlines()[0] == (
        "Cohort: 3 patients, 45 measured values of 4 measures, 2 protocols (usual, early), safe-harbor"
    )
    assert [name for name, _ in cohort.tables()] == ["patients", "visits", "sessions", "brace_limits", "events"]


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda p, v: (p.drop(columns="protocol"), v), "patients lacks the column protocol"),
        (lambda p, v: (p, v.drop(columns=["week", "limb"])), "visits lacks the columns week, limb"),
        (lambda p, v: (pd.concat([p, p["site"]], axis=1), v), "'site' twice"),
        (lambda p, v: (p, v.assign(value="high")), "'value' should hold numbers; 45 of 45 do not"),
        (lambda p, v: (p, v.assign(week="2024-01-01")), "'week' should hold numbers"),
    ],
)
def test_what_cannot_be_a_cohort_says_why(patients, visits, change, said):
    with pytest.raises(CohortError, match=said):
        Cohort(*change(patients, visits))


def test_an_unknown_privacy_level(patients, visits):
    with pytest.raises(CohortError, match="no privacy level 'none'"):
        Cohort(patients, visits, privacy="none")


def test_every_key_and_required_column_is_a_known_one():
    for table in TABLES.values():
        names = [column.name for column in table.columns]
        assert len(names) == len(set(names))
        assert set(table.key) <= set(table.required_columns) <= set(names)
        assert all(column.meaning for column in table.columns)


def test_limits_of_the_device_are_those_of_common_practice():  # common practice, no source
    level, limit = TABLES["sessions"].column("level_knee"), TABLES["brace_limits"].column("flexion_limit_deg")
    assert (level.lowest, level.highest) == (0, 100)
    assert (limit.lowest, limit.highest) == (-15, 135)

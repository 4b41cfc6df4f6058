"""A third attack: what each kind of dressed number, time, age and note comes to, in tables of many patients, few, and several rows.

None may pass but a number in the range of a measure under the name of that measure, which nothing tells from the measure:
pieces of a telephone number, of a record number, a year of birth. Where no start is known, nor can days of the year and
times to an export be told there.
"""

from __future__ import annotations

import pandas as pd
import pytest

from analysis.cohort.deidentification.judge import Surroundings, judge
from analysis.cohort.recognition.known_columns import header_kind, measure_kind

from .corpus.dressed_columns import FAMILIES, AttackColumn, attack_columns, people

#: What cannot be told from a measurement.
NEVER_TOLD = {
    "three digits of a telephone",
    "two digits of a telephone",
    "record",
    "record as tenths",
    "birth year - 1900",
}
NOT_WITHOUT_STARTS = {"day of the year", "days to the export", "weeks to the export"}
#: patients, rows a patient, whether the starts are known
TABLES = [(40, 1, True), (40, 1, False), (12, 5, True), (5, 1, True), (3, 1, True), (2, 4, True), (3, 4, False)]
FEW_TABLES = [(40, 1, False), (5, 1, True), (3, 4, False)]


def passed(columns: list[AttackColumn], patients: int, rows: int, *, started: bool) -> list[AttackColumn]:
    """Judge each column alone, and give those that neither wait for a person nor become whole years."""
    persons = people(patients)
    whose = pd.Series([f"M{one.place}" for one in persons for _ in range(rows)])
    starts = pd.Series([pd.Timestamp(one.start) for one in persons for _ in range(rows)])
    around = Surroundings(whose, starts if started else None)
    answer = []
    for one in columns:
        cells = pd.Series([cell for cell in one.cells for _ in range(rows)])
        act = judge(cells, one.header, around).act
        if act != "withhold" and not (act == "cap" and one.family == "age"):
            answer.append(one)
    return answer


def test_the_attack_is_large_enough_and_holds_every_family() -> None:
    columns = attack_columns(people(40))
    assert len(columns) >= 1_000
    assert {one.family for one in columns} == set(FAMILIES)
    assert len({one.header for one in columns}) >= 200
    assert all(len(set(one.cells)) > 1 for one in columns)


@pytest.mark.slow
@pytest.mark.parametrize(("patients", "rows", "started"), TABLES)
def test_no_dressed_column_passes_but_what_nothing_tells_from_a_measure(
    patients: int, rows: int, started: bool
) -> None:
    found = passed(attack_columns(people(patients)), patients, rows, started=started)
    allowed = NEVER_TOLD if started else NEVER_TOLD | NOT_WITHOUT_STARTS
    assert [(one.made, one.header) for one in found if one.made not in allowed] == []
    assert all((header_kind(one.header) or measure_kind(one.header)) is not None for one in found)
    if patients < 5:
        assert found == []


@pytest.mark.parametrize(("patients", "rows", "started"), FEW_TABLES)
def test_one_header_of_each_kind_does_not_pass(patients: int, rows: int, started: bool) -> None:
    headers = {"single word": "score", "arrival": "Termin", "calendar": "week", "age": "Age in months", "dressed": "quad_torque",
               "short text": "aid"}  # fmt: skip
    columns = [one for one in attack_columns(people(patients)) if headers[one.family] == one.header]
    assert len(columns) == sum(len(kinds) for _, kinds in FAMILIES.values())
    allowed = NEVER_TOLD if started else NEVER_TOLD | NOT_WITHOUT_STARTS
    found = passed(columns, patients, rows, started=started)
    assert [(one.made, one.header) for one in found if one.made not in allowed] == []

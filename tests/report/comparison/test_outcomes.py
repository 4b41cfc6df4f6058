"""The tables of responders: how many patients make one more is said only where the data tell, and only of a trial."""

import dataclasses

import pytest

from analysis.outcomes import responders
from analysis.report.comparison.outcomes import responder_differences
from analysis.statistics.proportions import add_number_needed


@pytest.fixture(scope="module")
def counted(invented):
    return responders(invented, "ikdc", week=26)


def with_differences(found, *rows):
    table = found.differences.iloc[: len(rows)].filter(regex="^(?!number_needed)").copy()
    table[["difference", "lower", "upper"]] = rows
    return dataclasses.replace(found, differences=add_number_needed(table))


def test_patients_for_one_responder_more_or_fewer(counted):
    table = responder_differences(with_differences(counted, (0.1, 0.04, 0.16), (-0.25, -0.4, -0.1)), "randomised")
    assert table.cells()["Patients for one responder more or fewer"].tolist() == [
        "one more in 10 (7 to 25)",
        "one fewer in 4 (3 to 10)",
    ]
    assert any("Altman" in note for note in table.notes)


def test_an_interval_that_holds_no_difference_has_none(counted):
    table = responder_differences(with_differences(counted, (0.1, 0.04, 0.16), (0.1, -0.1, 0.3)), "randomised")
    assert table.cells()["Patients for one responder more or fewer"].tolist()[1] == "–"
    neither = responder_differences(with_differences(counted, (0.1, -0.04, 0.16), (0.1, -0.1, 0.3)), "randomised")
    assert len(neither.columns) == 3
    assert not any("Altman" in note for note in neither.notes)


def test_patients_not_allocated_at_random_have_none(counted):
    table = responder_differences(with_differences(counted, (0.1, 0.04, 0.16)), "observational")
    assert len(table.columns) == 3
    assert "benefit" not in str(table)
    assert "treat" not in str(table)

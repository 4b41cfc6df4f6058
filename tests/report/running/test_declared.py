"""A report's parameters, declared once: the cell, the call, the signature and the documentation that follow."""

from __future__ import annotations

import inspect
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import pytest

from analysis.errors import ReportError
from analysis.report.running.declared import ReportParameters, parameter, takes, with_parameters
from analysis.report.running.parameters import read_parameters


@dataclass(frozen=True)
class Own(ReportParameters):
    folder: str = parameter("../cohort", "cohort folder")
    week: float | None = parameter(None, "a week")
    missing: Literal["excluded", "counted"] = parameter("excluded", "how the missing count")
    names: list[str] = parameter([], "some names")


@takes(Own)
def prepare(folder: str, **given: Any) -> Own:
    """Prepare.

    Parameters
    ----------
    folder : str
        A folder.
    {parameters}

    Returns
    -------
    Own
        What was asked.
    """
    return Own.checked(folder, given)


CELL = """folder: str = "../cohort"  # cohort folder
week: float | None = None  # a week
missing: Literal["excluded", "counted"] = "excluded"  # how the missing count
names: list[str] = []  # some names"""


def lines():
    return [line.strip() for line in prepare.__doc__.splitlines()]


def test_the_cell_is_written_from_the_declaration_and_read_as_it():
    assert Own.cell() == CELL
    assert [(one.name, one.default, one.meaning) for one in read_parameters(CELL)] == [
        (one.name, one.default, one.meaning) for one in Own.declared()
    ]


def test_signature_and_documentation_hold_every_parameter():
    known = inspect.signature(prepare).parameters
    assert list(known) == ["folder", "week", "missing", "names"]
    assert known["folder"].default is inspect.Parameter.empty
    assert known["missing"].default == "excluded"
    assert known["week"].kind is inspect.Parameter.KEYWORD_ONLY
    start = lines().index("week : float | None, default None")
    assert lines()[start + 1] == "a week"
    assert 'missing : Literal["excluded", "counted"], default "excluded"' in lines()
    assert lines()[-3:] == ["-------", "Own", "What was asked."]


def test_a_call_takes_what_is_named_and_the_defaults():
    assert prepare("here") == Own("here")
    asked = prepare("here", week=6, names=("a", "b"))
    assert (asked.week, asked.names) == (6.0, ["a", "b"])
    assert type(asked.week) is float
    assert prepare("here", week=np.float64(2.5)).week == 2.5
    assert asked.given() == {"week": 6.0, "missing": "excluded", "names": ["a", "b"]}
    assert Own.changed(asked.given()) == {"week": 6.0, "names": ["a", "b"]}
    assert Own.changed(prepare("elsewhere").given()) == {}


def test_lists_of_two_calls_are_not_one():
    prepare("here").names.append("x")
    assert prepare("here").names == []


def test_a_call_with_a_wrong_name_or_type_says_which_there_are():
    with pytest.raises(ReportError) as caught:
        prepare("here", weak=6, missing="dropped")
    assert str(caught.value).startswith(
        "The parameters of the report own are wrong: there is no parameter 'weak'; missing must be "
        'Literal["excluded", "counted"], not \'dropped\'.\n  where: parameters of own\n  what to do: Use these:\n'
    )
    assert "folder" not in str(caught.value)


def test_a_notebook_gives_its_names():
    names = {"folder": "there", "week": 3.0, "other": 1, "prepare": prepare}
    assert with_parameters(prepare, names) == Own("there", 3.0)

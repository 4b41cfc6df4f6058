"""Parameters: read without running, and refused unless their name and type are right."""

import pytest

from analysis.errors import ReportError
from analysis.report.running.parameters import check_parameters, read_parameters

CELL = """week: float | None = None  # primary week
rule: Literal["excluded", "non-response"] = "excluded"
names: list[str] = ["a"]
many: bool = False
count: int = 3
plain = "text"
"""
ALLOWED = read_parameters(CELL)


def test_declarations_defaults_and_meanings_are_read():
    assert [str(parameter) for parameter in ALLOWED] == [
        "week: float | None = None  (primary week)",
        "rule: Literal['excluded', 'non-response'] = 'excluded'",
        "names: list[str] = ['a']",
        "many: bool = False",
        "count: int = 3",
        "plain: str = 'text'",
    ]


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("week", 26.5),
        ("week", None),
        ("rule", "non-response"),
        ("names", []),
        ("many", True),
        ("count", 4),
        ("plain", ""),
    ],
)
def test_values_of_the_declared_type_are_taken(name, value):
    assert check_parameters({name: value}, ALLOWED, report="r") == {name: value}


def test_a_whole_number_for_a_float_becomes_one():
    taken = check_parameters({"week": 26}, ALLOWED, report="r")["week"]
    assert taken == 26.0
    assert type(taken) is float


@pytest.mark.parametrize(("name", "value"), [("plain", "a\ud800"), ("names", ["a", "\udc80"])])
def test_half_a_character_is_refused(name, value):
    with pytest.raises(ReportError, match=f"{name} holds half of a character"):
        check_parameters({name: value}, ALLOWED, report="r")


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("week", "26"), ("week", True), ("rule", "other"), ("names", ["a", 1]), ("names", "a"), ("many", 1),
        ("many", "yes"), ("count", 4.0), ("count", True), ("plain", None), ("plain", 3),
    ],
)  # fmt: skip
def test_values_of_another_type_are_refused(name, value):
    with pytest.raises(ReportError, match=f"{name} must be "):
        check_parameters({name: value}, ALLOWED, report="r")


def test_every_mistake_is_in_one_message_with_what_is_allowed():
    allowed = read_parameters('folder: str = ""\nweek: float | None = None  # primary week')
    with pytest.raises(ReportError) as caught:
        check_parameters({"weak": 26, "week": "x", "folder": "y"}, allowed, report="own", reserved=("folder",))
    assert str(caught.value) == (
        "The parameters of the report own are wrong: there is no parameter 'weak'; week must be float | None, not 'x'; "
        "there is no parameter 'folder'.\n"
        "  where: parameters of own\n"
        "  what to do: Use these:\n"
        "    week: float | None = None  (primary week)"
    )


@pytest.mark.parametrize("source", ["import os", "x: int", "x = open('f')", "a = b = 1", "a, b = 1, 2", "x.y = 1"])
def test_a_cell_with_anything_else_is_refused(source):
    with pytest.raises(ReportError, match="The parameters cell holds more than parameters"):
        read_parameters(source)


def test_a_cell_that_is_not_python_is_refused():
    with pytest.raises(ReportError, match="The parameters cell is not Python"):
        read_parameters("x: int = ")

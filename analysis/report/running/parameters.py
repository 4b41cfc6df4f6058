"""The parameters of a report notebook: read from its tagged cell, and checked strictly before anything runs."""

import ast
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from analysis.errors import ReportError

#: Types a parameter may be declared with, besides None and Literal.
_TYPES: dict[str, type] = {"str": str, "int": int, "float": float, "bool": bool}


@dataclass(frozen=True)
class Parameter:
    """One parameter of a notebook.

    Parameters
    ----------
    name : str
        Its name.
    declared : str
        Its type as the cell declares it, for example ``float | None``.
    default : object
        Its default.
    meaning : str
        The comment beside it.
    """

    name: str
    declared: str
    default: Any
    meaning: str = ""

    def admits(self, value: Any) -> bool:
        """Return whether a value is of the declared type; a whole number serves as a float, True never as a number."""
        return _admits(ast.parse(self.declared, mode="eval").body, value)

    def __str__(self) -> str:
        text = f"{self.name}: {self.declared} = {self.default!r}"
        return f"{text}  ({self.meaning})" if self.meaning else text


def read_parameters(source: str, *, where: str = "parameters cell") -> tuple[Parameter, ...]:
    """Read the parameters that a cell declares, without running it.

    Parameters
    ----------
    source : str
        Source of the cell tagged ``parameters``: one line ``name: type = default  # meaning`` a parameter.
    where : str
        Named in errors.

    Returns
    -------
    tuple of Parameter
        In the order of the cell.

    Raises
    ------
    ReportError
        The cell holds something else.

    Examples
    --------
    >>> [str(parameter) for parameter in read_parameters("week: float | None = None  # primary week")]
    ['week: float | None = None  (primary week)']
    """
    advice = "Declare each parameter on a line of its own, as name: type = default."
    try:
        body = ast.parse(source).body
    except SyntaxError as error:
        raise ReportError("The parameters cell is not Python.", where=where, what_to_do=advice) from error
    lines = source.splitlines()
    found = []
    for statement in body:
        if isinstance(statement, ast.Assign) and len(statement.targets) == 1:
            target, declared = statement.targets[0], ""
        elif isinstance(statement, ast.AnnAssign) and statement.value is not None:
            target, declared = statement.target, ast.unparse(statement.annotation)
        else:
            target, declared = None, ""
        value = getattr(statement, "value", None)
        try:
            default = ast.literal_eval(value) if value is not None else None
        except ValueError:
            target = None
        if not isinstance(target, ast.Name):
            raise ReportError(
                "The parameters cell holds more than parameters.",
                where=f"{where}: {lines[statement.lineno - 1].strip()}",
                what_to_do=advice,
            )
        line = lines[statement.lineno - 1]
        meaning = line.partition("#")[2].strip() if statement.lineno == statement.end_lineno else ""
        found.append(Parameter(target.id, declared or type(default).__name__, default, meaning))
    return tuple(found)


def check_parameters(
    given: Mapping[str, Any], allowed: Sequence[Parameter], *, report: str, reserved: Sequence[str] = ()
) -> dict[str, Any]:
    """Refuse unknown parameters and values of the wrong type, all of them in one message.

    Parameters
    ----------
    given : mapping
        Name and value.
    allowed : sequence of Parameter
        What the notebook declares.
    report : str
        Name of the report, for the message.
    reserved : sequence of str
        Declared parameters that are set in another way.

    Returns
    -------
    dict
        The parameters given; whole numbers given for a float as float.

    Raises
    ------
    ReportError
        A parameter is unknown, reserved or of the wrong type; the message lists those allowed.
    """
    known = {parameter.name: parameter for parameter in allowed if parameter.name not in reserved}
    problems = []
    for name, value in given.items():
        if name not in known:
            problems.append(f"there is no parameter {name!r}")
        elif not known[name].admits(value):
            problems.append(f"{name} must be {known[name].declared}, not {value!r}")
        elif _has_half_a_character(value):
            problems.append(f"{name} holds half of a character, which no file can hold: {value!r}")
    if problems:
        raise ReportError(
            f"The parameters of the report {report} are wrong: {'; '.join(problems)}.",
            where=f"parameters of {report}",
            what_to_do=["Use these:", *(str(parameter) for parameter in known.values())],
        )
    return {name: _as_declared(known[name], value) for name, value in given.items()}


def _has_half_a_character(value: Any) -> bool:
    if isinstance(value, list | tuple):
        return any(map(_has_half_a_character, value))
    return isinstance(value, str) and any("\ud800" <= letter <= "\udfff" for letter in value)


def _as_declared(parameter: Parameter, value: Any) -> Any:
    floats = "float" in parameter.declared and "int" not in parameter.declared
    return float(value) if floats and type(value) is int else value


def _admits(declared: ast.expr, value: Any) -> bool:
    match declared:
        case ast.BinOp(left=left, op=ast.BitOr(), right=right):
            return _admits(left, value) or _admits(right, value)
        case ast.Constant(value=None):
            return value is None
        case ast.Name(id="NoneType"):
            return value is None
        case ast.Name(id="float"):
            return isinstance(value, int | float) and not isinstance(value, bool)
        case ast.Name(id=name) if name in _TYPES:
            return type(value) is _TYPES[name]
        case ast.Subscript(value=ast.Name(id="Literal"), slice=choices):
            return value in _choices(choices)
        case ast.Subscript(value=ast.Name(id="list"), slice=item) if isinstance(value, list):
            return all(_admits(item, element) for element in value)
        case ast.Name(id="list"):
            return isinstance(value, list)
    return False


def _choices(node: ast.expr) -> list[Any]:
    literal = ast.literal_eval(node)
    return list(literal) if isinstance(literal, tuple) else [literal]


def parameter_of_text(text: str) -> tuple[str, Any]:
    """Read one parameter as it is typed on the command line, name and value; what is no value of Python is a text.

    Raises
    ------
    ReportError
        There is no name, or no equals sign.

    Examples
    --------
    >>> parameter_of_text("primary_week=26"), parameter_of_text("measure=pain")
    (('primary_week', 26), ('measure', 'pain'))
    """
    name, equals, value = text.partition("=")
    if not equals or not name.strip():
        raise ReportError(
            f"{text!r} is not a parameter.", where="--set", what_to_do="Write it as name=value, e.g. primary_week=26."
        )
    try:
        return name.strip(), ast.literal_eval(value)
    except (ValueError, SyntaxError):
        return name.strip(), value

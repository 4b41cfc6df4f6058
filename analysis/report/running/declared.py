"""The parameters of a report of the kit, each declared once: its notebook, its call and its documentation follow."""

from __future__ import annotations  # types of fields are read as they are written

import inspect
import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, fields
from typing import Any, Self, TypeVar

from analysis.report.running.parameters import Parameter, check_parameters

FOLDER_PARAMETER = "folder"
Prepare = TypeVar("Prepare", bound="Callable[..., Any]")
_MEANING = "meaning"


def parameter(default: Any, meaning: str) -> Any:
    """Declare a parameter as a field of a :class:`ReportParameters`: its default, and what it is on one line."""
    if isinstance(default, list):
        return field(default_factory=default.copy, metadata={_MEANING: meaning})
    return field(default=default, metadata={_MEANING: meaning})


@dataclass(frozen=True)
class ReportParameters:
    """The parameters of a report, a field each with type, default and meaning; the first is the folder."""

    folder: str

    @classmethod
    def declared(cls) -> tuple[Parameter, ...]:
        """Return the parameters as they are declared, in order."""
        usual = cls()  # type: ignore[call-arg]
        types = {one.name: str(one.type).replace("'", '"') for one in fields(cls)}
        return tuple(
            Parameter(one.name, types[one.name], getattr(usual, one.name), one.metadata[_MEANING])
            for one in fields(cls)
        )

    @classmethod
    def cell(cls) -> str:
        """Return the source of the cell of the notebook that is tagged ``parameters``."""
        return "\n".join(
            f"{one.name}: {one.declared} = {_shown(one.default)}  # {one.meaning}" for one in cls.declared()
        )

    @classmethod
    def checked(cls, folder: object, given: Mapping[str, Any]) -> Self:
        """Take what a call gives; names and types are checked as those of ``kneecurve report --set``."""
        lists = {name: list(value) if isinstance(value, tuple) else value for name, value in given.items()}
        taken = check_parameters(
            lists, cls.declared(), report=cls.__name__.removesuffix("Parameters").lower(), reserved=(FOLDER_PARAMETER,)
        )
        return cls(folder=str(folder), **taken)

    def given(self) -> dict[str, Any]:
        """Return every parameter but the folder, by name."""
        return {one.name: getattr(self, one.name) for one in fields(self) if one.name != FOLDER_PARAMETER}

    @classmethod
    def changed(cls, given: Mapping[str, Any]) -> dict[str, Any]:
        """Return those that are not at their default."""
        usual = cls().given()  # type: ignore[call-arg]
        return {name: value for name, value in given.items() if value != usual[name]}


def takes(declared: type[ReportParameters]) -> Callable[[Prepare], Prepare]:
    """Give a function the signature and the documentation of the parameters that it takes as keywords.

    They stand in the docstring in the place of ``{parameters}``.
    """

    def documented(function: Prepare) -> Prepare:
        known = [one for one in declared.declared() if one.name != FOLDER_PARAMETER]
        lines = [f"{one.name} : {one.declared}, default {_shown(one.default)}\n    {one.meaning}" for one in known]
        own = inspect.signature(function)
        folder = own.parameters[FOLDER_PARAMETER]
        more = [
            inspect.Parameter(one.name, inspect.Parameter.KEYWORD_ONLY, default=one.default, annotation=one.declared)
            for one in known
        ]
        function.__signature__ = own.replace(parameters=[folder, *more])  # type: ignore[attr-defined]
        function.__doc__ = inspect.cleandoc(function.__doc__ or "").replace("{parameters}", "\n".join(lines))
        return function

    return documented


def with_parameters(prepare: Callable[..., Any], names: Mapping[str, Any]) -> Any:
    """Call a function with the parameters of a notebook.

    Parameters
    ----------
    prepare : callable
        What prepares a report, for example :func:`analysis.report.comparison.prepare_study`.
    names : mapping
        The names of the notebook: ``globals()``. Those that the function does not take are left alone.

    Examples
    --------
    >>> with_parameters(lambda week, level=0.95: (week, level), {"week": 26, "other": 1})
    (26, 0.95)
    """
    return prepare(**{name: names[name] for name in inspect.signature(prepare).parameters if name in names})


def _shown(default: Any) -> str:
    return json.dumps(default, ensure_ascii=False) if isinstance(default, str) else repr(default)

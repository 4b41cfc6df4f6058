"""Read scenarios: from the files that come with the kit, from a user's own file, or from plain data."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import MISSING, Field, fields, replace
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Any, Literal, TypeVar, cast, get_args, get_origin, get_type_hints

from analysis.cohort.files.settings_files import read_toml
from analysis.errors import CohortError
from synthetic_cohort.scenarios.scenario import Scenario, part_path
from synthetic_cohort.scenarios.scenario_parts import Mechanism
from synthetic_cohort.scenarios.scenario_rules import check_scenario

_FILES = ("ligament_reconstruction", "knee_replacement", "meniscus_surgery", "patellofemoral_pain")
_NO_DIFFERENCE = ", no difference"
_MISSING = ", missing "
_T = TypeVar("_T")


def list_scenarios() -> list[str]:
    """Name the scenarios that come with the kit.

    Returns
    -------
    list of str
        Each scenario, followed by the same one without any difference between protocols. To each name
        ``", missing completely at random"``, ``", missing at random"`` or ``", missing not at random"`` can be added.

    Examples
    --------
    >>> list_scenarios()[:2]
    ['ligament reconstruction', 'ligament reconstruction, no difference']
    """
    names = [name.replace("_", " ") for name in _FILES]
    return [full for name in names for full in (name, name + _NO_DIFFERENCE)]


def load_scenario(name: str | Path) -> Scenario:
    """Load a scenario by name, or from a TOML file of your own.

    Parameters
    ----------
    name : str or Path
        One of :func:`list_scenarios`, with a mechanism of missingness added or not; or the path of a file.

    Returns
    -------
    Scenario
        The scenario.

    Raises
    ------
    CohortError
        The name is not known, or the file is not a scenario: an unknown or missing key, a parameter without a source, a
        value of the wrong type or out of range.

    Examples
    --------
    >>> load_scenario("ligament reconstruction, no difference").effects
    ()
    """
    if isinstance(name, Path):
        return _from_file(name)
    base, _, mechanism = name.partition(_MISSING)
    plain = base.removesuffix(_NO_DIFFERENCE)
    file = plain.replace(" ", "_")
    if file not in _FILES or (mechanism and mechanism not in get_args(Mechanism)):
        raise CohortError(
            f"There is no scenario {name!r}.",
            where="synthetic_cohort.load_scenario",
            what_to_do=f"Use one of: {'; '.join(list_scenarios())}; or give the Path of a scenario file.",
        )
    scenario = _shipped(file)
    if plain != base:
        scenario = scenario.without_effects()
    return scenario.with_missingness(cast("Mechanism", mechanism)) if mechanism else scenario


def read_scenario(data: Mapping[str, Any], where: str) -> Scenario:
    """Make a scenario from plain data, those of a file or of :meth:`Scenario.to_json`, strictly, and check it.

    ``where`` the data come from is for the message.

    Raises
    ------
    CohortError
        As for :func:`load_scenario`.
    """
    sources: dict[str, str] = {}
    flat = data.get("parameter_sources")
    if flat is None:
        scenario = _read(Scenario, data, where, "", sources)
    else:
        sources.update({str(name): str(source) for name, source in dict(flat).items()})
        scenario = _read(Scenario, {k: v for k, v in data.items() if k != "parameter_sources"}, where, "", None)
    complete = replace(scenario, sources=tuple(sorted(sources.items())))
    check_scenario(complete, where)
    return complete


@cache
def _shipped(file: str) -> Scenario:
    text = resources.files("synthetic_cohort.scenarios").joinpath(f"{file}.toml").read_text(encoding="utf-8")
    return read_scenario(tomllib.loads(text), f"{file}.toml")


def _from_file(path: Path) -> Scenario:
    try:
        data = read_toml(path)
    except OSError as error:
        raise CohortError(
            "The scenario file cannot be read.", where=str(path), what_to_do="Check the path and the permissions."
        ) from error
    except ValueError as error:
        raise CohortError(
            "The scenario file is not TOML.", where=f"{path.name}: {error}", what_to_do="Correct the file."
        ) from error
    return read_scenario(data, path.name)


def _read(kind: type[_T], data: Any, where: str, path: str, sources: dict[str, str] | None) -> _T:
    place = f"{where}, {path.rstrip('.') or 'top level'}"
    if not isinstance(data, Mapping):
        raise CohortError("A table of keys is expected here.", where=place, what_to_do=_keys(kind))
    known = {one.name: one for one in _fields(kind)}
    unknown = sorted(set(data) - set(known) - {"sources"})
    missing = sorted(name for name, one in known.items() if name not in data and one.default is MISSING)
    for problem, names in (("is not known", unknown), ("is missing", missing)):
        if names:
            raise CohortError(f"The key {names[0]!r} {problem}.", where=place, what_to_do=_keys(kind))
    hints = get_type_hints(kind)
    values = {name: _value(hints[name], data[name], where, f"{path}{name}", sources) for name in known if name in data}
    made = kind(**values)
    if sources is not None:
        _take_sources(made, data.get("sources", {}), place, path, sources)
    return made


def _value(hint: Any, value: Any, where: str, path: str, sources: dict[str, str] | None) -> Any:
    if isinstance(hint, type) and hasattr(hint, "__dataclass_fields__"):
        return _read(hint, value, where, f"{path}.", sources)
    if get_origin(hint) is tuple:
        if not isinstance(value, list | tuple):
            raise _wrong(value, "a list", where, path)
        inner = get_args(hint)
        if len(inner) == 2 and inner[1] is Ellipsis:
            return _list(inner[0], value, where, path, sources)
        if len(inner) != len(value):
            raise _wrong(value, f"a list of {len(inner)}", where, path)
        return tuple(_value(h, v, where, path, sources) for h, v in zip(inner, value, strict=True))
    if get_origin(hint) is Literal:
        if value not in get_args(hint):
            raise _wrong(value, f"one of: {', '.join(get_args(hint))}", where, path)
        return value
    allowed: Any = {float: (int, float), int: int, str: str, bool: bool}[hint]
    if not isinstance(value, allowed) or (isinstance(value, bool) and hint is not bool):
        raise _wrong(
            value, {float: "a number", int: "a whole number", str: "text", bool: "true or false"}[hint], where, path
        )
    return float(value) if hint is float else value


def _list(hint: Any, value: Any, where: str, path: str, sources: dict[str, str] | None) -> tuple[Any, ...]:
    if not (isinstance(hint, type) and hasattr(hint, "__dataclass_fields__")):
        return tuple(_value(hint, one, where, path, sources) for one in value)
    made = []
    for position, one in enumerate(value):
        plain = {key: item for key, item in one.items() if key != "sources"} if isinstance(one, Mapping) else one
        bare: Any = _read(hint, plain, where, f"{path}[{position}].", None)
        full = f"{part_path(path, bare, position)}."
        made.append(bare if sources is None else _read(hint, one, where, full, sources))
    return tuple(made)


def _take_sources(made: Any, given: Any, place: str, path: str, sources: dict[str, str]) -> None:
    own = {str(name).strip(): str(text) for names, text in dict(given).items() for name in str(names).split(",")}
    rest = own.pop("*", None)
    hints = get_type_hints(type(made))
    names = [one.name for one in _fields(type(made)) if not _holds_parts(hints[one.name])]
    for name in names:
        source = own.pop(name, rest)
        if source is None:
            raise CohortError(
                f"The parameter {name!r} has no source.",
                where=place,
                what_to_do="Name it in the table's sources: a citation, or design choice; '*' stands for all others.",
            )
        sources[f"{path}{name}"] = source
    if own:
        raise CohortError(
            f"There is a source for {sorted(own)[0]!r}, which is not a parameter of this table.",
            where=place,
            what_to_do=f"Parameters: {', '.join(names)}.",
        )


def _holds_parts(hint: Any) -> bool:
    return any(hasattr(one, "__dataclass_fields__") for one in (hint, *get_args(hint)))


def _fields(kind: Any) -> list[Field[Any]]:
    return [one for one in fields(kind) if one.name != "sources"]


def _keys(kind: Any) -> str:
    return f"Keys: {', '.join(one.name for one in _fields(kind))}; and sources."


def _wrong(value: Any, expected: str, where: str, path: str) -> CohortError:
    return CohortError(
        f"{path.rpartition('.')[2]} should be {expected}, not {value!r}.",
        where=f"{where}, {path}",
        what_to_do="Correct it.",
    )

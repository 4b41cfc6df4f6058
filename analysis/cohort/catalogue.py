"""Measures from plain data: the catalogue that comes with the kit, and those of a map file or cohort, read strictly."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from dataclasses import fields
from functools import cache
from importlib import resources
from typing import Any, get_args

from analysis.cohort.measures import Direction, Measure, Measures, MixUp, Threshold, ThresholdKind
from analysis.errors import CohortError, check_choice

_LIMBS = ("involved", "uninvolved", "none")
_ALLOWED = {one.name for one in fields(Measure)} - {"name"}
#: A number of float64 has 15 to 17 digits (IEEE 754).
_MOST_DECIMALS = 15


@cache
def load_catalogue() -> Measures:
    """Read the catalogue that comes with the kit.

    Returns
    -------
    Measures
        Every measure of ``measures.toml``, in its order.
    """
    text = resources.files("analysis.cohort").joinpath("measures.toml").read_text(encoding="utf-8")
    return Measures([read_measure(name, data, "measures.toml") for name, data in tomllib.loads(text).items()])


def read_measure(name: str, data: Any, where: str) -> Measure:
    """Make a measure from plain data, strictly: an unknown key is an error that names the allowed ones.

    The keys are the fields of :class:`analysis.cohort.measures.Measure` without the name; unit and direction are required.
    ``where`` names the file that the data come from.

    Raises
    ------
    CohortError
        A key is unknown or missing, or a value is not of its type.
    """
    place = f"{where}, measure {name!r}"
    _check_keys(data, _ALLOWED, {"unit", "direction"}, place)
    check_choice(data["direction"], get_args(Direction), "direction", error=CohortError, where=place)
    limbs = tuple(_list(data, "limbs", place)) if "limbs" in data else ("none",)
    if not limbs or not all(limb in _LIMBS for limb in limbs):
        raise CohortError(
            f"There is no limb {next((limb for limb in limbs if limb not in _LIMBS), '')!r}.",
            where=place,
            what_to_do=f"Use some of: {', '.join(_LIMBS)}.",
        )
    lowest = _number(data.get("lowest", -math.inf), "lowest", place)
    highest = _number(data.get("highest", math.inf), "highest", place)
    decimals = _number(data.get("decimals", 1), "decimals", place)
    if not 0 <= decimals <= _MOST_DECIMALS:
        raise CohortError(
            f"decimals should be a number from 0 to {_MOST_DECIMALS}, not {decimals:g}.",
            where=place,
            what_to_do="Say how many decimals a value is shown with.",
        )
    if not lowest < highest:
        raise CohortError("The plausible range is empty.", where=place, what_to_do="Give lowest below highest.")
    return Measure(
        name=name,
        label=_text(data.get("label", name.replace("_", " ")), "label", place),
        unit=_text(data["unit"], "unit", place),
        direction=data["direction"],
        lowest=lowest,
        highest=highest,
        limbs=limbs,
        thresholds=tuple(_read_threshold(one, place) for one in _list(data, "thresholds", place)),
        derived_from=tuple(_text(one, "derived_from", place) for one in _list(data, "derived_from", place)),
        ideal=None if data.get("ideal") is None else _number(data["ideal"], "ideal", place),
        lowest_mean=_number(data.get("lowest_mean", -math.inf), "lowest_mean", place),
        highest_mean=_number(data.get("highest_mean", math.inf), "highest_mean", place),
        decimals=int(decimals),
        description=_text(data["description"], "description", place) if data.get("description") else "",
        mix_ups=tuple(_read_mix_up(one, place) for one in _list(data, "mix_ups", place)),
    )


def _read_threshold(data: Any, place: str) -> Threshold:
    names = {f.name for f in fields(Threshold)}
    _check_keys(data, names, {"value", "kind"}, f"{place}, thresholds")
    if data["kind"] not in get_args(ThresholdKind):
        raise CohortError(
            f"There is no kind of threshold {data['kind']!r}.",
            where=place,
            what_to_do="Use MIC (a change that matters) or MDC (a change beyond measurement error).",
        )
    value = _number(data["value"], "value", f"{place}, thresholds")
    text = {name: str(data.get(name, "")) for name in names - {"value", "kind", "accepted"}}
    return Threshold(value=value, kind=data["kind"], accepted=bool(data.get("accepted", True)), **text)


def _read_mix_up(data: Any, place: str) -> MixUp:
    names = {f.name for f in fields(MixUp)}
    _check_keys(data, names, names, f"{place}, mix_ups")
    lowest, highest = (_number(data[end], end, f"{place}, mix_ups") for end in ("lowest", "highest"))
    return MixUp(str(data["unit"]), lowest, highest, str(data["what_to_do"]))


def _list(data: Mapping[str, Any], key: str, place: str) -> list[Any]:
    given = data.get(key, [])
    if not isinstance(given, list | tuple):
        raise CohortError(f"{key} should be a list, not {given!r}.", where=place, what_to_do="Give a list, [ ... ].")
    return list(given)


def _check_keys(data: Any, allowed: set[str], required: set[str], place: str) -> None:
    if not isinstance(data, Mapping):
        raise CohortError(
            "A table of keys is expected here.", where=place, what_to_do=f"Keys: {', '.join(sorted(allowed))}."
        )
    for problem, names in (("is not known", set(data) - allowed), ("is missing", required - set(data))):
        if names:
            raise CohortError(
                f"The key {sorted(names)[0]!r} {problem}.",
                where=place,
                what_to_do=f"Allowed keys: {', '.join(sorted(allowed))}; required: {', '.join(sorted(required))}.",
            )


def _text(value: Any, key: str, place: str) -> str:
    if not isinstance(value, str) or not value.strip():
        raise CohortError(
            f"{key} should be a text, not {value!r}.", where=place, what_to_do="Write it in quotation marks."
        )
    return value


def _number(value: Any, key: str, place: str) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or math.isnan(value):
        raise CohortError(f"{key} should be a number, not {value!r}.", where=place, what_to_do="Give a number.")
    return float(value)

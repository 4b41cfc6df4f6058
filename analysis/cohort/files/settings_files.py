"""Texts that say how: maps, descriptors, rules, records. Read within limits of length, depth and size of their numbers."""

from __future__ import annotations

import json
import sys
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

from analysis.cohort.files.limits import DEEPEST_SETTINGS, MOST_SETTINGS_BYTES
from analysis.cohort.files.paths import refuse_no_file
from analysis.errors import CohortError

#: Characters of what a parser says (design choice: two lines of a terminal).
_LONGEST_SAID = 160
_TOO_DEEP = "its parts lie too deep in one another"
_TOO_LARGE = "a whole number in it is too large"


def read_toml(path: Path) -> dict[str, Any]:
    """Read a file in TOML.

    Raises
    ------
    CohortError
        It is no file.
    OSError
        It cannot be opened.
    ValueError
        It is no valid TOML, or beyond the limits; the text says what is wrong with it, as "it is not UTF-8".
    """
    return dict(_read(path, tomllib.loads))


def explained_toml(path: Path, what: str, help_is: str) -> dict[str, Any]:
    """Read a TOML file that a person wrote; ``what`` it is and where ``help_is`` stand in the messages.

    Raises
    ------
    CohortError
        The file is missing, no text, or no TOML.
    """
    try:
        return read_toml(path)
    except OSError as error:
        raise CohortError(
            f"The {what} cannot be read: {error.strerror}.", where=str(path), what_to_do="Check it."
        ) from None
    except ValueError as error:
        raise CohortError(
            f"The {what} is no valid TOML: {error}.",
            where=path.name,
            what_to_do=f"Put texts in quotation marks; {help_is}.",
        ) from None


def toml_of(text: str) -> dict[str, Any]:
    """Read a text in TOML; raises the ValueError that :func:`read_toml` raises."""
    return dict(_parsed(text, tomllib.loads))


def read_json(path: Path) -> Any:
    """Read a file in JSON; raises what :func:`read_toml` raises."""
    return _read(path, json.loads)


def _read(path: Path, parse: Callable[[str], Any]) -> Any:
    refuse_no_file(path)
    with path.open("rb") as stream:
        content = stream.read(MOST_SETTINGS_BYTES + 1)
    if len(content) > MOST_SETTINGS_BYTES:
        raise ValueError(f"it is longer than {MOST_SETTINGS_BYTES >> 20} MB")
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise ValueError("it is not UTF-8") from None
    return _parsed(text.replace("\r\n", "\n"), parse)


def _parsed(text: str, parse: Callable[[str], Any]) -> Any:
    try:
        data = parse(text)
    except RecursionError:
        raise ValueError(_TOO_DEEP) from None
    except (tomllib.TOMLDecodeError, json.JSONDecodeError) as error:
        raise ValueError(_shortened(str(error))) from None
    except ValueError:  # more digits than Python takes
        raise ValueError(_TOO_LARGE) from None
    _refuse_beyond(data)
    return data


def _shortened(said: str) -> str:
    """Cut the middle of what a parser says: it may repeat a name of any length, and says at the end where that stands."""
    return said if len(said) <= _LONGEST_SAID else f"{said[: _LONGEST_SAID // 2]} ... {said[-_LONGEST_SAID // 2 :]}"


def _refuse_beyond(data: Any) -> None:
    level = [data]
    for _ in range(DEEPEST_SETTINGS):
        if any(type(one) is int and abs(one) > sys.float_info.max for one in level):
            raise ValueError(_TOO_LARGE)
        held = [one.values() if isinstance(one, dict) else one for one in level if isinstance(one, dict | list)]
        level = [one for part in held for one in part]
    if level:
        raise ValueError(_TOO_DEEP)

"""What a path must be before it is opened: no pipe that never ends, no folder, no name that no file can have."""

from __future__ import annotations

import os
from pathlib import Path

from analysis.errors import CohortError, KneecurveError


def refuse_no_file(path: Path) -> None:
    """Refuse to wait for a pipe or a device, a folder, and a name that no file can have; a file may be missing.

    Raises
    ------
    CohortError
        What is there is no file.
    """
    refuse_impossible_name(path)
    if path.is_dir():
        raise CohortError("This is a folder, not a file.", where=str(path), what_to_do="Name a file in it.")
    if path.exists() and not path.is_file():
        raise CohortError(
            "This is a pipe or a device, not a file.", where=str(path), what_to_do="Save the data to a file first."
        )


def refuse_impossible_name(path: Path, *, error: type[KneecurveError] = CohortError) -> None:
    """Refuse a name with a zero character or half of a character in it.

    Raises
    ------
    KneecurveError
        Of the type ``error``: no file or folder can have the name.
    """
    try:
        possible = b"\x00" not in os.fsencode(path)
    except UnicodeEncodeError:
        possible = False
    if not possible:
        raise error("No file has such a name.", where=str(path), what_to_do="Check the path.")

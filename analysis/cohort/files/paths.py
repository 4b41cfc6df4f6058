"""What a path must be before it is opened: no pipe that never ends, no folder, no name that no file can have."""

from __future__ import annotations

import errno
import os
from pathlib import Path

from analysis.errors import CohortError, KneecurveError

#: Bytes of a name that the file systems of Linux, macOS and Windows can hold (NAME_MAX of Linux's limits.h; Windows counts
#: letters, of which 255 in other scripts take more bytes: there the system is asked alone).
_LONGEST_NAME = 255 if os.name == "posix" else 3 * 255


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
    """Refuse a name with a zero character or half of a character in it, and one that is too long.

    Raises
    ------
    KneecurveError
        Of the type ``error``: no file or folder can have the name.
    """
    try:
        name = os.fsencode(path)
    except UnicodeEncodeError:
        name = b"\x00"
    if b"\x00" in name:
        raise error("No file has such a name.", where=str(path), what_to_do="Check the path.")
    if max(map(len, map(os.fsencode, path.parts)), default=0) > _LONGEST_NAME or _is_too_long_here(path):
        raise error(
            "The name of the file or folder is too long.",
            where=str(path),
            what_to_do="Check the path, or shorten the name.",
        )


def _is_too_long_here(path: Path) -> bool:
    """Ask the system, which knows its own limits of names and of whole paths."""
    try:
        os.lstat(path)
    except OSError as error:
        return error.errno == errno.ENAMETOOLONG
    return False

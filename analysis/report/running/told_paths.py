"""Paths as a report tells them: nothing of the folders of the person who made it."""

from __future__ import annotations

import getpass
import os
from contextlib import suppress
from pathlib import Path


def way_to(folder: Path, start: Path) -> str:
    """Return the way from one folder to another; the whole path of one on another drive."""
    try:
        return Path(os.path.relpath(folder.resolve(), start.resolve())).as_posix()
    except ValueError:  # another drive
        return folder.resolve().as_posix()


def told_way(way: str) -> str:
    """Return a way as it may be written: the last name alone where it leads through a person's own folder, or from the root.

    Examples
    --------
    >>> told_way("../cohort"), told_way(f"../../{Path.home().name}/cohort")
    ('../cohort', 'cohort')
    """
    path = Path(way)
    return path.name if path.is_absolute() or _own_names() & set(path.parts) else way


def without_home(text: str) -> str:
    """Return a text in which the home folder is written ``~``.

    Examples
    --------
    >>> without_home(f"rules='{Path.home().as_posix()}/rules.toml'")
    "rules='~/rules.toml'"
    """
    home = Path.home()
    if len(home.parts) < 2:
        return text
    forms = dict.fromkeys((str(home), home.as_posix(), str(home).replace("\\", "\\\\")))
    for form in forms:
        text = text.replace(form, "~")
    return text


def _own_names() -> set[str]:
    names = {Path.home().name}
    with suppress(KeyError, OSError, ImportError):  # nobody of that number has a name
        names.add(getpass.getuser())
    return names - {""}

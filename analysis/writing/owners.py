"""Who is writing: marks of processes in the names of what they write, so that a dead one's is told from a live one's."""

from __future__ import annotations

import ctypes
import hashlib
import logging
import os
import platform
import re
import shutil
import sys
import tempfile
import time
import uuid
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from analysis.errors import KneecurveError

#: A mark in a name: system, process, start of the process (0 where that cannot be told).
MARK = r"[0-9a-f]{6}-[0-9]+-[0-9]+"
_TOKEN = re.compile(rf"({MARK})-[0-9a-f]{{8}}$")
_STILL_ACTIVE, _MAY_ASK, _ACCESS_DENIED = 259, 0x1000, 5
#: A lock without a token after so long was made by a process that died before it signed (design choice).
_SECONDS_TO_SIGN = 60.0
_notes = logging.getLogger("kneecurve")


def own_mark() -> str:
    """Give the mark of this process: a hash of the name of the system, process, start."""
    return f"{_system()}-{os.getpid()}-{_start_of(os.getpid())}"


def new_token() -> str:
    """Give an end for a name that no other process, and no other call, gives: the mark and a random part.

    Examples
    --------
    >>> mark_in(f".cohort.part-{new_token()}") == own_mark()
    True
    """
    return f"{own_mark()}-{uuid.uuid4().hex[:8]}"


def mark_in(name: str) -> str | None:
    """Give the mark at the end of a name, or None where there is none."""
    found = _TOKEN.search(name)
    return found[1] if found else None


def is_dead(mark: str) -> bool:
    """Say whether the process of a mark is known to have ended; of one on another system nothing is known.

    Examples
    --------
    >>> is_dead(own_mark())
    False
    """
    if not re.fullmatch(MARK, mark):
        return False
    system, process, start = mark.split("-")
    if system != _system():
        return False
    return not _runs(int(process)) or (start != "0" and _start_of(int(process)) not in (start, "0"))


def note(text: str) -> None:
    """Tell that something a dead process left was tidied up."""
    _notes.warning(text)


@contextmanager
def lock(file: Path, what: str, *, error: type[KneecurveError]) -> Iterator[None]:
    """Hold a lock file; one whose process is gone is taken away, with a note. ``what`` is written, as an error begins.

    Raises
    ------
    KneecurveError
        Of the type ``error``: another process holds the lock.
    """
    token = new_token()
    try:
        if not (_take(file, token) or (_take_away(file, what) and _take(file, token))):
            raise error(
                f"{what} is being written there by another process.",
                where=str(file),
                what_to_do="Wait until it has ended, or choose another folder. If nothing is being written, remove that "
                "file.",
            )
        yield
    finally:
        if _holder(file) == token:
            file.unlink(missing_ok=True)


@contextmanager
def temporary_folder() -> Iterator[Path]:
    """Give a folder for what is needed a while; those that dead processes of this user left are removed before."""
    remove_dead(Path(tempfile.gettempdir()), re.compile(rf"kneecurve-{MARK}-[0-9a-f]{{8}}"))
    folder = Path(tempfile.gettempdir()) / f"kneecurve-{new_token()}"
    folder.mkdir(mode=0o700)
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def remove_dead(place: Path, pattern: re.Pattern[str]) -> None:
    """Remove what dead processes left in a place, by a pattern of its names; links, and what others own, stay."""
    with suppress(OSError):
        for path in list(place.iterdir()):
            if not pattern.fullmatch(path.name) or not is_dead(mark_in(path.name) or "") or not _is_ours(path):
                continue
            if path.is_dir():
                shutil.rmtree(path, ignore_errors=True)
            else:
                path.unlink(missing_ok=True)


def _take(file: Path, token: str) -> bool:
    try:
        handle = os.open(file, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    except FileExistsError:
        return False
    with os.fdopen(handle, "w", encoding="ascii") as stream:
        stream.write(token)
    return True


def _take_away(file: Path, what: str) -> bool:
    """Take a dead lock away; it is moved aside and looked at again, as another process may do the same."""
    if not _is_dead_lock(file):
        return False
    aside = file.with_name(f"{file.name}.{new_token()}")
    try:
        file.rename(aside)
    except OSError:
        return False
    if _is_dead_lock(aside):
        aside.unlink(missing_ok=True)
        note(f"{what} was being written there by a process that is gone; its lock {file} was removed.")
        return True
    with suppress(OSError):
        os.link(aside, file)
    aside.unlink(missing_ok=True)
    return False


def _is_dead_lock(file: Path) -> bool:
    token = _holder(file)
    if token:
        return is_dead(mark_in(token) or "")
    try:
        return token is not None and time.time() - file.stat().st_mtime > _SECONDS_TO_SIGN
    except OSError:
        return False


def _holder(file: Path) -> str | None:
    try:
        return file.read_text(encoding="ascii", errors="replace").strip()
    except OSError:
        return None


def _system() -> str:
    return hashlib.sha256(platform.node().encode()).hexdigest()[:6]


def _is_ours(path: Path) -> bool:
    return not path.is_symlink() and (os.name == "nt" or path.stat().st_uid == os.getuid())


def _start_of(process: int) -> str:
    """Give when a process started, in ticks, where the system tells it: numbers of processes are used again."""
    try:
        return (
            Path(f"/proc/{process}/stat").read_text(encoding="ascii", errors="replace").rpartition(")")[2].split()[19]
        )
    except (OSError, IndexError):
        return "0"


def _runs(process: int) -> bool:
    if sys.platform == "win32":
        kernel = ctypes.windll.kernel32
        handle = kernel.OpenProcess(_MAY_ASK, False, process)
        if not handle:
            return bool(kernel.GetLastError() == _ACCESS_DENIED)
        code = ctypes.c_ulong()
        known = kernel.GetExitCodeProcess(handle, ctypes.byref(code))
        kernel.CloseHandle(handle)
        return not known or code.value == _STILL_ACTIVE
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except OSError:
        return True
    return True

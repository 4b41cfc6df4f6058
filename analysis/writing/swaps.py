"""A new folder takes the place of an old one: in one step where the system has it, else in steps the next command ends."""

from __future__ import annotations

import ctypes
import os
import re
import shutil
import signal
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from types import FrameType

from analysis.writing.owners import MARK, is_dead, mark_in, new_token, own_mark

_HELD = [getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK") if hasattr(signal, name)]
#: Names beside a folder: what is being written, or may go (part), and what had its place for a moment (old).
_BESIDE = re.compile(rf"\.(?P<name>.+)\.(?P<kind>part|old)-(?P<token>{MARK}-[0-9a-f]{{8}})", re.DOTALL)
_HERE, _EXCHANGE = -100, 2  # AT_FDCWD, RENAME_EXCHANGE of linux/fs.h


@contextmanager
def signals_held() -> Iterator[None]:
    """Let nothing interrupt what may not be done by half: signals that come meanwhile come afterwards."""
    if threading.current_thread() is not threading.main_thread():
        yield  # signals come to the main thread
        return
    before = {}
    came: list[int] = []

    def hold(number: int, _: FrameType | None) -> None:
        came.append(number)

    try:
        for number in _HELD:
            handler = signal.getsignal(number)
            if handler is not None:  # one that Python did not set cannot be set again
                before[number] = handler
                signal.signal(number, hold)
        yield
    finally:
        for number, handler in reversed(before.items()):  # the one that raises last, so that all are set again
            signal.signal(number, handler)
        for number in dict.fromkeys(came):
            signal.raise_signal(number)


@contextmanager
def written_beside(folder: Path) -> Iterator[Path]:
    """Give an empty folder beside ``folder``, made with the folders above; at the end, without an error, it takes its place.

    What was there before is whole until then, and gone afterwards. What dead processes left beside it is tidied up first.
    """
    target = Path(os.path.abspath(folder))  # noqa: PTH100 - resolve would follow a link
    target.parent.mkdir(parents=True, exist_ok=True)
    tidy(target.parent)
    part = target.with_name(f".{target.name}.part-{new_token()}")
    try:
        part.mkdir()
        yield part
        swap(part, target)
    finally:
        finish(target)
        if os.path.lexists(target) or not _olds(target):
            shutil.rmtree(part, ignore_errors=True)


def swap(new: Path, folder: Path) -> None:
    """Put a folder, whole, in the place of another; that one is gone afterwards. Where it fails, all is as it was."""
    with signals_held():
        if not os.path.lexists(folder):
            new.rename(folder)
            return
        if exchange(new, folder):
            old = new
        else:
            named = _BESIDE.fullmatch(new.name)
            token = named["token"] if named else new_token()
            aside = folder.with_name(f".{folder.name}.old-{token}")
            old = folder.with_name(f".{folder.name}.part-{new_token()}")
            folder.rename(aside)
            try:
                new.rename(folder)
            except BaseException:
                if not os.path.lexists(folder):
                    aside.rename(folder)
                raise
            aside.rename(old)
        shutil.rmtree(old, ignore_errors=True)


def exchange(one: Path, other: Path) -> bool:
    """Exchange two paths in one step; False where the system or the disk cannot, and nothing was done."""
    if not sys.platform.startswith("linux"):
        return False
    try:
        call = ctypes.CDLL(None, use_errno=True).renameat2
    except (AttributeError, OSError):
        return False
    return bool(call(_HERE, os.fsencode(one), _HERE, os.fsencode(other), ctypes.c_uint(_EXCHANGE)) == 0)


def finish(folder: Path) -> None:
    """Finish a swap that was cut off between its steps: a folder that is away for a moment gets its place again.

    The new one is whole when the old one goes aside, so it takes the place; the old one does where there is no new one.
    """
    folder = Path(os.path.abspath(folder))  # noqa: PTH100 - resolve would follow a link
    if os.path.lexists(folder):
        return
    for old in _olds(folder):
        mark = mark_in(old.name) or ""
        if is_dead(mark) or mark == own_mark():
            part = old.with_name(".part-".join(old.name.rsplit(".old-", 1)))
            (part if part.is_dir() else old).rename(folder)
            return


def tidy(place: Path) -> None:
    """Finish the swaps of dead processes in a place, and remove what they left beside its folders."""
    with suppress(OSError):
        for path in list(place.iterdir()):
            named = _BESIDE.fullmatch(path.name)
            if named is None or not is_dead(mark_in(path.name) or "") or path.is_symlink() or not path.is_dir():
                continue
            folder = place / named["name"]
            finish(folder)
            if os.path.lexists(path) and (os.path.lexists(folder) or not _olds(folder)):
                shutil.rmtree(path, ignore_errors=True)


def _olds(folder: Path) -> list[Path]:
    """Give what had the place of a folder and stands aside, the latest first."""
    try:
        named = [(path, _BESIDE.fullmatch(path.name)) for path in folder.parent.iterdir()]
        olds = [path for path, one in named if one and (one["name"], one["kind"]) == (folder.name, "old")]
        return sorted(olds, key=lambda path: path.stat().st_mtime, reverse=True)
    except OSError:  # nobody swaps where nobody may look
        return []

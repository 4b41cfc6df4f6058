"""Read a file in a process of its own, within the limits that its size sets: what crashes or hangs there ends in an error.

Memory and processor time are limited by the system where it can (Linux; on other systems the memory only by what the file
says it holds and by what is handed over), the time by the clock everywhere. The process serves further files, and ends a
minute after the last, with this one, or once a file could not be read: nobody knows what that left behind in it.
"""

from __future__ import annotations

import atexit
import errno
import os
import pickle
import signal
import subprocess
import sys
import warnings
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from threading import Lock, Timer
from typing import Any

from analysis.cohort.files.limits import Limits, limits_of, too_many_cells
from analysis.errors import CohortError, CohortWarning

_PROGRAM = Path(__file__).with_name("foreign_formats.py")
#: Libraries reserve memory for each of their threads, which a limit counts.
_FEW_THREADS = {
    "OPENBLAS_NUM_THREADS": "1",
    "OMP_NUM_THREADS": "2",
    "MALLOC_ARENA_MAX": "1",
    "ARROW_DEFAULT_MEMORY_POOL": "system",
}
_ENDED_ITSELF = "it ended without an answer"
_ORIGIN = "Check where the file comes from, and export it again; a large table is best kept as CSV."


def read_apart(path: Path, kind: str, what: str, further: Sequence[Path] = (), **options: Any) -> list[Any]:
    """Give the portions that a reader of :mod:`analysis.cohort.files.foreign_formats` hands over, all of them.

    ``kind`` is the reader, ``options`` are its own; ``what`` should be in the file, as "an Excel workbook". A reader that takes
    ``further`` files finds their paths among its options.

    Raises
    ------
    CohortError
        The file is damaged, or takes more time or memory than a file of its size may.
    """
    limits = limits_of(sum(one.stat().st_size for one in (path, *further)))
    if further:
        options["further"] = [str(one.absolute()) for one in further]
    request = {
        "kind": kind, "file": str(path.absolute()), "cells": limits.cells, "memory": limits.memory,
        "seconds": limits.seconds, "options": options,
    }  # fmt: skip
    with _lock:
        portions, end, said = _reader().ask(request, limits.seconds)
        if (end, said) == ("crash", [_ENDED_ITSELF]):  # idle since long
            portions, end, said = _reader().ask(request, limits.seconds)
        if end != "read":
            _end_readers()
    if end != "read":
        raise _explained(path, what, limits, end, said)
    for text in said:
        warnings.warn(f"{path.name}: {text}", CohortWarning, stacklevel=2)
    return portions


def damaged(path: Path, what: str, reason: str) -> CohortError:
    """Give the error for a file that is not what it should be."""
    return CohortError(
        f"The file is not {what}, or it is damaged.",
        where=f"{path.name}: {reason}",
        what_to_do="Save or export it again, or give it the ending that fits it.",
    )


def _explained(path: Path, what: str, limits: Limits, end: str, said: list[Any]) -> CohortError:
    if end == "damaged":
        text, kind = said
        return damaged(path, what, (text.splitlines() or [""])[0].strip() or kind)
    if end == "memory":
        return CohortError(
            f"Reading the file takes more than {limits.memory / 1e9:,.2f} GB of memory, more than a file of its size may.",
            where=path.name,
            what_to_do=_ORIGIN,
        )
    if end == "time":
        return CohortError(
            f"Reading the file takes more than {limits.seconds:,.0f} seconds, more than a file of its size may.",
            where=path.name,
            what_to_do=_ORIGIN,
        )
    if end == "killed":
        return CohortError(
            "The process that read the file was ended from outside, perhaps since the computer ran out of memory.",
            where=path.name,
            what_to_do="Close other programs and try again.",
        )
    if end == "crash":
        return damaged(path, what, f"it makes the program that reads it crash ({said[0]})")
    reason, *details = said
    if reason == "cells":
        return too_many_cells(path.name, *details)
    if reason == "rows":
        return damaged(path, what, "it has more than 1,048,576 rows, which no worksheet has")
    return CohortError(
        f"The column {details[0]!r} holds lists or records, not single values.",
        where=path.name,
        what_to_do="Give one value a cell.",
    )


class _Reader:
    """A process that reads files for this one."""

    def __init__(self) -> None:
        self.owner = os.getpid()
        self._process = subprocess.Popen(
            [sys.executable, "-I", "-S", "-X", f"utf8={sys.flags.utf8_mode}", str(_PROGRAM)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env={**os.environ, **_FEW_THREADS},
            creationflags=getattr(subprocess, "CREATE_NO_WINDOW", 0),
        )
        if self._process.stdin is None or self._process.stdout is None:
            raise OSError(errno.EPIPE, "it has no pipes")
        self._requests, self._answers = self._process.stdin, self._process.stdout
        with suppress(OSError):
            self._send([one for one in sys.path if one])

    @property
    def serves(self) -> bool:
        """Whether it lives, and is of this process and not of the one that this was forked from."""
        return self.owner == os.getpid() and self._process.poll() is None

    def ask(self, request: dict[str, Any], seconds: float) -> tuple[list[Any], str, list[Any]]:
        """Give the portions, how it ended, and what was said of that."""
        late: list[bool] = []

        def stop() -> None:
            late.append(True)
            self._process.kill()

        clock = Timer(seconds, stop)
        clock.daemon = True
        clock.start()
        portions: list[Any] = []
        try:
            self._send(request)
            while True:
                word, content = pickle.load(self._answers)
                if word != "portion":
                    return portions, word, content
                portions.append(content)
        except (EOFError, OSError, pickle.UnpicklingError) as error:
            if isinstance(error, pickle.UnpicklingError):
                self._process.kill()
            code = self._process.wait()
            if late:
                return [], "time", []
            return [], *_in_words(code)
        except MemoryError:
            return [], "memory", []
        except BaseException:
            self.end()
            raise
        finally:
            clock.cancel()

    def end(self) -> None:
        """End the process, and wait until it has ended."""
        self._process.kill()
        self._process.wait()
        for pipe in (self._requests, self._answers):
            with suppress(OSError):
                pipe.close()

    def _send(self, thing: Any) -> None:
        pickle.dump(thing, self._requests)
        self._requests.flush()


def _in_words(code: int) -> tuple[str, list[str]]:
    """Say how a process ended that gave no answer."""
    if code == -getattr(signal, "SIGXCPU", 0):
        return "time", []
    if -code in (getattr(signal, "SIGKILL", 0), signal.SIGTERM):
        return "killed", []
    try:
        return "crash", [signal.Signals(-code).name]
    except ValueError:
        return "crash", [_ENDED_ITSELF if code == 0 else f"exit code {code}"]


_lock = Lock()
_readers: list[_Reader] = []


def _reader() -> _Reader:
    """Give the process that reads; a new one where there is none."""
    if not _readers or not _readers[-1].serves:
        _end_readers()
        try:
            _readers.append(_Reader())
        except OSError as error:
            raise CohortError(
                f"The process that reads files of this kind cannot be started: {error.strerror}.",
                where=sys.executable,
                what_to_do="Close other programs and try again, or export the table as CSV.",
            ) from None
    return _readers[-1]


def _end_readers() -> None:
    while _readers:
        reader = _readers.pop()
        if reader.owner == os.getpid():
            reader.end()


atexit.register(_end_readers)

"""Progress of long work: shown on a terminal after two seconds, or handed to a function of the caller."""

from __future__ import annotations

import shutil
import sys
import time
from contextlib import contextmanager
from threading import Event, Thread
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

#: Seconds after which progress is shown, and after which the line with the step at hand is renewed.
PATIENCE, RENEWED_AFTER = 2.0, 1.0


def in_portions(
    total: int, portion: int, what: str, tell: Callable[[int, int], None] | None = None
) -> Iterator[tuple[int, int]]:
    r"""Cut a long computation into portions and report how far it is.

    Parameters
    ----------
    total : int
        Units of work.
    portion : int
        Units in a portion.
    what : str
        What is done, for the terminal.
    tell : callable, optional
        Called after each portion with the units done and the total. Without it a line is written on the terminal
        (and only there) once two seconds have passed; within :func:`steps` it is their line.

    Yields
    ------
    tuple of int
        Start and stop of each portion.

    Examples
    --------
    >>> list(in_portions(5, 2, "counting"))
    [(0, 2), (2, 4), (4, 5)]
    """
    start, shown = time.monotonic(), False
    for begin in range(0, total, max(1, portion)):
        end = min(begin + max(1, portion), total)
        yield begin, end
        if tell is not None:
            tell(end, total)
        elif _Line.at_work is not None:
            _Line.at_work.step = f"{what}: {end:,} of {total:,}"
        elif time.monotonic() - start > PATIENCE and sys.stderr.isatty():
            shown = True
            sys.stderr.write(f"\r{what}: {end:,} of {total:,}")
            sys.stderr.flush()
    if shown:
        sys.stderr.write("\n")


@contextmanager
def steps(what: str, tell: Callable[[str], None] | None = None) -> Iterator[Callable[[str], None]]:
    """Say which step a long piece of work has reached, where the steps are unequal or their length is not known.

    Parameters
    ----------
    what : str
        What is done, for the terminal.
    tell : callable, optional
        Called with each step. Without it a line with the step at hand and the seconds is written on the terminal (and
        only there) once two seconds have passed. Steps within other steps share the line of the outermost.

    Yields
    ------
    callable
        To be called with the name of each step as it begins; may be left alone where there is one step only.

    Examples
    --------
    >>> said = []
    >>> with steps("Importing", said.append) as step:
    ...     step("reading")
    ...     step("checking")
    >>> said
    ['reading', 'checking']
    """
    outer = _Line.at_work
    if tell is not None:
        yield tell
    elif outer is not None:
        before, outer.step = outer.step, what
        yield lambda name: setattr(outer, "step", f"{what}: {name}")
        outer.step = before
    elif not sys.stderr.isatty():
        yield lambda name: None  # noqa: ARG005 - nobody is told
    else:
        line = _Line.at_work = _Line(what)
        try:
            yield lambda name: setattr(line, "step", name)
        finally:
            _Line.at_work = None
            line.end()


class _Line:
    """The line on the terminal that says what is being done, renewed by a thread of its own."""

    at_work: _Line | None = None

    def __init__(self, what: str) -> None:
        self.what, self.step = what, ""
        self._start, self._width = time.monotonic(), 0
        self._ended = Event()
        self._thread = Thread(target=self._renew, daemon=True)
        self._thread.start()

    def end(self) -> None:
        self._ended.set()
        self._thread.join()
        if self._width:
            sys.stderr.write("\n")

    def _renew(self) -> None:
        pause = PATIENCE
        while not self._ended.wait(pause):
            said = f"{self.what}: {self.step}" if self.step else self.what
            self._write(f"{said}, {time.monotonic() - self._start:.0f} s")
            pause = RENEWED_AFTER

    def _write(self, text: str) -> None:
        plain = "".join(character if character.isprintable() else "?" for character in text)
        plain = plain[: shutil.get_terminal_size().columns - 1]
        sys.stderr.write(f"\r{plain.ljust(self._width)}")
        sys.stderr.flush()
        self._width = max(self._width, len(plain))

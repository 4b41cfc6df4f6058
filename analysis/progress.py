"""Progress of long work: shown on a terminal after two seconds, or handed to a function of the caller."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, nullcontext
from threading import Timer

from analysis.foreign_text import visible

#: Seconds after which progress is shown.
PATIENCE = 2.0


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
    with steps(what) if tell is None else nullcontext() as step:
        for begin in range(0, total, max(1, portion)):
            end = min(begin + max(1, portion), total)
            yield begin, end
            if tell is not None:
                tell(end, total)
            elif step is not None:
                step(f"{end:,} of {total:,}")


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
        before = outer.step
        outer.say(what)
        yield lambda name: outer.say(f"{what}: {name}")
        outer.say(before)
    elif not sys.stderr.isatty():
        yield lambda name: None  # noqa: ARG005 - nobody is told
    else:
        line = _Line.at_work = _Line(what)
        try:
            yield line.say
        finally:
            _Line.at_work = None
            line.end()


class _Line:
    """The line on the terminal that says what is being done, drawn by rich once the work has taken a while."""

    at_work: _Line | None = None

    def __init__(self, what: str) -> None:
        from rich.console import Console
        from rich.progress import Progress, TextColumn
        from rich.table import Column

        one_line = Column(no_wrap=True, overflow="ellipsis")
        said = TextColumn("{task.description}, {task.elapsed:.0f} s", markup=False, table_column=one_line)
        console = Console(file=sys.stderr)
        self.what, self.step = what, ""
        self._shown = Progress(said, console=console, redirect_stdout=False, redirect_stderr=False)
        self._task = self._shown.add_task(visible(what), total=None)
        self._begins = Timer(PATIENCE, self._shown.start)
        self._begins.daemon = True
        self._begins.start()

    def say(self, step: str) -> None:
        self.step = step
        self._shown.update(self._task, description=visible(f"{self.what}: {step}" if step else self.what))

    def end(self) -> None:
        self._begins.cancel()
        self._begins.join()
        if self._shown.live.is_started:
            self._shown.stop()

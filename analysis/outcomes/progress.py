"""Progress of long computations: shown on a terminal after two seconds, or handed to a function of the caller."""

from __future__ import annotations

import sys
import time
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

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
        (and only there) once two seconds have passed.

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
        elif time.monotonic() - start > PATIENCE and sys.stderr.isatty():
            shown = True
            sys.stderr.write(f"\r{what}: {end:,} of {total:,}")
            sys.stderr.flush()
    if shown:
        sys.stderr.write("\n")

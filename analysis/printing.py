"""What the command line prints with: texts of others without control characters and markup, and a bar of progress."""

import sys
from collections.abc import Callable
from typing import TypeVar

from rich.console import Console
from rich.markup import escape

from analysis.foreign_text import visible, visible_lines

Result = TypeVar("Result")

out = Console(soft_wrap=True, highlight=False)
err = Console(stderr=True, soft_wrap=True, highlight=False)


def foreign(text: object) -> str:
    """Give a path, a name or a message as it may be printed: no control characters, no markup of the printer."""
    return escape(visible(str(text)))


def foreign_lines(text: object) -> str:
    """Give a text of several lines that the kit has put together, as it may be printed."""
    return escape(visible_lines(str(text)))


def on_terminal() -> bool:
    """Say whether there is a person at a terminal who can be asked."""
    return sys.stdin.isatty() and sys.stdout.isatty()


def ask(question: str) -> str:
    """Show a question that the kit has put together, and give what is typed."""
    return out.input(foreign_lines(question))


def with_progress(work: Callable[[Callable[[int, int], None]], Result]) -> Result:
    """Run ``work`` with a bar that it moves by calling the function it is given with (done, total)."""
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn

    columns = (TextColumn("    {task.description}"), BarColumn(), MofNCompleteColumn(), TimeElapsedColumn())
    with Progress(*columns, console=out) as bar:
        task = bar.add_task("cells", total=None)
        return work(lambda done, total: bar.update(task, completed=done, total=total))

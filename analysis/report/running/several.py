"""One notebook run for several sets of parameters, in one process: what it keeps from one to the next is computed once."""

from __future__ import annotations

import copy
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from analysis.report.running.notebooks import CellFailure, run_notebook

if TYPE_CHECKING:
    from nbformat import NotebookNode

#: Papermill marks so the cells that it adds to a notebook that failed.
_ADDED = "papermill-error-cell-tag"


def run_for_each(
    notebook: NotebookNode,
    each: Sequence[Mapping[str, Any]],
    *,
    working_folder: Path,
    progress: Callable[[int, int], None] | None = None,
) -> list[tuple[NotebookNode, CellFailure | None]]:
    """Run a notebook for each set of parameters, one after another; the first cell that fails ends it.

    Gives what :func:`analysis.report.running.notebooks.run_notebook` gives for each; those after a failure have no outputs.
    """
    from papermill.parameterize import parameterize_notebook

    parts: list[NotebookNode] = []
    for number, parameters in enumerate(each):
        ready = copy.deepcopy(notebook)
        ready.metadata["papermill"] = {}
        for cell in ready.cells:
            cell.metadata.setdefault("tags", [])
        ready = parameterize_notebook(ready, dict(parameters), kernel_name="python3", language="python")
        for cell in ready.cells:
            cell["id"] = f"{number}-{cell['id']}"
        parts.append(ready)
    joined = copy.deepcopy(notebook)
    joined["cells"] = [cell for part in parts for cell in part.cells]
    executed, failure = run_notebook(joined, {}, working_folder=working_folder, progress=progress)
    cells = [cell for cell in executed.cells if _ADDED not in cell.metadata.get("tags", [])]
    found: list[tuple[NotebookNode, CellFailure | None]] = []
    start = 0
    for number, (part, parameters) in enumerate(zip(parts, each, strict=True)):
        end = start + len(part.cells)
        one = copy.deepcopy(executed)
        one["cells"] = _as_alone(cells[start:end], f"{number}-")
        one.metadata["papermill"] = {"parameters": dict(parameters)}
        failed = failure is not None and start < failure.cell <= end
        found.append((one, replace(failure, cell=failure.cell - start) if failure is not None and failed else None))
        start = end
    return found


def _as_alone(cells: Sequence[NotebookNode], prefix: str) -> list[NotebookNode]:
    """Give cells their own identities and counts back."""
    found, count = [], 0
    for cell in copy.deepcopy(list(cells)):
        cell["id"] = str(cell["id"]).removeprefix(prefix)
        if cell.cell_type == "code" and cell.get("execution_count") is not None:
            count += 1
            cell["execution_count"] = count
        found.append(cell)
    return found

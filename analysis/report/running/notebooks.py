"""Report notebooks: where they are, what parameters they take, and how one is run."""

from __future__ import annotations

import copy
import importlib
import logging
import sys
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

from analysis.cohort.files.paths import refuse_impossible_name
from analysis.errors import ReportError
from analysis.report.parts.typesetting import without_colours
from analysis.report.running.parameters import Parameter, read_parameters
from analysis.writing.owners import temporary_folder

if TYPE_CHECKING:
    from nbformat import NotebookNode


@dataclass(frozen=True)
class CellFailure:
    """What stopped a notebook.

    Parameters
    ----------
    cell : int
        Position of the cell, from 1.
    error : str
        Name of the exception.
    message : str
        Its message.
    """

    cell: int
    error: str
    message: str


def notebook_folder() -> Path:
    """Return the folder of the notebooks: inside the installed package, or in the development tree.

    Raises
    ------
    ReportError
        Neither is there.

    Examples
    --------
    >>> (notebook_folder() / "reports").is_dir()
    True
    """
    report = Path(__file__).resolve().parents[1]
    candidates = (report / "notebook_files", report.parents[1] / "notebooks")
    for folder in candidates:
        if (folder / "reports").is_dir():
            return folder
    raise ReportError(
        "The report notebooks are not there.",
        where=f"looked in {' and '.join(str(folder) for folder in candidates)}",
        what_to_do="Install the package again.",
    )


def report_names() -> list[str]:
    """Return the names of the report notebooks.

    Examples
    --------
    >>> "protocol_comparison" in report_names()
    True
    """
    return sorted(path.stem for path in (notebook_folder() / "reports").glob("*.ipynb"))


def find_report(name: str) -> Path:
    """Return the notebook of a report, by the name of one of the kit or the path of one of one's own.

    Raises
    ------
    ReportError
        There is no such report.
    """
    own = Path(name)
    if own.suffix == ".ipynb":
        refuse_impossible_name(own, error=ReportError)
        if own.is_file():
            return own
        raise ReportError(
            "There is no such notebook.", where=name, what_to_do="Check the path, or name a report of the kit."
        )
    if name not in report_names():
        raise ReportError(
            f"There is no report {name!r}.",
            where="name of the report",
            what_to_do=f"Use one of: {', '.join(report_names())}; or the path of a notebook of your own.",
        )
    return notebook_folder() / "reports" / f"{name}.ipynb"


def read_notebook(path: Path) -> NotebookNode:
    """Read a notebook.

    Raises
    ------
    ReportError
        The file is not a notebook.
    """
    nbformat = _format_of_notebooks()
    try:
        notebook: NotebookNode = nbformat.read(path, as_version=4)
    except (
        AttributeError,
        KeyError,
        RecursionError,
        TypeError,
        ValueError,
        nbformat.ValidationError,
        nbformat.reader.NotJSONError,
    ) as error:
        raise ReportError(
            "The file is not a notebook.", where=str(path), what_to_do="Open it in JupyterLab and save it again."
        ) from error
    return notebook


def _format_of_notebooks() -> Any:
    """Import nbformat without the grammar of web addresses that jsonschema would build for it, which takes seconds.

    To jsonschema the package of the grammar is optional, and no notebook names an address that it would check. None in
    ``sys.modules`` says that there is no such module.
    """
    grammar = "rfc3987_syntax"
    if grammar in sys.modules:
        return importlib.import_module("nbformat")
    sys.modules[grammar] = None  # type: ignore[assignment]
    try:
        return importlib.import_module("nbformat")
    finally:
        del sys.modules[grammar]


def notebook_parameters(notebook: NotebookNode, *, where: str) -> tuple[Parameter, ...]:
    """Read the parameters of a notebook from its cell tagged ``parameters``.

    Raises
    ------
    ReportError
        No cell, or more than one, has the tag, or the cell holds more than parameters.
    """
    tagged = [cell for cell in notebook.cells if "parameters" in cell.metadata.get("tags", [])]
    if len(tagged) != 1:
        raise ReportError(
            f"The notebook has {len(tagged)} cells tagged parameters; one is needed.",
            where=where,
            what_to_do="Give the tag to the one cell that declares the parameters.",
        )
    return read_parameters(tagged[0].source, where=where)


def run_notebook(
    notebook: NotebookNode,
    parameters: Mapping[str, Any],
    *,
    working_folder: Path,
    progress: Callable[[int, int], None] | None = None,
    environment: Mapping[str, str] = MappingProxyType({}),
) -> tuple[NotebookNode, CellFailure | None]:
    """Run a notebook with papermill and the interpreter in use; its parameters are checked already.

    Relative paths start from ``working_folder``; ``progress`` is told of the cells done and their total; ``environment`` has
    further variables that the notebook finds. Gives a copy
    with its outputs, without times, so that two runs can be compared, and the cell that stopped it or None.
    """
    import nbformat
    import papermill

    from analysis.report.running.kernel import ENGINE

    ready = copy.deepcopy(notebook)
    ready.metadata["kernelspec"] = {"name": "python3", "display_name": "Python 3", "language": "python"}
    failure: CellFailure | None = None
    # Papermill reads parameters with patterns of its own and warns of those it misses; ours are checked already.
    logging.getLogger("papermill").setLevel(logging.ERROR)
    with temporary_folder() as folder:
        written = folder / "executed.ipynb"
        try:
            executed = papermill.execute_notebook(
                ready,
                written,
                dict(parameters),
                engine_name=ENGINE,
                request_save_on_cell_execute=False,
                progress_bar=False,
                working_folder=working_folder,
                told=progress or (lambda _done, _total: None),
                environment=environment,
            )
        except papermill.PapermillExecutionError as error:
            executed = nbformat.read(written, as_version=4)  # type: ignore[no-untyped-call]
            message = without_colours(str(error.evalue))
            failure = CellFailure(int(error.cell_index) + 1, str(error.ename), message)
    return _comparable(executed), failure


def _comparable(notebook: NotebookNode) -> NotebookNode:
    """Drop the times and the random names that would make two runs differ."""
    kept = notebook.metadata.get("papermill", {}).get("parameters", {})
    notebook.metadata["papermill"] = {"parameters": kept}
    for cell in notebook.cells:
        cell.metadata.pop("papermill", None)
        cell.metadata.pop("execution", None)
        if "injected-parameters" in cell.metadata.get("tags", []):
            cell["id"] = "injected-parameters"
    return notebook

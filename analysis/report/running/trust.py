"""Which notebook is run when a report is made again: one of the kit, or one of one's own that somebody said to trust."""

import hashlib
from collections.abc import Callable
from pathlib import Path, PureWindowsPath

from analysis.cohort.files.paths import refuse_impossible_name
from analysis.errors import ReportError
from analysis.report.running.notebooks import find_report, report_names
from analysis.report.running.record import Record


def notebook_to_repeat(
    record_file: Path, known: Record, *, notebook: Path | None, trust: bool | Callable[[str], bool]
) -> Path:
    """Give the notebook that a report is made again with; a record, which may come from anywhere, never decides alone.

    A report of the kit is made with the notebook of the kit, and so is one that was made with an unchanged copy of it. Any
    other notebook must lie in the folder of the record or below, or be named (``notebook``), and is run only where
    ``trust`` is true, or, being a function, is true of what it is told: where the notebook is, and its hash beside the
    one of the record and of the kit.

    Raises
    ------
    ReportError
        The record names a report that the kit does not have, or a notebook outside its folder; the notebook is not
        there, or is not one of the kit's and nobody said to trust it.
    """
    if notebook is None:
        of_the_kit = _of_the_kit(record_file, known)
        if of_the_kit is not None:
            return of_the_kit
        notebook = _inside(record_file, known.own_notebook)
    refuse_impossible_name(notebook, error=ReportError)
    if notebook.suffix != ".ipynb" or not notebook.is_file():
        raise ReportError(
            "There is no such notebook.", where=str(notebook), what_to_do="Name it with --notebook FILE (notebook=)."
        )
    found = _hash(notebook)
    if found in {_hash(find_report(name)) for name in report_names()}:
        return notebook
    said = _said(notebook, found, known)
    if not (trust(said) if callable(trust) else trust):
        raise ReportError(
            "The notebook is not one of the kit's, and a notebook can do all on this computer that you can do.",
            where=said,
            what_to_do="Read the notebook; where you trust all of it, add --trust (in Python trust=True).",
        )
    return notebook


def _of_the_kit(record_file: Path, known: Record) -> Path | None:
    named = known.report in report_names()
    if not known.own_notebook:
        if named:
            return find_report(known.report)
        raise ReportError(
            f"The record names a report that the kit does not have: {known.report!r}.",
            where=str(record_file),
            what_to_do="If the report was made with a notebook of yours, name it: --notebook FILE --trust "
            "(in Python notebook=, trust=True).",
        )
    if named and known.notebook.sha256 == _hash(find_report(known.report)):
        return find_report(known.report)
    return None


def _inside(record_file: Path, path: str) -> Path:
    """Give the path of a notebook that the record names, which may not lead out of the folder of the record."""
    folder = record_file.parent
    refuse_impossible_name(folder / path, error=ReportError)
    as_named = PureWindowsPath(path)  # knows both slashes, and drives
    leads_out = bool(as_named.anchor) or ".." in as_named.parts
    if leads_out or not (folder / path).resolve().is_relative_to(folder.resolve()):
        raise ReportError(
            f"The record names a notebook outside its own folder: {path!r}. It is not run, as the record may come from "
            "anywhere.",
            where=str(record_file),
            what_to_do="If you trust that notebook, name it yourself: --notebook FILE --trust "
            "(in Python notebook=, trust=True).",
        )
    return folder / path


def _said(notebook: Path, found: str, known: Record) -> str:
    then = known.notebook.sha256
    words = f"{notebook}, SHA-256 {found}; the record says {'the same' if then == found else then}"
    if notebook.stem in report_names():
        words += f"; the kit's own notebook of that name has {_hash(find_report(notebook.stem))}"
    return words


def _hash(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()

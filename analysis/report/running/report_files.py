"""The files of a report: their names, which form is written where, and what must not be replaced."""

from __future__ import annotations

import os
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Literal, get_args

from analysis.cohort.files.paths import refuse_impossible_name
from analysis.errors import ReportError
from analysis.report.running.notebooks import read_notebook

Format = Literal["html", "pdf", "docx", "pptx", "handout", "csv"]
#: How the names of the forms end that are written where they are asked for.
_ENDINGS = {"pdf": ".pdf", "docx": ".docx", "pptx": ".pptx", "handout": ".handout.pdf", "csv": ".tables"}


@dataclass(frozen=True)
class ReportFiles:
    """Where a report was written.

    Parameters
    ----------
    html : Path
        The page.
    notebook : Path
        The executed notebook.
    record : Path
        What the report was made from, as JSON.
    pdf, word, slides, handout : Path or None
        The other forms, where they were asked for.
    tables : Path or None
        Folder of the numbers as CSV, where it or a PDF was asked for.
    new_signals : tuple of str
        Indicators with a signal that the last release did not have; of a quarter's outcomes only.
    """

    html: Path
    notebook: Path
    record: Path
    pdf: Path | None = None
    word: Path | None = None
    slides: Path | None = None
    handout: Path | None = None
    tables: Path | None = None
    new_signals: tuple[str, ...] = ()

    def paths(self) -> list[Path]:
        """Return every file, in the order in which they are written."""
        more = (self.pdf, self.word, self.slides, self.handout, self.tables)
        return [one for one in (self.record, self.notebook, *more, self.html) if one]


def files_of_report(destination: Path, name: str, formats: Sequence[Format]) -> ReportFiles:
    """Name the files of a report in these forms; a form that there is not is refused."""
    unknown = [one for one in formats if one not in get_args(Format)]
    if unknown or not formats:
        raise ReportError(
            f"There is no format {unknown[0]!r}." if unknown else "No format was named.",
            where="formats of the report",
            what_to_do=f"Use some of: {', '.join(get_args(Format))}.",
        )
    always = (destination / f"{name}{ending}" for ending in (".html", ".ipynb", ".json"))
    asked = {*formats, *(["csv"] if "pdf" in formats else [])}  # a PDF holds the numbers of its figures as such files
    more = (destination / f"{name}{ending}" if form in asked else None for form, ending in _ENDINGS.items())
    html, notebook, record = always
    pdf, word, slides, handout, tables = more
    return ReportFiles(html, notebook, record, pdf, word, slides, handout, tables)


def every_file(destination: Path, name: str) -> list[Path]:
    """Give every file that a report of that name may have, a failed notebook among them."""
    endings = (".json", ".ipynb", *_ENDINGS.values(), ".html", ".failed.ipynb")
    return [destination / f"{name}{ending}" for ending in endings]


def names_in(working: Path, last: str) -> list[str]:
    """Give the files that were written, by their names from there, the page last."""
    names = sorted(path.relative_to(working).as_posix() for path in working.rglob("*") if path.is_file())
    return [*(name for name in names if name != last), last]


def failed_before(destination: Path, name: str) -> list[str]:
    """Give the notebook that an earlier run left where it failed; one that no run made is not ours."""
    left = destination / f"{name}.failed.ipynb"
    with suppress(OSError, ReportError):
        if "made" in read_notebook(left).metadata.get("kneecurve", {}):
            return [left.name]
    return []


def refuse_to_replace_itself(source: Path, files: Sequence[Path]) -> None:
    """Refuse to write a report over the notebook that it is made from."""
    if source.resolve() in {path.resolve() for path in files}:
        raise ReportError(
            "The report would take the place of the notebook that it is made from.",
            where=str(source),
            what_to_do="Choose another folder for the report.",
        )


def refuse_the_cohort_folder(folder: Path, destination: Path) -> None:
    """Refuse to write among the data: the files of a cohort folder are the inputs that a record names."""
    refuse_impossible_name(destination, error=ReportError)
    inside, cohort = Path(os.path.realpath(destination)), Path(os.path.realpath(folder))
    if inside == cohort or cohort in inside.parents:
        raise ReportError(
            "The report would be written into the cohort folder.",
            where=str(destination),
            what_to_do="Choose a folder beside the cohort folder.",
        )


def refuse_to_replace(files: Sequence[Path], *, overwrite: bool) -> None:
    """Refuse to replace an earlier report that nobody said may be replaced."""
    there = [path for path in reversed(files) if path.exists()]
    if there and not overwrite:
        raise ReportError(
            "There is a report of that name already.",
            where=", ".join(str(path) for path in there),
            what_to_do="Add --overwrite (in Python overwrite=True), or choose another folder.",
        )

"""Folders of the capstones: the unseen cohort with its template, the template for own data, and a report that is marked."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from analysis.cohort import Cohort, load_cohort, write_cohort
from analysis.cohort.files.paths import refuse_impossible_name
from analysis.errors import ReportError
from analysis.lessons.capstone.claims import FILE_NAME as CLAIMS
from analysis.lessons.capstone.claims import read_claims
from analysis.lessons.capstone.marking import mark_claims
from analysis.lessons.capstone.marks import Mark
from analysis.lessons.capstone.report import FILE_NAME as RECORD
from analysis.lessons.capstone.report import read_seed, write_record
from analysis.lessons.capstone.self_check import self_check_page
from analysis.lessons.capstone.study import study_page
from analysis.lessons.capstone.unseen import unseen_cohort
from analysis.lessons.source import Version, lesson_notebook
from analysis.report.running.notebooks import notebook_folder
from analysis.report.running.placing import working_folder
from analysis.writing.swaps import swap

COHORT = "cohort"


def capstone_source(name: str = "capstone") -> Path:
    """Return the source of the template: capstone, or capstone_own_data.

    Examples
    --------
    >>> capstone_source().name
    'capstone.md'
    """
    return notebook_folder() / "lessons" / f"{name}.md"


def write_capstone(
    to: Path | str, seed: int, *, version: Version = "learner", overwrite: bool = False
) -> list[Path]:  # fmt: skip
    """Write a capstone: an unseen cohort, the page of its study, and the template of the report.

    Parameters
    ----------
    to : Path or str
        Folder that is written; made where it is not there. Claims made in it are left alone.
    seed : int
        Seed of the cohort; its truth is made from it again when the report is marked, and stands in no file.
    version : {"learner", "instructor"}
        The learner's template, or the instructor's with an honest report.
    overwrite : bool
        Whether an earlier capstone is replaced, with what was written in its notebook.

    Returns
    -------
    list of Path
        The notebook, the page of the study, the cohort folder.

    Raises
    ------
    ReportError
        The seed is not valid, a capstone is there already, or the folder cannot be written.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> with TemporaryDirectory() as folder:
    ...     [path.name for path in write_capstone(folder, 7)]
    ['capstone.ipynb', 'study.md', 'cohort']
    """
    made = unseen_cohort(seed)
    notebook = _notebook("capstone", version)
    texts = {**notebook, "study.md": study_page(made.allocation, seed)}
    return _write(Path(to), texts, seed, made.observed, overwrite=overwrite)


def write_own_data(to: Path | str, *, version: Version = "learner", overwrite: bool = False) -> list[Path]:
    """Write the capstone for own data: the same template without a cohort, and a self-check list.

    Parameters
    ----------
    to : Path or str
        Folder that is written; made where it is not there. Claims made in it are left alone.
    version : {"learner", "instructor"}
        The learner's template, or the instructor's with teaching notes.
    overwrite : bool
        Whether an earlier capstone is replaced, with what was written in its notebook.

    Returns
    -------
    list of Path
        The notebook, and the list.

    Raises
    ------
    ReportError
        A capstone is there already, or the folder cannot be written.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> with TemporaryDirectory() as folder:
    ...     [path.name for path in write_own_data(folder)]
    ['capstone_own_data.ipynb', 'self_check.md']
    """
    texts = {**_notebook("capstone_own_data", version), "self_check.md": self_check_page()}
    return _write(Path(to), texts, None, None, overwrite=overwrite)


def mark_folder(folder: Path | str) -> tuple[int, list[Mark]]:
    """Mark the report in the folder of a capstone.

    Parameters
    ----------
    folder : Path or str
        Folder of the capstone.

    Returns
    -------
    tuple of int and list of Mark
        The seed of its cohort, and the marks.

    Raises
    ------
    ReportError
        The folder is none of a capstone or is one of own data, nothing is claimed yet, the cohort was changed, or the claims
        are of another version, of another cohort, or impossible.
    CohortError
        The cohort cannot be read.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> from analysis.lessons.capstone.report import start_report
    >>> with TemporaryDirectory() as folder:
    ...     written = write_capstone(folder, 7)
    ...     noted = start_report(load_cohort(written[-1]), folder).claim(allocation="not by lot")
    ...     {mark.grade for mark in mark_folder(folder)[1]} == {"missed", "right"}
    True
    """
    place = Path(folder)
    refuse_impossible_name(place, error=ReportError)
    seed = read_seed(place)
    if seed is None:
        raise ReportError(
            "Nobody knows the truth of your own data, so this report cannot be marked.",
            where=str(place),
            what_to_do="Go through self_check.md with somebody who did not write the report.",
        )
    if not (place / CLAIMS).exists():
        raise ReportError(
            "Nothing is claimed yet.",
            where=str(place / CLAIMS),
            what_to_do="Open capstone.ipynb, put your answers in place of the three dots, and run its cells.",
        )
    made = unseen_cohort(seed)
    _refuse_changed(load_cohort(place / COHORT), made.observed, place)
    return seed, mark_claims(read_claims(place, made.observed.protocols, seed), made)


def _refuse_changed(there: Cohort, made: Cohort, place: Path) -> None:
    """Refuse a cohort that is not the one of the seed: its marks would be those of other data."""
    for name, frame in made.tables():
        found = getattr(there, name)
        if found is None or not found.equals(frame):
            raise ReportError(
                f"The table {name} is not the one of this capstone: it was changed, or the seed was.",
                where=str(place / COHORT),
                what_to_do="Write the capstone again with its seed to another folder, and copy claims.json there. Mend data in the "
                "notebook, never in the files.",
            )


def _notebook(name: str, version: Version) -> dict[str, str]:
    import nbformat

    ending = "" if version == "learner" else "_instructor"
    text = nbformat.writes(lesson_notebook(capstone_source(name), version))  # type: ignore[no-untyped-call]
    return {f"{name}{ending}.ipynb": f"{text}\n"}


def _write(
    folder: Path, texts: Mapping[str, str], seed: int | None, cohort: Cohort | None, *, overwrite: bool
) -> list[Path]:  # fmt: skip
    refuse_impossible_name(folder, error=ReportError)
    names = [*texts, *([] if cohort is None else [COHORT])]
    there = [str(folder / name) for name in (*names, RECORD) if (folder / name).exists()]
    if there and not overwrite:
        raise ReportError(
            "A capstone is there already; writing it again would undo your report.",
            where=", ".join(there),
            what_to_do="Add --overwrite (in Python overwrite=True), or choose another folder.",
        )
    with working_folder(folder, "The capstone") as working:
        for name, text in texts.items():
            (working / name).write_text(text, encoding="utf-8")
        write_record(working, seed)
        if cohort is not None:
            write_cohort(cohort, working / COHORT)
            swap(working / COHORT, folder / COHORT)
        for name in (*texts, RECORD):
            (working / name).replace(folder / name)
    return [folder / name for name in names]

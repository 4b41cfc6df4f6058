"""A plan and the document that is signed are written together: both are whole before either takes its place."""

from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import Literal, get_args

from analysis.cohort.files.paths import refuse_no_file
from analysis.errors import ReportError, check_choice
from analysis.report.planned.document import plan_to_markdown, plan_to_word
from analysis.report.planned.plan import AnalysisPlan
from analysis.writing.owners import new_token

#: Forms of the readable document.
DocumentForm = Literal["md", "docx"]


def write_plan(
    plan: AnalysisPlan, path: Path | str, *, document: DocumentForm = "md", overwrite: bool = False
) -> tuple[Path, Path]:
    """Write a plan, and the document that is signed beside it.

    Parameters
    ----------
    plan : AnalysisPlan
        The plan.
    path : Path or str
        Its file, ``*.toml``; the document has the same name and another ending.
    document : {"md", "docx"}
        Form of the document: Markdown or Word.
    overwrite : bool
        Whether files of these names are replaced.

    Returns
    -------
    tuple of Path
        The plan and its document.

    Raises
    ------
    ReportError
        The name does not end with .toml, or a file is there.
    CohortError
        No file can have the name.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> from analysis.report import plan_analysis, read_plan
    >>> from synthetic_cohort import generate_cohort
    >>> plan = plan_analysis(generate_cohort(patients=90, seed=3).observed)
    >>> with TemporaryDirectory() as name:
    ...     file, document = write_plan(plan, f"{name}/plan.toml")
    ...     (document.name, read_plan(file) == plan)
    ('plan.md', True)
    """
    target, beside = places_of_plan(path, document=document, overwrite=overwrite)
    words = plan_to_word(plan) if document == "docx" else plan_to_markdown(plan).encode()
    target.parent.mkdir(parents=True, exist_ok=True)
    _write_all({beside: words, target: plan.to_toml().encode()})
    return target, beside


def places_of_plan(path: Path | str, *, document: DocumentForm = "md", overwrite: bool = False) -> tuple[Path, Path]:
    """Give the files of a plan and its document, as :func:`write_plan` takes them, and refuse what it refuses."""
    check_choice(document, get_args(DocumentForm), "form of the document", error=ReportError)
    target = Path(path)
    refuse_no_file(target)
    if target.suffix != ".toml":
        raise ReportError("A plan is a TOML file.", where=str(target), what_to_do="Name it with the ending .toml.")
    beside = target.with_suffix(f".{document}")
    refuse_no_file(beside)
    there = [str(one) for one in (target, beside) if one.exists()]
    if there and not overwrite:
        raise ReportError(
            "There is a file of that name already.",
            where=", ".join(there),
            what_to_do="Add --overwrite (in Python overwrite=True), or choose another name.",
        )
    return target, beside


def _write_all(contents: Mapping[Path, bytes]) -> None:
    """Write files aside, and move them to their places when all are there."""
    aside = {path: path.with_name(f".{path.name[:100]}.part-{new_token()}") for path in contents}
    try:
        for path, content in contents.items():
            aside[path].write_bytes(content)
        for path, part in aside.items():
            part.replace(path)
    finally:
        for part in aside.values():
            with suppress(OSError):
                part.unlink(missing_ok=True)

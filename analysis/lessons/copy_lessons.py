"""A working folder with the lessons."""

from pathlib import Path

from analysis.cohort.files.paths import refuse_impossible_name
from analysis.errors import ReportError
from analysis.lessons.glossary import glossary_page
from analysis.lessons.source import Version, course_sources, lesson_notebook, notebook_name
from analysis.report.running.placing import working_folder


def copy_lessons(to: Path | str, *, version: Version = "learner", overwrite: bool = False) -> list[Path]:
    """Write the notebooks of the course and the glossary to a folder to work in.

    Parameters
    ----------
    to : Path or str
        Folder that is written; made where it is not there. Other files in it, the progress too, are left alone.
    version : {"learner", "instructor"}
        The learner's notebooks, or the instructor's with solutions and teaching notes.
    overwrite : bool
        Whether lessons written earlier are replaced, with what was answered in them.

    Returns
    -------
    list of Path
        The start page, the lessons and the quiz in reading order, then the glossary.

    Raises
    ------
    ReportError
        A lesson is there already and ``overwrite`` is not set, the other version is there, or the folder cannot be written.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> with TemporaryDirectory() as folder:
    ...     copy_lessons(folder)[-1].name
    'glossary.html'
    """
    import nbformat

    folder = Path(to)
    refuse_impossible_name(folder, error=ReportError)
    sources = course_sources()
    texts = {
        notebook_name(name, version): nbformat.writes(lesson_notebook(source, version)) + "\n"  # type: ignore[no-untyped-call]
        for name, source in sources.items()
    }
    texts["glossary.html"] = glossary_page()
    other: Version = "instructor" if version == "learner" else "learner"
    if any((folder / notebook_name(name, other)).exists() for name in sources):
        raise ReportError(
            f"The {other}'s lessons are in this folder. Beside each other one would be taken for the other.",
            where=str(folder),
            what_to_do="Choose another folder.",
        )
    there = [str(folder / name) for name in texts if name.endswith(".ipynb") and (folder / name).exists()]
    if there and not overwrite:
        raise ReportError(
            "The lessons are there already; writing them again would undo your answers.",
            where=", ".join(there[:3]) + (f" and {len(there) - 3} more" if len(there) > 3 else ""),
            what_to_do="Add --overwrite (in Python overwrite=True), or choose another folder.",
        )
    with working_folder(folder, "The lessons") as working:
        for name, text in texts.items():
            (working / name).write_text(text, encoding="utf-8")
        for name in texts:
            (working / name).replace(folder / name)
    return [folder / name for name in texts]

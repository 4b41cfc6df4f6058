"""One source a lesson, a Markdown file; the learner's and the instructor's notebook are derived from it by tags.

A source is read in the order of its lines. Text is a cell of text; a line ``---`` starts a new one. A fence that opens
with three backticks and ``python`` is a cell of code; further words on that line are its tags. Text between the lines
``<!-- teaching-note -->`` and ``<!-- end -->`` is a teaching note.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal, get_args

from analysis.errors import ReportError, check_choice
from analysis.report.running.notebooks import notebook_folder

if TYPE_CHECKING:
    from nbformat import NotebookNode

Version = Literal["learner", "instructor"]

TAGS = ("parameters", "start", "exercise", "solution", "teaching-note")
#: What each version leaves out.
LEFT_OUT: dict[Version, tuple[str, ...]] = {"learner": ("solution", "teaching-note"), "instructor": ("exercise",)}

#: Names of the notebooks before and after the lessons.
START_PAGE, QUIZ = "00_start", "quiz"

_OPEN = re.compile(r"^```python\s*(.*)$")
_HEADING = re.compile(r"# Lesson (\d+)\. (.+)")
_ASKED = re.compile(r'\blesson\.(?:check|guess|choose)\("(\w+)"')
_LINK = re.compile(r"\]\((\w+)\.ipynb")
_NOTE = "<!-- teaching-note -->"
_END = "<!-- end -->"


@dataclass(frozen=True)
class Cell:
    """One cell of a source.

    Parameters
    ----------
    kind : {"markdown", "code"}
        Text or code.
    text : str
        What is in it.
    tags : tuple of str
        Of :data:`TAGS`.
    """

    kind: Literal["markdown", "code"]
    text: str
    tags: tuple[str, ...] = ()


def lesson_sources() -> list[Path]:
    """Return the sources of the lessons, in reading order.

    Returns
    -------
    list of Path
        Markdown files whose names begin with the number of the lesson.

    Examples
    --------
    >>> lesson_sources()[0].name[:2]
    '1_'
    """
    return sorted((notebook_folder() / "lessons").glob("[0-9]_*.md"))


def course_sources() -> dict[str, Path]:
    """Return all sources of the course by the name of their notebook, in reading order: start page, lessons, quiz.

    Examples
    --------
    >>> list(course_sources())[0]
    '00_start'
    """
    folder = notebook_folder() / "lessons"
    lessons = {path.stem: path for path in lesson_sources()}
    return {START_PAGE: folder / "start.md", **lessons, QUIZ: folder / "quiz.md"}


def notebook_name(name: str, version: Version = "learner") -> str:
    """Return the name of a notebook file, which says whose it is.

    Examples
    --------
    >>> notebook_name("00_start", "instructor")
    '00_start_instructor.ipynb'
    """
    return f"{name}{'' if version == 'learner' else '_instructor'}.ipynb"


@dataclass(frozen=True)
class Outline:
    """What a source says of its lesson.

    Parameters
    ----------
    number : int
        Number of the lesson.
    title : str
        Its title.
    exercises : tuple of str
        Names of the exercises, in the order in which they are asked.
    """

    number: int
    title: str
    exercises: tuple[str, ...]


def lesson_outlines() -> list[Outline]:
    """Read number, title and exercises of every lesson from its source.

    Examples
    --------
    >>> first = lesson_outlines()[0]
    >>> first.number, first.title
    (1, 'What did we measure, and how well?')
    """
    found = []
    for path in lesson_sources():
        text = path.read_text(encoding="utf-8")
        heading = _HEADING.match(text)
        if heading is None:
            raise ReportError(
                "The lesson has no title.", where=path.name, what_to_do="Begin it with '# Lesson 1. Its title'."
            )
        found.append(Outline(int(heading[1]), heading[2].strip(), tuple(dict.fromkeys(_ASKED.findall(text)))))
    return found


def read_cells(text: str, where: str = "a lesson") -> list[Cell]:
    r"""Cut a source into cells.

    Parameters
    ----------
    text : str
        The source.
    where : str
        Name of the file, for messages.

    Returns
    -------
    list of Cell
        In their order; empty cells are left out.

    Raises
    ------
    ReportError
        A tag is not known, or a cell of code or a note is not closed.

    Examples
    --------
    >>> [cell.kind for cell in read_cells("# One\n```python exercise\nanswer = ...\n```\nMore")]
    ['markdown', 'code', 'markdown']
    """
    cells: list[Cell] = []
    held: list[str] = []
    tags: tuple[str, ...] = ()
    inside: Literal["text", "code", "note"] = "text"
    for number, line in enumerate(text.splitlines(), start=1):
        opened = _OPEN.match(line)
        closes = (inside == "code" and line.strip() == "```") or (inside == "note" and line.strip() == _END)
        opens = inside == "text" and (opened is not None or line.strip() in (_NOTE, "---"))
        if not (closes or opens):
            held.append(line)
            continue
        _keep(cells, "code" if inside == "code" else "markdown", held, tags)
        held, tags, inside = [], (), "text"
        if opens and opened is not None:
            tags, inside = tuple(opened[1].split()), "code"
            for tag in tags:
                check_choice(tag, TAGS, "tag", error=ReportError, where=f"{where}, line {number}")
        elif opens and line.strip() == _NOTE:
            tags, inside = ("teaching-note",), "note"
    if inside != "text":
        raise ReportError(
            f"The last {'cell of code' if inside == 'code' else 'teaching note'} is not closed.",
            where=where,
            what_to_do="Close it with three backticks." if inside == "code" else f"Close it with a line {_END}.",
        )
    _keep(cells, "markdown", held, tags)
    return cells


def lesson_notebook(source: Path, version: Version = "learner") -> NotebookNode:
    """Derive a notebook from the source of a lesson.

    Parameters
    ----------
    source : Path
        The Markdown file.
    version : {"learner", "instructor"}
        The learner's has no answers and no teaching notes; the instructor's has both, and no unanswered exercise.

    Returns
    -------
    NotebookNode
        Without outputs; the same bytes every time.

    Raises
    ------
    ReportError
        The version is not known, or the source cannot be read as a lesson.

    Examples
    --------
    >>> notebook = lesson_notebook(lesson_sources()[0])
    >>> any("solution" in cell.metadata.get("tags", []) for cell in notebook.cells)
    False
    """
    from nbformat import v4

    if version not in get_args(Version):
        raise ReportError(
            f"There is no version {version!r}.", where="lesson_notebook", what_to_do="Use learner or instructor."
        )
    cells = []
    for number, cell in enumerate(read_cells(source.read_text(encoding="utf-8"), source.name), start=1):
        if any(tag in LEFT_OUT[version] for tag in cell.tags):
            continue
        text = cell.text
        if "teaching-note" in cell.tags:
            text = f"> **For the instructor.** {text}".replace("\n", "\n> ")
        make = v4.new_code_cell if cell.kind == "code" else v4.new_markdown_cell
        if version == "instructor" and "start" in cell.tags:
            text = text.replace("seed=seed)", 'seed=seed, whose="instructor")')
            text = text.replace("start_course()", 'start_course(whose="instructor")')
        if cell.kind == "markdown":
            text = _LINK.sub(lambda link: f"]({notebook_name(link[1], version)}", text)
        made = make(text, metadata={"tags": list(cell.tags)} if cell.tags else {})  # type: ignore[no-untyped-call]
        made["id"] = f"cell-{number:02d}"
        cells.append(made)
    kernel = {"name": "python3", "display_name": "Python 3", "language": "python"}
    return v4.new_notebook(cells=cells, metadata={"kernelspec": kernel})  # type: ignore[no-untyped-call]


def _keep(cells: list[Cell], kind: Literal["markdown", "code"], lines: list[str], tags: tuple[str, ...]) -> None:
    text = "\n".join(lines).strip("\n")
    if text.strip():
        cells.append(Cell(kind, text.strip() if kind == "markdown" else text, tags))

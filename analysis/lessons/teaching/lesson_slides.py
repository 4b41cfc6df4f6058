"""Two figures of each lesson as slides, for an instructor who shows them."""

import re
import textwrap
from collections.abc import Callable
from pathlib import Path
from typing import Any

from analysis.cohort.files.paths import refuse_impossible_name
from analysis.errors import ReportError
from analysis.lessons.course.lesson_list import start_lesson
from analysis.lessons.source import lesson_outlines, lesson_sources
from analysis.progress import steps
from analysis.report.forms.office.blocks import Node, heading, image, notes, paragraph
from analysis.report.forms.office.pandoc import Pictures, write_office
from analysis.report.forms.office.reference_styles import LONGEST_TITLE
from analysis.report.parts.figures import Figure

_SEED = re.compile(r"^seed = (\d+)", re.MULTILINE)
#: The two figures of each lesson; of a slider all its steps in one picture.
FIGURES: dict[int, tuple[Callable[[Any], Figure], Callable[[Any], Figure]]] = {
    1: (lambda one: one.symmetry_figure(), lambda one: one.two_tests_figure()),
    2: (lambda one: one.spaghetti_figure(), lambda one: one.partial_pooling_slider().still),
    3: (lambda one: one.shapes_figure(), lambda one: one.future_figure()),
    4: (lambda one: one.mean_figure(), lambda one: one.difference_figure()),
    5: (lambda one: one.threshold_slider().still, lambda one: one.change_figure()),
    6: (lambda one: one.mechanism_slider().still, lambda one: one.tipping_figure()),
    7: (lambda one: one.thirds_figure(), lambda one: one.following_slider().still),
    8: (lambda one: one.limits_figure(), lambda one: one.funnel_figure()),
}
_TITLE = "Figures of the lessons"
_CAUTION = (
    "All patients are invented. What the figures show is no finding about any treatment; how to treat a patient is for "
    "the treating clinician."
)


def lesson_slides(file: Path | str, *, overwrite: bool = False) -> Path:
    """Write a PowerPoint file with two figures of each lesson, of the patients that the learners have.

    Parameters
    ----------
    file : Path or str
        The file, which ends with ``.pptx``.
    overwrite : bool
        Whether a file that is there is replaced.

    Returns
    -------
    Path
        The file: a title, then two slides a lesson; what each figure shows stands in the notes.

    Raises
    ------
    ReportError
        The name has another ending, the file is there and ``overwrite`` is not set, or it cannot be written.

    Examples
    --------
    >>> lesson_slides("slides.pdf")
    Traceback (most recent call last):
    analysis.errors.ReportError: ...
    """
    path = Path(file)
    refuse_impossible_name(path, error=ReportError)
    if path.suffix.lower() != ".pptx":
        raise ReportError(
            "Slides are written as PowerPoint.", where=str(path), what_to_do="Give a name that ends with .pptx."
        )
    if path.exists() and not overwrite:
        raise ReportError(
            "The file is there already.", where=str(path), what_to_do="Add --overwrite, or choose another name."
        )
    pictures = Pictures()
    slides = [heading(1, _TITLE), paragraph(_CAUTION)]
    with steps("Slides of the lessons") as step:
        for outline, source in zip(lesson_outlines(), lesson_sources(), strict=True):
            step(f"lesson {outline.number}")
            lesson = start_lesson(outline.number, seed=_seed(source), folder=path.parent, whose="instructor")
            for make in FIGURES[outline.number]:
                slides += _slide(outline.number, make(lesson), pictures)
    made = write_office(slides, pictures, "pptx", title=_TITLE)
    try:
        path.write_bytes(made)
    except OSError as error:
        raise ReportError(
            f"The slides cannot be written: {error.strerror or error}.",
            where=str(path),
            what_to_do="Choose a folder that is there, and that you may write to.",
        ) from error
    return path


def _seed(source: Path) -> int:
    found = _SEED.search(source.read_text(encoding="utf-8"))
    return int(found[1]) if found else 1


def _slide(number: int, figure: Figure, pictures: Pictures) -> list[Node]:
    title = textwrap.shorten(f"Lesson {number}. {figure.title}", LONGEST_TITLE, placeholder=" …")
    # pandoc reads the title of a picture out, and shows its alternative text under it
    picture = image(pictures.add(figure.png("slide")), title=figure.alt)
    said = f"{figure.alt} {figure.caption}".strip()
    return [heading(1, title), {"t": "Para", "c": [picture]}, notes(said)]

"""The lessons and their capstones are written to a folder, a class is summed up, a capstone's report is marked: ``lessons``, ``mark``."""

import sys
from pathlib import Path
from typing import Annotated

import typer

from analysis.errors import KneecurveError
from analysis.printing import foreign, foreign_lines, out


def lessons(
    folder: Annotated[
        Path | None,
        typer.Option(
            "--to",
            help="Working folder that is written; kneecurve_lessons, or capstone_SEED or capstone_own_data.",
            show_default=False,
        ),
    ] = None,
    instructor: Annotated[
        bool, typer.Option("--instructor", help="The instructor's notebooks, with solutions and teaching notes.")
    ] = False,
    capstone: Annotated[
        int | None,
        typer.Option(
            "--capstone",
            min=0,
            help="Seed: write an unseen cohort and the template of a report, in place of the lessons.",
            show_default=False,
        ),
    ] = None,
    own_data: Annotated[
        bool,
        typer.Option("--own-data", help="Write the template of a report on your own data, with a self-check list."),
    ] = False,
    overwrite: Annotated[bool, typer.Option("--overwrite", help="Replace lessons written earlier.")] = False,
    summary: Annotated[
        Path | None,
        typer.Option(
            "--summary",
            help="Folder with the progress.json of each learner in a sub-folder, or as NAME.json: tell what the class did.",
            show_default=False,
        ),
    ] = None,
    slides: Annotated[
        Path | None,
        typer.Option("--slides", help="PowerPoint file to write two figures of each lesson to.", show_default=False),
    ] = None,
) -> None:
    """Copy the lessons in recovery-curve analysis, or a capstone, to a folder to work in, and say how to open them."""
    from analysis.lessons import class_summary, copy_lessons, lesson_slides
    from analysis.lessons.capstone import write_capstone, write_own_data

    if summary is not None:
        out.print(foreign_lines(class_summary(summary)))
    if slides is not None:
        out.print(f"Written: {foreign(lesson_slides(slides, overwrite=overwrite))}")
    if summary is not None or slides is not None:
        return
    if capstone is not None and own_data:
        raise KneecurveError(
            "A capstone has an unseen cohort or your own data, not both.",
            where="kneecurve lessons --capstone --own-data",
            what_to_do="Leave one of them out.",
        )
    version = "instructor" if instructor else "learner"
    if capstone is not None:
        target = folder or Path(f"capstone_{capstone}")
        written = write_capstone(target, capstone, version=version, overwrite=overwrite)  # type: ignore[arg-type]
    elif own_data:
        target = folder or Path("capstone_own_data")
        written = write_own_data(target, version=version, overwrite=overwrite)  # type: ignore[arg-type]
    else:
        target = folder or Path("kneecurve_lessons")
        written = copy_lessons(target, version=version, overwrite=overwrite)  # type: ignore[arg-type]
    for path in written:
        out.print(f"  {foreign(path)}")
    out.print(f"Open them with: {foreign(Path(sys.executable).with_name('jupyter').name)} lab {foreign(target)}")
    out.print(f"Begin with {foreign(written[0].name)}: click a grey cell and press Shift and Enter together.")
    if capstone is not None:
        out.print(f"When all claims are made: kneecurve mark {foreign(target)}")


def mark(
    folder: Annotated[Path, typer.Argument(help="Folder of a capstone, written by kneecurve lessons --capstone SEED.")],
) -> None:
    """Set each claim of a capstone's report beside the truth, and say why: right, right but too strong, wrong, missed."""
    from analysis.lessons.capstone.folder import mark_folder
    from analysis.lessons.capstone.page import SIGNS, summary_of, write_marks

    seed, marks = mark_folder(folder)
    for one in marks:
        out.print(foreign_lines(f"{SIGNS[one.grade]} {one.grade:<20}  {one.claim}: {one.said}"))
        out.print(foreign_lines(f"    {one.why}"))
    out.print(foreign_lines(summary_of(marks)))
    out.print(f"The same as a page: {foreign(write_marks(marks, folder, seed))}")

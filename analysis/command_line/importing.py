"""A file becomes a cohort folder: ``import``, with its questions at a terminal, and ``map-reference``."""

import shlex
from pathlib import Path
from typing import Annotated

import typer

from analysis.errors import KneecurveError
from analysis.printing import ask, foreign, foreign_lines, on_terminal, out


def import_file(
    file: Annotated[
        Path,
        typer.Argument(help="A file (CSV, Parquet, Excel, SPSS, Stata, SAS), or a folder of files that the map names."),
    ],
    map_file: Annotated[
        Path | None, typer.Option("--map", help="TOML file that says which column is what.", show_default=False)
    ] = None,
    folder: Annotated[
        Path | None, typer.Option("--out", help="Cohort folder that is written.", show_default=False)
    ] = None,
    file_format: Annotated[str, typer.Option("--format", help="csv or parquet.")] = "csv",
    overwrite: Annotated[bool, typer.Option("--overwrite", help="Replace a cohort in that folder.")] = False,
    suggest: Annotated[
        bool, typer.Option("--suggest-map", help="Write a first map (to --map, or beside you) and import nothing.")
    ] = False,
    as_of: Annotated[
        str | None,
        typer.Option(
            "--as-of",
            help="Day up to which the data were collected, e.g. 2026-03-31; else the last day seen.",
            show_default=False,
        ),
    ] = None,
    schedule_file: Annotated[
        Path | None,
        typer.Option("--schedule-report", help="CSV of what the visit windows did.", show_default=False),
    ] = None,
) -> None:
    """Turn a file into a cohort folder; nothing is written where the check finds errors."""
    from analysis.cohort import FailedCheckError, import_cohort, suggest_map, write_cohort

    if suggest:
        target = map_file or Path(f"{file.stem}_map.toml")
        questions = suggest_map(file, target)
        if on_terminal():
            from analysis.cohort.suggesting.ask import ask_level

            ask_level(target, ask)
        out.print(f"A first map was written to {foreign(target)}; lines that say 'not sure': {questions}.")
        out.print(
            "Go through it; its first lines say what comes next, for one file: "
            f"kneecurve import {foreign(file)} --map {foreign(target)} --out FOLDER"
        )
        return
    if map_file is None and on_terminal():
        folder = folder or Path(f"{file.stem}_cohort")
        if folder.exists() and not overwrite:
            raise KneecurveError(
                "There is a folder of that name already.",
                where=str(folder),
                what_to_do="Choose another one with --out, or add --overwrite to replace it.",
            )
        map_file = Path(f"{file.stem}_map.toml")
        if not _is_answered(file, map_file):
            raise typer.Exit(1)
    if map_file is None or folder is None:
        raise KneecurveError(
            f"{'--map' if map_file is None else '--out'} is missing"
            + (", and there is no terminal to ask at." if map_file is None else "."),
            where="kneecurve import",
            what_to_do="Give --map MAP.toml and --out FOLDER; --suggest-map writes a first map.",
        )
    if file_format not in ("csv", "parquet"):
        raise KneecurveError(
            f"There is no file format {file_format!r}.", where="--format", what_to_do="Use csv or parquet."
        )
    try:
        imported = import_cohort(file, map_file, as_of=as_of)
    except FailedCheckError as error:
        out.print(foreign_lines(error.report.to_text()))
        raise KneecurveError(error.what, where=str(file), what_to_do=error.what_to_do) from None
    cohort = imported.cohort
    if schedule_file is not None and (imported.schedule is None or schedule_file.exists()):
        raise KneecurveError(
            "The map has no visit windows to report on."
            if imported.schedule is None
            else "There is a file of that name already.",
            where=f"--schedule-report {schedule_file}",
            what_to_do="Add a section [schedule] to the map." if imported.schedule is None else "Choose another name.",
        )
    out.print(foreign_lines(imported.checked.to_text()))
    written = write_cohort(cohort, folder, file_format=file_format, overwrite=overwrite)  # type: ignore[arg-type]
    if imported.schedule is not None:
        out.print(foreign_lines(imported.schedule))
        if schedule_file is not None:
            out.print(f"Every value is in {foreign(imported.schedule.write(schedule_file))}")
    patients, values = len(cohort.patients), len(cohort.visits)
    out.print(
        f"{patients:,} patient{'' if patients == 1 else 's'} and {values:,} measured value{'' if values == 1 else 's'} "
        f"written to {foreign(written)}"
    )
    out.print(f"Next: kneecurve report protocol_comparison {foreign(shlex.quote(str(written)))} --out DIR")


def _is_answered(file: Path, map_file: Path) -> bool:
    """Ask what is open in the map of a file, and say whether it can be imported now."""
    from analysis.cohort.suggesting.ask import answer_map

    there = map_file.exists()
    out.print(f"{'The map' if there else 'A first map'} of {foreign(file)}; Ctrl-C ends the questions.")
    answered = answer_map(file, map_file, ask)
    if answered.stopped:
        kept = f"Answers so far are in {foreign(map_file)}" if map_file.exists() else "Nothing was written"
        out.print(f"\n{kept}; the same command goes on. Lines to answer: {answered.left}.")
    elif answered.is_part:
        out.print(f"Written to {foreign(map_file)}: a part of a map, of which its first lines say how to join it.")
    else:
        out.print(f"\nThe map: {foreign(map_file)}")
    return not answered.stopped and not answered.is_part


def print_map_reference() -> None:
    """Print every section and key of a map: what it takes, what holds without it, what it means, and an example."""
    from analysis.cohort import map_reference

    out.print(foreign_lines(map_reference()))

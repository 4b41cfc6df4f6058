"""The command line: each command calls the library once and says what it did and what to open next."""

import shlex
import sys
from pathlib import Path
from typing import Annotated

import typer

from analysis.errors import KneecurveError, ReportError
from analysis.printing import ask, err, foreign, foreign_lines, on_terminal, out, with_progress

app = typer.Typer(
    name="kneecurve",
    help="Recovery curves, responders and report notebooks for home knee-rehabilitation programmes. The kit describes "
    "groups of patients and recommends nothing for one patient.",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    add_completion=False,
)
DEMO_SCENARIO = "ligament reconstruction"


@app.command()
def demo(
    folder: Annotated[Path, typer.Option("--out", help="Folder that is written.")] = Path("kneecurve_demo"),
    patients: Annotated[int, typer.Option(min=12, max=20_000, help="Number of invented patients.")] = 240,
    seed: Annotated[int, typer.Option(min=0, help="Seed of the invented cohort.")] = 1,
    overwrite: Annotated[bool, typer.Option("--overwrite", help="Replace an earlier demo in that folder.")] = False,
) -> None:
    """Invent a cohort, check it, and write the protocol-comparison report about it."""
    from analysis.cohort import check_cohort, write_cohort
    from analysis.report import make_report
    from synthetic_cohort import generate_cohort

    cohort_folder, report_folder = folder / "cohort", folder / "report"
    there = [path for path in (cohort_folder, report_folder) if path.exists()]
    if there and not overwrite:
        raise ReportError(
            "The demo would overwrite what is already there.",
            where=", ".join(str(path) for path in there),
            what_to_do="Add --overwrite to replace it, or choose another folder with --out.",
        )
    for path in there:
        out.print(f"Overwriting {foreign(path)}")
    out.print(f"1/3 Generating {patients} invented patients, scenario {DEMO_SCENARIO!r}, seed {seed}")
    cohort = generate_cohort(DEMO_SCENARIO, patients=patients, seed=seed).observed
    out.print("2/3 Checking the cohort")
    checked = check_cohort(cohort)
    written = write_cohort(cohort, cohort_folder, overwrite=overwrite)
    out.print(f"    {checked.n_errors} errors, {checked.n_warnings} warnings; written to {foreign(written)}")
    out.print("3/3 Running the report notebook")
    files = with_progress(
        lambda told: make_report("protocol_comparison", written, report_folder, overwrite=overwrite, progress=told)
    )
    out.print(f"\nThe report: {foreign(files.html.resolve())}")
    out.print("Open it in a web browser. Next, your own data:")
    out.print("  kneecurve import FILE --map MAP.toml --out FOLDER")
    out.print("or work in notebooks:")
    out.print("  kneecurve notebooks --to DIR")


@app.command("import")
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
        imported = import_cohort(file, map_file)
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


@app.command("map-reference")
def print_map_reference() -> None:
    """Print every section and key of a map: what it takes, what holds without it, what it means, and an example."""
    from analysis.cohort import map_reference

    out.print(foreign_lines(map_reference()))


@app.command()
def measures() -> None:
    """List the known measures with their units, limbs and thresholds, and where these were found."""
    from analysis.cohort import load_catalogue

    out.print(foreign_lines(load_catalogue().to_text()))
    out.print(
        "MIC: a change that matters to patients. MDC: a change beyond the error of measurement; it says nothing of importance."
    )


@app.command()
def check(
    folder: Annotated[Path, typer.Argument(help="Cohort folder.")],
    export: Annotated[
        Path | None,
        typer.Option("--export", help="Folder for a CSV file of findings a site, to be answered.", show_default=False),
    ] = None,
) -> None:
    """Show every problem of a cohort in one table; exit code 1 where there are errors, 0 otherwise."""
    from analysis.cohort import check_folder

    checked = check_folder(folder)
    out.print(foreign_lines(checked.to_text()))
    if export is not None:
        from analysis.quality import export_findings

        for path in export_findings(folder, export):
            out.print(f"  {foreign(path)}")
    if not checked.passed:
        raise typer.Exit(1)


@app.command("deidentify")
def deidentify_source(
    source: Annotated[Path, typer.Argument(help="A cohort folder, a folder of tables, or one table; it is only read.")],
    folder: Annotated[Path | None, typer.Option("--out", help="Folder that is written.", show_default=False)] = None,
    review_file: Annotated[
        Path | None,
        typer.Option(
            "--review",
            help="Write a file with a block for each column, to decide on; asks column by column on a terminal.",
            show_default=False,
        ),
    ] = None,
    decisions: Annotated[
        Path | None, typer.Option(help="A review in which a person decided on the columns.", show_default=False)
    ] = None,
    level: Annotated[
        str, typer.Option(help="safe-harbor, or limited: quarters are kept, for quality work inside the organisation.")
    ] = "safe-harbor",
    patient: Annotated[
        str | None, typer.Option(help="Column with the patient, where it cannot be told.", show_default=False)
    ] = None,
    start: Annotated[
        str | None, typer.Option(help="Column with the date of surgery or start.", show_default=False)
    ] = None,
    keep: Annotated[
        list[str] | None,
        typer.Option(help="A column of numbers or of a few labels that you permit; repeatable.", show_default=False),
    ] = None,
    key_file: Annotated[
        Path | None,
        typer.Option(
            "--key",
            help="File with the secret key of the new identifiers, made where it is not there; "
            "without it they are random.",
            show_default=False,
        ),
    ] = None,
    date_format: Annotated[
        str | None, typer.Option(help='How dates are written, e.g. "%d/%m/%Y".', show_default=False)
    ] = None,
    delimiter: Annotated[str, typer.Option(help="Character between the cells of a CSV file.")] = ",",
    overwrite: Annotated[bool, typer.Option("--overwrite", help="Replace a cohort in that folder.")] = False,
) -> None:
    """Let pass what is known to be harmless or was permitted (Safe Harbor, 45 CFR 164.514(b)(2)); say what was done."""
    from analysis.cohort import ask_columns, deidentify, disclosure_risk, load_cohort, review_columns

    how = {
        "patient": patient,
        "start": start,
        "date_format": date_format,
        "delimiter": delimiter,
        "decisions": decisions,
    }
    if review_file is not None:
        if review_file.exists() and (decisions is None or not decisions.samefile(review_file)):
            raise KneecurveError(
                "There is a file of that name already.",
                where=f"--review {review_file}",
                what_to_do="Choose another name, or give it as --decisions too: what was decided is taken over.",
            )
        review = review_columns(source, level=level, **how)  # type: ignore[arg-type]
        if on_terminal():
            review = ask_columns(review, ask)
        review.write(review_file)
        out.print(f"Columns: {len(review.columns):,}; withheld until a person decides: {len(review.undecided):,}")
        out.print(
            f"Written to {foreign(review_file)}. Decide there; then: --decisions {foreign(review_file)} --out FOLDER"
        )
        return
    if folder is None:
        raise KneecurveError(
            "--out is missing.",
            where="kneecurve deidentify",
            what_to_do="Give --out FOLDER, or --review FILE to look at the columns first.",
        )
    done = deidentify(
        source, folder, level=level, keep=keep or [], key_file=key_file, overwrite=overwrite, **how  # type: ignore[arg-type]
    )  # fmt: skip
    out.print(foreign_lines(done.to_text()))
    out.print(f"Written to {foreign(folder)}")
    if (folder / "datapackage.json").exists():
        out.print(foreign_lines(disclosure_risk(load_cohort(folder))))
    else:
        out.print("Next, a map of the new tables: kneecurve import FILE --suggest-map")


@app.command()
def report(
    name: Annotated[str, typer.Argument(help="Name of a report notebook, for example protocol_comparison.")],
    folder: Annotated[Path, typer.Argument(help="Cohort folder.")],
    destination: Annotated[Path, typer.Option("--out", help="Folder the report is written to.")],
    parameters: Annotated[
        list[str] | None, typer.Option("--set", "-s", help="A parameter of the notebook, as name=value; repeatable.")
    ] = None,
    forms: Annotated[
        list[str] | None,
        typer.Option(
            "--format", "-f", help="Forms to write: html, pdf, docx, pptx, csv; with commas between, or repeated."
        ),
    ] = None,
    overwrite: Annotated[bool, typer.Option("--overwrite", help="Replace a report in that folder.")] = False,
) -> None:
    """Run a report notebook once on a cohort folder; write an HTML file that stands alone, and other forms."""
    from analysis.report import make_report
    from analysis.report.running.parameters import parameter_of_text

    given = dict(parameter_of_text(text) for text in parameters or [])
    formats = [form.strip() for text in forms or ["html"] for form in text.split(",")]
    files = with_progress(
        lambda told: make_report(
            name,
            folder,
            destination,
            parameters=given,
            formats=formats,  # type: ignore[arg-type]
            overwrite=overwrite,
            progress=told,
        )
    )
    out.print("Written:")
    for path in files.paths():
        out.print(f"  {foreign(path.resolve())}")
    out.print(f"Open {foreign(files.html.name)} in a web browser.")


@app.command()
def repeat(
    record: Annotated[Path, typer.Argument(help="The JSON file beside a report.")],
    cohort: Annotated[
        Path | None, typer.Option("--cohort", help="Cohort folder, where it is not at the place the record names.")
    ] = None,
    notebook: Annotated[
        Path | None,
        typer.Option("--notebook", help="Notebook of one's own, where it is not in the folder of the record."),
    ] = None,
    trust: Annotated[
        bool, typer.Option("--trust", help="Run a notebook that is not one of the kit's: it can do all that you can.")
    ] = False,
    destination: Annotated[
        Path | None, typer.Option("--out", help="Folder for the new report; without it, it is only compared.")
    ] = None,
    overwrite: Annotated[bool, typer.Option("--overwrite", help="Replace a report in that folder.")] = False,
) -> None:
    """Make a report again from its record and say what is equal and what differs; exit code 1 where anything differs."""
    from analysis.report import repeat_report

    def show_and_trust(notebook: str) -> bool:
        err.print(f"Running a notebook that is not one of the kit's: {foreign(notebook)}")
        return True

    repeated = with_progress(
        lambda told: repeat_report(
            record,
            cohort=cohort,
            notebook=notebook,
            trust=show_and_trust if trust else False,
            out=destination,
            overwrite=overwrite,
            progress=told,
        )
    )
    out.print(foreign_lines(repeated))
    if not repeated.same:
        raise typer.Exit(1)


@app.command()
def notebooks(
    folder: Annotated[Path, typer.Option("--to", help="Working folder that is written.")],
    overwrite: Annotated[bool, typer.Option("--overwrite", help="Replace notebooks copied earlier.")] = False,
) -> None:
    """Copy the notebooks, with a small invented cohort beside them, to a folder to work in."""
    from analysis.report import copy_notebooks

    written = copy_notebooks(folder, overwrite=overwrite)
    for path in written:
        out.print(f"  {foreign(path)}")
    out.print(f"Open them with: {foreign(Path(sys.executable).with_name('jupyter').name)} lab {foreign(folder)}")


@app.command()
def lessons(
    folder: Annotated[Path, typer.Option("--to", help="Working folder that is written.")] = Path("kneecurve_lessons"),
    instructor: Annotated[
        bool, typer.Option("--instructor", help="The instructor's notebooks, with solutions and teaching notes.")
    ] = False,
    overwrite: Annotated[bool, typer.Option("--overwrite", help="Replace lessons written earlier.")] = False,
) -> None:
    """Copy the lessons in recovery-curve analysis to a folder to work in, and say how to open them."""
    from analysis.lessons import copy_lessons

    written = copy_lessons(folder, version="instructor" if instructor else "learner", overwrite=overwrite)
    for path in written:
        out.print(f"  {foreign(path)}")
    out.print(f"Open them with: {foreign(Path(sys.executable).with_name('jupyter').name)} lab {foreign(folder)}")
    out.print(f"Begin with {foreign(written[0].name)}: click a grey cell and press Shift and Enter together.")


def main() -> None:
    """Run the command line; explained errors end with their message and exit code 1, without a traceback."""
    try:
        app()
    except KneecurveError as error:
        err.print(f"[bold red]Error:[/] {foreign_lines(error)}")
        raise SystemExit(1) from None
    except OSError as error:
        place = str(error.filename or "")
        err.print(f"[bold red]Error:[/] {foreign(error.strerror or error)}.")
        if place.strip():
            err.print(f"  where: {foreign(place)}")
        err.print("  what to do: Check that the path is right, and that you may read it or write there.")
        raise SystemExit(1) from None


if __name__ == "__main__":
    main()

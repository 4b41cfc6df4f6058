"""Comparisons are planned, reports made, made again from their records, and exported for a journal."""

from pathlib import Path
from typing import Annotated, Any

import typer

from analysis.counted import counted
from analysis.printing import err, foreign, foreign_lines, out, with_progress

#: Exit code of a report with a signal that the last release did not have.
NEW_SIGNALS = 3
#: What is said of a report that is made again.
CohortElsewhere = Annotated[
    Path | None, typer.Option("--cohort", help="Cohort folder, where it is not at the place the record names.")
]
NotebookElsewhere = Annotated[
    Path | None, typer.Option("--notebook", help="Notebook of one's own, where it is not in the folder of the record.")
]
OwnTemplates = Annotated[
    list[Path] | None,
    typer.Option("--template", help="Your own .docx or .pptx: its colours, fonts and logo for that form; repeatable."),
]
Trusted = Annotated[
    bool, typer.Option("--trust", help="Run a notebook that is not one of the kit's: it can do all that you can.")
]


def plan(
    source: Annotated[
        Path, typer.Argument(help="Cohort folder, of which no measured value is taken; or a design file in TOML.")
    ],
    target: Annotated[Path, typer.Option("--out", help="The plan, *.toml; the document to sign is written beside it.")],
    parameters: Annotated[
        list[str] | None,
        typer.Option("--set", "-s", help="A parameter of protocol_comparison, as name=value; repeatable."),
    ] = None,
    form: Annotated[str, typer.Option("--format", "-f", help="Form of the document: md or docx.")] = "md",
    overwrite: Annotated[bool, typer.Option("--overwrite", help="Replace files of these names.")] = False,
) -> None:
    """Write the plan of a protocol comparison before its outcomes are looked at, and the document that is signed."""
    from analysis.report import plan_analysis, write_plan
    from analysis.report.planned.write import places_of_plan
    from analysis.report.running.parameters import parameter_of_text

    places_of_plan(target, document=form, overwrite=overwrite)  # type: ignore[arg-type]
    made = plan_analysis(source, parameters=dict(parameter_of_text(text) for text in parameters or []))
    out.print("Written:")
    for path in write_plan(made, target, document=form, overwrite=overwrite):  # type: ignore[arg-type]
        out.print(f"  {foreign(path.resolve())}")
    out.print(f"SHA-256 of the plan: {made.sha256}")
    out.print(f"Then: kneecurve report protocol_comparison COHORT --out FOLDER --plan {foreign(target)}")


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
            "--format",
            "-f",
            help="Forms to write: html, pdf, docx, pptx, handout, csv; with commas between, or repeated.",
        ),
    ] = None,
    plan: Annotated[
        Path | None, typer.Option("--plan", help="Analysis plan that the report follows; it says every deviation.")
    ] = None,
    templates: OwnTemplates = None,
    overwrite: Annotated[bool, typer.Option("--overwrite", help="Replace a report in that folder.")] = False,
) -> None:
    """Run a report notebook once on a cohort folder; write an HTML file that stands alone, and other forms.

    The report clinic is one page a clinic, each in a folder of its own; --set site=NAME makes one alone.
    Exit code 3 where a quarter's outcomes have a signal that the last release did not have, for schedulers.
    """
    from analysis.report import make_report
    from analysis.report.running.parameters import parameter_of_text

    given = dict(parameter_of_text(text) for text in parameters or [])
    formats = [form.strip() for text in forms or ["html"] for form in text.split(",")]
    if name == "clinic" and plan is None:
        _clinic_pages(folder, destination, given, formats, templates or [], overwrite=overwrite)
        return
    files = with_progress(
        lambda told: make_report(
            name,
            folder,
            destination,
            parameters=given,
            plan=plan,
            formats=formats,  # type: ignore[arg-type]
            templates=templates or (),
            overwrite=overwrite,
            progress=told,
        )
    )
    out.print("Written:")
    for path in files.paths():
        out.print(f"  {foreign(path.resolve())}")
    out.print(f"Open {foreign(files.html.name)} in a web browser.")
    if files.new_signals:
        out.print(f"New signals: {', '.join(foreign(one) for one in files.new_signals)} (exit code {NEW_SIGNALS}).")
        raise typer.Exit(NEW_SIGNALS)


def _clinic_pages(
    folder: Path,
    destination: Path,
    given: dict[str, Any],
    formats: list[str],
    templates: list[Path],
    *,
    overwrite: bool,
) -> None:
    """Make a page for every clinic, or the one that is named, and say where each is."""
    from analysis.report.clinic import make_clinic_pages

    made = with_progress(
        lambda told: make_clinic_pages(
            folder,
            destination,
            parameters=given,
            formats=formats,  # type: ignore[arg-type]
            templates=templates,
            overwrite=overwrite,
            progress=told,
        )
    )
    out.print(f"Written: {counted(len(made), 'page')}, each with its notebook and record beside it:")
    for site, files in made.items():
        out.print(f"  {foreign(site)}: {foreign(files.html.resolve())}")


def repeat(
    record: Annotated[Path, typer.Argument(help="The JSON file beside a report.")],
    cohort: CohortElsewhere = None,
    notebook: NotebookElsewhere = None,
    trust: Trusted = False,
    destination: Annotated[
        Path | None, typer.Option("--out", help="Folder for the new report; without it, it is only compared.")
    ] = None,
    templates: OwnTemplates = None,
    overwrite: Annotated[bool, typer.Option("--overwrite", help="Replace a report in that folder.")] = False,
) -> None:
    """Make a report again from its record and say what is equal and what differs; exit code 1 where anything differs."""
    from analysis.report import repeat_report

    repeated = with_progress(
        lambda told: repeat_report(
            record,
            cohort=cohort,
            notebook=notebook,
            trust=_show_and_trust if trust else False,
            out=destination,
            templates=templates or (),
            overwrite=overwrite,
            progress=told,
        )
    )
    out.print(foreign_lines(repeated))
    if not repeated.same:
        raise typer.Exit(1)


def export(
    report: Annotated[Path, typer.Argument(help="Folder of a report, or its JSON file.")],
    destination: Annotated[Path, typer.Option("--out", help="Folder that is written.")],
    figures: Annotated[
        str, typer.Option("--figures", help="Forms: svg, pdf, tiff, png, with commas; or none.")
    ] = "svg,pdf",
    tables: Annotated[str, typer.Option("--tables", help="Forms: csv, docx, with commas; or none.")] = "csv,docx",
    width: Annotated[
        str, typer.Option("--width", help="Width of the figures: 85mm; from 165mm on panels stand beside each other.")
    ] = "85mm",
    dpi: Annotated[int, typer.Option("--dpi", help="Dots an inch of tiff and png, 72 to 1200.")] = 600,
    only: Annotated[
        str, typer.Option("--only", help="Numbers in the report, with commas: figure-2,table-1. Without it, all.")
    ] = "",
    paper: Annotated[
        bool, typer.Option("--paper", help="Write paper.docx too: sentences of the report with what --only names.")
    ] = False,
    cohort: CohortElsewhere = None,
    notebook: NotebookElsewhere = None,
    trust: Trusted = False,
    overwrite: Annotated[bool, typer.Option("--overwrite", help="Replace an earlier export in that folder.")] = False,
) -> None:
    """Make a report again and, where it is the same, write its figures and tables as files for a journal."""
    from analysis.report import export_report

    written = with_progress(
        lambda told: export_report(
            report,
            destination,
            figures=_parted(figures),  # type: ignore[arg-type]
            tables=_parted(tables),  # type: ignore[arg-type]
            width=width,
            dpi=dpi,
            only=_parted(only),
            paper=paper,
            cohort=cohort,
            notebook=notebook,
            trust=_show_and_trust if trust else False,
            overwrite=overwrite,
            progress=told,
        )
    )
    out.print(f"Made again, the report is the same. {foreign(written.cohort)}")
    out.print(f"Written: {len(written.names)} files, in {foreign(written.folder.resolve())}")
    out.print(f"Captions and alternative texts are in {foreign(written.names[0])}.")
    for remark in written.remarks:
        out.print(foreign(remark))


def _parted(text: str) -> list[str]:
    """Give what stands between commas; nothing for none."""
    return [part.strip() for part in text.split(",") if part.strip() not in ("", "none")]


def _show_and_trust(notebook: str) -> bool:
    err.print(f"Running a notebook that is not one of the kit's: {foreign(notebook)}")
    return True

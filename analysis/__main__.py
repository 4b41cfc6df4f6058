"""The command line: its commands in the order of its help, and how it ends where something is wrong."""

import typer

from analysis.command_line.cohorts import check, deidentify_source, measures, reidentify_questions
from analysis.command_line.folders import demo, notebooks
from analysis.command_line.importing import import_file, print_map_reference
from analysis.command_line.lessons import lessons, mark
from analysis.command_line.network import aggregate_cohort, combine_files
from analysis.command_line.reports import export, plan, repeat, report
from analysis.command_line.sites import app as sites
from analysis.errors import KneecurveError
from analysis.printing import err, foreign, foreign_lines

app = typer.Typer(
    name="kneecurve",
    help="Recovery curves, responders and report notebooks for home knee-rehabilitation programmes. The kit describes "
    "groups of patients and recommends nothing for one patient.",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    add_completion=False,
)
app.command("demo")(demo)
app.command("import")(import_file)
app.command("map-reference")(print_map_reference)
app.command("measures")(measures)
app.command("check")(check)
app.command("deidentify")(deidentify_source)
app.command("reidentify")(reidentify_questions)
app.command("plan-analysis")(plan)
app.command("report")(report)
app.command("repeat")(repeat)
app.command("aggregate")(aggregate_cohort)
app.command("combine")(combine_files)
app.add_typer(sites)
app.command("export")(export)
app.command("notebooks")(notebooks)
app.command("lessons")(lessons)
app.command("mark")(mark)


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

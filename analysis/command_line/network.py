"""A network that shares counts and no rows: ``aggregate`` at each site, ``combine`` at the office."""

from pathlib import Path
from typing import Annotated

import typer

from analysis.counted import counted
from analysis.errors import KneecurveError
from analysis.printing import foreign, foreign_lines, out

#: What may be set of what is counted: parameters of the quarter's report.
_OPTIONS = ("measure", "week", "threshold", "enough_sessions", "floor")


def aggregate_cohort(
    folder: Annotated[Path, typer.Argument(help="Cohort folder at the limited level, with quarters; it is only read.")],
    file: Annotated[Path, typer.Option("--out", help="JSON file of counts that is written, for the combining office.")],
    site: Annotated[
        str | None, typer.Option(help="Name of the site, where the cohort names none or another.", show_default=False)
    ] = None,
    options: Annotated[
        list[str] | None,
        typer.Option(
            "--set", "-s", help="measure, week, threshold, enough_sessions or floor, as name=value; repeatable."
        ),
    ] = None,
    small_counts: Annotated[
        str,
        typer.Option(help='shown, or hidden: counts from 1 to 10 are written as "<11", those beside them as hidden.'),
    ] = "shown",
    case_mix: Annotated[
        Path | None,
        typer.Option("--case-mix", help="Case-mix model of the network, to be applied.", show_default=False),
    ] = None,
    write_case_mix: Annotated[
        Path | None,
        typer.Option("--write-case-mix", help="Fit the model here and write it, for the others.", show_default=False),
    ] = None,
    overwrite: Annotated[bool, typer.Option("--overwrite", help="Replace files of these names.")] = False,
) -> None:
    """Count a cohort by quarter and site for an office that combines; no row of a patient leaves."""
    from analysis.cohort import load_cohort
    from analysis.quarter import network
    from analysis.quarter.network.counts_file import ARE_HIDDEN, AS_THEY_ARE
    from analysis.report.running.parameters import parameter_of_text

    given = dict(parameter_of_text(text) for text in options or [])
    unknown = [name for name in given if name not in _OPTIONS]
    if unknown or small_counts not in ("shown", "hidden") or (case_mix is not None and write_case_mix is not None):
        problem = (
            f"There is no parameter {unknown[0]!r}."
            if unknown
            else "--case-mix applies a model and --write-case-mix fits one: one of them."
            if small_counts in ("shown", "hidden")
            else f"--small-counts is shown or hidden, not {small_counts!r}."
        )
        raise KneecurveError(problem, where="kneecurve aggregate", what_to_do=f"Set one of: {', '.join(_OPTIONS)}."
                             if unknown else "Correct the command.")  # fmt: skip
    _refuse_there([one for one in (file, write_case_mix) if one is not None], overwrite=overwrite)
    model = None if case_mix is None else network.read_case_mix(case_mix)
    counts, fitted = network.aggregate(
        load_cohort(folder), site=site, small_counts=small_counts, case_mix=model, fit=write_case_mix is not None, **given  # type: ignore[arg-type]
    )  # fmt: skip
    if write_case_mix is not None and fitted is not None:
        network.write_case_mix(fitted, write_case_mix, overwrite=overwrite)
        out.print(f"Case-mix model: {foreign(write_case_mix)}. {foreign(fitted.fitted)} It holds no patient.")
    network.write_counts(counts, file, overwrite=overwrite)
    said = counts.definitions
    out.print(
        f"Counts of {foreign(', '.join(counts.sites))}, {counts.periods[0]} to {counts.periods[-1]}, in {foreign(file)}"
    )
    out.print(foreign_lines(f"{said.indicators[0].label}; {counted(len(said.indicators), 'indicator')}."))
    out.print(AS_THEY_ARE if small_counts == "shown" else ARE_HIDDEN)
    if "measure" not in given or "week" not in given:
        setting = f"--set measure={said.measure} --set week={said.week:g}"
        out.print(foreign_lines(f"All sites must count the same; to be sure: {setting}"))


def combine_files(
    files: Annotated[list[Path], typer.Argument(help="Files that kneecurve aggregate wrote at the sites.")],
    folder: Annotated[
        Path, typer.Option("--out", help="Folder that is written, for kneecurve report quarter_outcomes.")
    ],
    common: Annotated[
        bool, typer.Option("--common", help="Leave out indicators that some files lack, in place of refusing them.")
    ] = False,
) -> None:
    """Check the counts of several sites against each other and add them up: a folder that a quarter's report takes."""
    from analysis.quarter import network

    both = network.combine([network.read_counts(file) for file in files], common=common)
    written = network.write_combined(both, folder)
    open_cells = len(both.unknown)
    out.print(f"{counted(len(both.sites), 'site')}, {both.periods[0]} to {both.periods[-1]}, in {foreign(written)}")
    if open_cells:
        out.print(
            f"{counted(open_cells, 'count')} of sites known within limits only: missing in charts, never guessed; the table says from and to."
        )
    out.print(f"Counts over all sites, not for release: {foreign(written / network.TABLE_FILE)}")
    out.print(f"Then: kneecurve report quarter_outcomes {foreign(written)} --out FOLDER")


def _refuse_there(files: list[Path], *, overwrite: bool) -> None:
    """Refuse before anything is counted, so that neither of two files is written alone."""
    there = [file for file in files if file.exists()]
    if there and not overwrite:
        raise KneecurveError(
            "There is a file of that name already.",
            where=str(there[0]),
            what_to_do="Choose another name, or --overwrite.",
        )

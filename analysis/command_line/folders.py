"""Folders to work and to look around in: ``demo`` and ``notebooks``."""

import sys
from pathlib import Path
from typing import Annotated

import typer

from analysis.errors import ReportError
from analysis.printing import foreign, out, with_progress

DEMO_SCENARIO = "ligament reconstruction"


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
    out.print(
        "Open it in a web browser. Next, your own data: at a terminal, import asks what the columns leave open, and writes\n"
        "the map (FILE_map.toml) and the cohort folder (FILE_cohort):"
    )
    out.print("  kneecurve import FILE")
    out.print("with a map that is written already:")
    out.print("  kneecurve import FILE --map MAP.toml --out FOLDER")
    out.print("or work in notebooks:")
    out.print("  kneecurve notebooks --to DIR")


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

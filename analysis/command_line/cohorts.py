"""Cohorts are checked and freed of identifiers: ``check`` and ``deidentify``; ``measures`` lists what is known."""

from pathlib import Path
from typing import Annotated

import typer

from analysis.errors import KneecurveError
from analysis.printing import ask, foreign, foreign_lines, on_terminal, out


def measures() -> None:
    """List the known measures with their units, limbs and thresholds, and where these were found."""
    from analysis.cohort import load_catalogue

    out.print(foreign_lines(load_catalogue().to_text()))
    out.print(
        "MIC: a change that matters to patients. MDC: a change beyond the error of measurement; it says nothing of importance."
    )


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
    as_of: Annotated[
        str | None,
        typer.Option("--as-of", help="Day up to which the data were collected, e.g. 2026-03-31.", show_default=False),
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
        source, folder, level=level, keep=keep or [], key_file=key_file, overwrite=overwrite, as_of=as_of, **how  # type: ignore[arg-type]
    )  # fmt: skip
    out.print(foreign_lines(done.to_text()))
    out.print(f"Written to {foreign(folder)}")
    if (folder / "datapackage.json").exists():
        out.print(foreign_lines(disclosure_risk(load_cohort(folder))))
    else:
        out.print("Next, a map of the new tables: kneecurve import FILE --suggest-map")
        if done.level == "limited":
            out.print('In the map, at the top: privacy = "limited"', markup=False)


def reidentify_questions(
    questions: Annotated[Path, typer.Argument(help="CSV file of questions (check --export), or a folder of them.")],
    key_file: Annotated[Path, typer.Option("--key", help="The key that the patients were de-identified with.")],
    file: Annotated[Path, typer.Option("--out", help="CSV file that is written, for its owner only.")],
    source: Annotated[
        Path | None,
        typer.Option("--source", help="What was de-identified with that key; it is only read.", show_default=False),
    ] = None,
    patient: Annotated[
        str | None,
        typer.Option(help="Column of the source with the patient, where it cannot be told.", show_default=False),
    ] = None,
    delimiter: Annotated[str, typer.Option(help="Character between the cells of a CSV file of the source.")] = ",",
    overwrite: Annotated[bool, typer.Option("--overwrite", help="Replace a file of that name.")] = False,
) -> None:
    """Write questions again with the site's own patient numbers, for the holder of the key; the file identifies patients."""
    from analysis.quality import reidentify
    from analysis.quality.reidentify import IDENTIFIABLE

    if source is None:
        raise KneecurveError(
            "--source is missing: a key holds no patient.",
            where="kneecurve reidentify",
            what_to_do="Name what was de-identified with it: --source FILE_OR_FOLDER. Its patients are hashed with the key again, so "
            "that no list of them is kept.",
        )
    done = reidentify(
        questions, file, key_file=key_file, source=source, patient=patient, delimiter=delimiter, overwrite=overwrite
    )
    out.print(f"Written to {foreign(done)}")
    out.print(foreign_lines(IDENTIFIABLE))

"""A report is made again from its record, compared with it, and its figures and tables are written as files, or none are."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from analysis.cohort.files.paths import refuse_impossible_name
from analysis.errors import ReportError
from analysis.report.exporting.asked import (
    Item,
    TableForm,
    drawing_forms,
    named_items,
    refuse_dots,
    refuse_nothing,
    refuse_paper_of_all,
    table_forms,
    width_in_mm,
)
from analysis.report.exporting.files import NAMES, files_of, remarks
from analysis.report.exporting.paper import PAPER, paper_of
from analysis.report.forms.document import Document, read_document
from analysis.report.forms.numbering import Numbered, numbered
from analysis.report.parts.drawing_files import ORDER, DrawingForm, DrawingOrder
from analysis.report.running.declared import FOLDER_PARAMETER
from analysis.report.running.notebooks import notebook_parameters, read_notebook, run_notebook
from analysis.report.running.parameters import check_parameters
from analysis.report.running.record import Record, read_record
from analysis.report.running.repeat import compare_with_record, ready_to_repeat, refuse_other_inputs
from analysis.report.running.report_files import refuse_the_cohort_folder
from analysis.report.running.told_paths import way_to
from analysis.writing.owners import temporary_folder
from analysis.writing.swaps import written_beside

if TYPE_CHECKING:
    import pandas as pd

#: So many differences are told; all of them tells ``repeat``.
_DIFFERENCES_TOLD = 3


@dataclass(frozen=True)
class ExportedFiles:
    """What an export wrote.

    Parameters
    ----------
    folder : Path
        Where.
    names : tuple of str
        The files in it; the first has captions and alternative texts.
    cohort : str
        Which cohort was used, in words.
    remarks : tuple of str
        What a person must look at: figures too high for a page, or with words cut off at that width.
    """

    folder: Path
    names: tuple[str, ...]
    cohort: str
    remarks: tuple[str, ...]


def export_report(
    report: Path | str,
    out: Path | str,
    *,
    figures: Sequence[DrawingForm] = ("svg", "pdf"),
    tables: Sequence[TableForm] = ("csv", "docx"),
    width: str = "85mm",
    dpi: int = 600,
    only: Sequence[str] = (),
    paper: bool = False,
    cohort: Path | str | None = None,
    notebook: Path | str | None = None,
    trust: bool | Callable[[str], bool] = False,
    overwrite: bool = False,
    progress: Callable[[int, int], None] | None = None,
) -> ExportedFiles:
    """Make a report again from its record and write its figures and tables as files for a journal, where it is the same.

    Parameters
    ----------
    report : Path or str
        Folder of a report, or the JSON file of its record.
    out : Path or str
        Folder that is written; it must not be there.
    figures : sequence of {"svg", "pdf", "tiff", "png"}
        Forms of the figures; empty for none. Letters are outlines in SVG and the embedded font in PDF.
    tables : sequence of {"csv", "docx"}
        Forms of the tables, empty for none: the numbers, not rounded, one file each, those of figures too; and one Word
        file with a table a page.
    width : str
        Width of the figures with its unit (mm, cm, in), 20 mm to 400 mm. They are drawn at that width: below 165 mm as
        for a phone, with panels one below another, from there as for a desk.
    dpi : int
        Dots an inch of TIFF and PNG, 72 to 1,200.
    only : sequence of str
        Figures and tables by their numbers in the report, such as ``"figure-2"``; empty for all.
    paper : bool
        Whether ``paper.docx`` is written too: what the report says in short, the figures and tables named in ``only`` in that
        order, how it was analysed, and the cautions.
    cohort, notebook, trust
        As in :func:`repeat_report`.
    overwrite : bool
        Whether an earlier export is replaced; a folder that holds other files never is.
    progress : callable, optional
        Told of the cells done and their total.

    Returns
    -------
    ExportedFiles
        The files, named by kind, number in the report, and name: figure_01_recovery.svg.

    Raises
    ------
    ReportError
        There is no report, something asked for cannot be had, the report cannot be made again, or what it shows differs
        from the record. Nothing is written then.

    Examples
    --------
    >>> export_report("report", "figures", width="85")
    Traceback (most recent call last):
    ...
    analysis.errors.ReportError: '85' is no width with a unit.
      where: width of the figures
      what to do: Write a number and one of mm, cm, in: a column of a journal is often 85mm, a page 178mm.
    """
    forms, of_tables = drawing_forms(figures), table_forms(tables)
    refuse_nothing(forms, of_tables)
    order = DrawingOrder(forms, width_in_mm(width), dpi)
    refuse_dots(dpi, order.width_mm, forms)
    wanted = named_items(only, forms, of_tables)
    if paper:
        refuse_paper_of_all(only)
    path, destination = _record_of(Path(report)), Path(out)
    known = read_record(path)
    order = replace(order, titles=_titles(known, wanted))
    draws = bool(forms) and (not wanted or bool(order.titles))
    _refuse_folder(destination, overwrite=overwrite)
    with ready_to_repeat(path, known, cohort=cohort, notebook=notebook, trust=trust) as (source, folder, said):
        refuse_the_cohort_folder(folder, destination)
        document = _run(known, source, folder, order if draws else None, progress)
        refuse_other_inputs(known, folder)
        _refuse_differences(path, compare_with_record(path, known, document)[1])
    items = _chosen(numbered(document), wanted, forms, of_tables)
    files = files_of(items, document.title.text, order if draws else None, of_tables)
    if paper:
        files[PAPER] = paper_of(document, items)
    _write(files, destination)
    return ExportedFiles(destination, tuple(files), said, remarks(items, order if draws else None))


def _record_of(report: Path) -> Path:
    """Give the record of a report, of whose folder the name may be given."""
    refuse_impossible_name(report, error=ReportError)
    if not report.is_dir():
        return report
    records = []
    for path in sorted(report.glob("*.json")):
        try:
            read_record(path)
        except ReportError:
            continue
        records.append(path)
    if len(records) == 1:
        return records[0]
    raise ReportError(
        "The folder holds more than one report." if records else "There is no report in the folder.",
        where=", ".join(map(str, records)) or str(report),
        what_to_do="Name the JSON file of one of them."
        if records
        else "Name the folder that kneecurve report wrote, or the JSON file in it.",
    )


def _titles(known: Record, wanted: Sequence[Item]) -> tuple[str, ...]:
    """Give the titles of the figures that are wanted, from the record, in which one table may be left out."""
    titles = [one.name for one in known.shows if one.kind == "figure"]
    most = {"figure": len(titles), "table": sum(one.kind == "table" for one in known.shows) + 1}
    _refuse_missing([item for item in wanted if item.number > most[item.kind]], most)
    return tuple(titles[item.number - 1] for item in wanted if item.kind == "figure")


def _chosen(
    every: Sequence[Numbered], wanted: Sequence[Item], figures: Sequence[str], tables: Sequence[str]
) -> list[Numbered]:
    forms = {"figure": figures, "table": tables}
    there = {Item(one.kind, one.number): one for one in every}
    most = {kind: sum(one.kind == kind for one in every) for kind in forms}
    _refuse_missing([item for item in wanted if item not in there], most)
    return [there[item] for item in wanted] or [one for one in every if forms[one.kind]]


def _refuse_missing(missing: Sequence[Item], most: dict[str, int]) -> None:
    if missing:
        raise ReportError(
            f"The report has no {', '.join(map(str, missing))}.",
            where="what is to be exported (only)",
            what_to_do=f"It has {most['figure']} figures and {most['table']} tables: name them by the numbers on its page.",
        )


def _refuse_folder(folder: Path, *, overwrite: bool) -> None:
    refuse_impossible_name(folder, error=ReportError)
    if not next(above for above in folder.absolute().parents if above.exists()).is_dir():
        raise ReportError(
            "The folder lies in a file, which holds no folder.", where=str(folder), what_to_do="Choose another folder."
        )
    if not folder.exists() and not folder.is_symlink():
        return
    if not overwrite:
        raise ReportError(
            "There is something of that name already.",
            where=str(folder),
            what_to_do="Add --overwrite (in Python overwrite=True) to replace an earlier export, or choose another folder.",
        )
    is_folder = folder.is_dir() and not folder.is_symlink()
    others = [path.name for path in sorted(folder.iterdir()) if not NAMES.fullmatch(path.name)] if is_folder else []
    if others or not is_folder:
        raise ReportError(
            "The folder holds what no export wrote, and is not replaced." if others else "It is not a folder.",
            where=", ".join([str(folder), *others[:3]]),
            what_to_do="Choose another folder.",
        )


def _run(
    known: Record, source: Path, folder: Path, order: DrawingOrder | None, progress: Callable[[int, int], None] | None
) -> Document:
    notebook = read_notebook(source)
    declared = notebook_parameters(notebook, where=source.name)
    given = check_parameters(known.parameters, declared, report=source.stem, reserved=(FOLDER_PARAMETER,))
    with temporary_folder() as place:
        executed, failure = run_notebook(
            notebook,
            {FOLDER_PARAMETER: way_to(folder, place), **given},
            working_folder=place,
            progress=progress,
            environment={ORDER: order.to_text()} if order else {},
        )
    if failure:
        raise ReportError(
            [f"Cell {failure.cell} of the report failed: {failure.error}.", *failure.message.strip().split("\n")],
            where=str(source),
            what_to_do="Make the report again with kneecurve report, which leaves the notebook with the traceback.",
        )
    return read_document(executed)


def _refuse_differences(path: Path, differences: "pd.DataFrame") -> None:
    if differences.empty:
        return
    rows = list(differences.itertuples(index=False))
    told = [f"{row.kind} “{row.name}”: {row.difference}" for row in rows[:_DIFFERENCES_TOLD]]
    more = [f"and {len(rows) - len(told)} more"] if len(rows) > len(told) else []
    raise ReportError(
        f"Made again, the report differs from its record: {len(rows)} of what it shows. Nothing was exported.",
        where=[str(path), *told, *more],
        what_to_do="kneecurve repeat with that file says all that differs, and which versions do. To export the numbers of "
        "today, make the report again and export that one.",
    )


def _write(files: dict[str, bytes], folder: Path) -> None:
    try:
        with written_beside(folder) as part:
            for name, content in files.items():
                (part / name).write_bytes(content)
    except OSError as error:
        raise ReportError(
            f"The files cannot be written: {error.strerror or error}.",
            where=str(error.filename or folder),
            what_to_do="Choose a folder that you may write to, on a disk that has room.",
        ) from error

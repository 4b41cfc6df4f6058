"""The one call that makes a report: check the parameters, run the notebook, write the page, or leave all as it was."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from analysis.cohort import load_cohort
from analysis.cohort.provenance import Source, describe_source
from analysis.errors import ReportError
from analysis.report.forms.digest import read_digests
from analysis.report.forms.document import Document, read_document
from analysis.report.forms.handout import document_to_handout, refuse_without_handout
from analysis.report.forms.html import document_to_html
from analysis.report.forms.office.own_templates import read_templates
from analysis.report.forms.office.reference_styles import Form
from analysis.report.planned.cohort_of_plan import refuse_what_the_cohort_lacks
from analysis.report.planned.plan import PLAN_PARAMETER, AnalysisPlan, plan_in, read_plan
from analysis.report.running.declared import FOLDER_PARAMETER
from analysis.report.running.notebooks import (
    CellFailure,
    find_report,
    notebook_folder,
    notebook_parameters,
    read_notebook,
    run_notebook,
)
from analysis.report.running.parameters import Parameter, check_parameters
from analysis.report.running.placing import files_of_earlier, put_in_place, refuse_other_kinds, working_folder
from analysis.report.running.record import (
    Record,
    code_digest,
    hashes,
    record_inputs,
    record_origin,
    signals_of,
    system,
    time_stamp,
    versions,
)
from analysis.report.running.report_files import (
    Format,
    ReportFiles,
    every_file,
    failed_before,
    files_of_report,
    names_in,
    refuse_the_cohort_folder,
    refuse_to_replace,
    refuse_to_replace_itself,
)
from analysis.report.running.several import run_for_each
from analysis.report.running.told_paths import told_way, way_to, without_home

if TYPE_CHECKING:
    from nbformat import NotebookNode


def make_report(
    name: str,
    folder: Path | str,
    out: Path | str,
    *,
    parameters: Mapping[str, Any] | None = None,
    plan: AnalysisPlan | Path | str | None = None,
    formats: Sequence[Format] = ("html",),
    templates: Sequence[Path | str] = (),
    overwrite: bool = False,
    progress: Callable[[int, int], None] | None = None,
) -> ReportFiles:
    """Run a report notebook on a cohort folder and write one HTML file that stands alone, and other forms beside it.

    Parameters
    ----------
    name : str
        Name of a report, for example ``"protocol_comparison"``, or the path of a notebook of one's own.
    folder : Path or str
        Cohort folder.
    out : Path or str
        Folder that is written; made where it is not there.
    parameters : mapping, optional
        Parameters of the notebook; the folder is not among them.
    plan : AnalysisPlan, Path or str, optional
        The analysis plan that is followed, or its file: its values are the parameters where none is given, and the report says
        what was done otherwise.
    formats : sequence of {"html", "pdf", "docx", "pptx", "handout", "csv"}
        Forms to write, all from one run of the notebook; the page is always written.
    templates : sequence of Path or str
        A .docx, a .pptx or both, whose looks those forms take (:func:`analysis.report.forms.office.own_templates.read_templates`).
    overwrite : bool
        Whether an earlier report of that name is replaced.
    progress : callable, optional
        Told of the cells done and their total.

    Returns
    -------
    ReportFiles
        The page, the executed notebook, and the record of what it was made from.

    Raises
    ------
    ReportError
        An unknown report or parameter, a value of the wrong type, a file that is no plan or not for this cohort, a report that
        follows none, an earlier report without ``overwrite``, an output
        folder that cannot be written or lies in the cohort folder, or a cell that failed: then the executed notebook
        with its traceback is left in ``out`` as NAME.failed.ipynb, and an earlier report stays as it was.

    Examples
    --------
    >>> from analysis.report import make_report
    >>> make_report("protocol_comparison", "cohort", "report", parameters={"primary_weak": 26.0})
    Traceback (most recent call last):
    ...
    analysis.errors.ReportError: There is no such cohort folder.
      where: cohort
      what to do: Check the path; kneecurve import and kneecurve demo write cohort folders.
    """
    (files,) = make_reports(
        name, folder, {Path(out): parameters or {}}, plan=plan, formats=formats, templates=templates, overwrite=overwrite,
        progress=progress,
    )  # fmt: skip
    return files


def make_reports(
    name: str,
    folder: Path | str,
    each: Mapping[Path, Mapping[str, Any]],
    *,
    plan: AnalysisPlan | Path | str | None = None,
    formats: Sequence[Format] = ("html",),
    templates: Sequence[Path | str] = (),
    overwrite: bool = False,
    progress: Callable[[int, int], None] | None = None,
) -> list[ReportFiles]:
    """Make a report for each of several sets of parameters, each into a folder of its own: all of them, or none.

    ``each`` has the parameters by folder; the folders lie beside each other. The notebook runs in one process for all. The rest,
    the errors too, is as of :func:`make_report`.
    """
    source, cohort_folder = find_report(name), Path(folder)
    inputs = record_inputs(cohort_folder)
    looks = read_templates(templates, formats)
    orders = [
        _ordered(source, cohort_folder, out, given, plan=plan, formats=formats, overwrite=overwrite)
        for out, given in each.items()
    ]
    notebook = read_notebook(source)
    with ExitStack() as held:
        workings = [
            held.enter_context(working_folder(one.destination, "The report", alone=source.stem)) for one in orders
        ]
        for one in orders:  # another process may have made it since
            refuse_to_replace(every_file(one.destination, source.stem)[:-1], overwrite=overwrite)
        ran = _run(notebook, orders, progress)
        for one, working, (executed, failure) in zip(orders, workings, ran, strict=True):
            executed.metadata["kneecurve"] = {**executed.metadata.get("kneecurve", {}), "made": time_stamp()}
            if failure:
                left = working / f"{source.stem}.failed.ipynb"
                _write(left, _told(executed, one.seen_from_out))
                raise _failure(source.stem, failure, left.replace(one.destination / left.name))
        _refuse_a_cohort_that_changed(cohort_folder, inputs)
        return [
            _put(one, working, executed, inputs, looks)
            for one, working, (executed, _) in zip(orders, workings, ran, strict=True)
        ]


@dataclass(frozen=True)
class _Order:
    """A report that was asked for and may be made: everything checked that can be before it runs."""

    source: Path
    cohort_folder: Path
    destination: Path
    given: Mapping[str, Any]
    formats: Sequence[Format]
    files: ReportFiles

    @property
    def seen_from_out(self) -> str:
        """The way to the cohort folder."""
        return way_to(self.cohort_folder, self.destination)


def _ordered(
    source: Path,
    cohort_folder: Path,
    destination: Path,
    parameters: Mapping[str, Any],
    *,
    plan: AnalysisPlan | Path | str | None,
    formats: Sequence[Format],
    overwrite: bool,
) -> _Order:
    refuse_the_cohort_folder(cohort_folder, destination)
    notebook = read_notebook(source)
    declared = notebook_parameters(notebook, where=str(source.name))
    wanted = _by_plan(parameters, plan, declared, source, cohort_folder)
    given = check_parameters(wanted, declared, report=source.stem, reserved=(FOLDER_PARAMETER,))
    files = files_of_report(destination, source.stem, formats)
    if files.handout:
        refuse_without_handout(notebook, source.stem)
    refuse_to_replace_itself(source, every_file(destination, source.stem))
    refuse_to_replace(every_file(destination, source.stem)[:-1], overwrite=overwrite)
    refuse_other_kinds(destination, files.paths())
    return _Order(source, cohort_folder, destination, given, formats, files)


def _run(
    notebook: NotebookNode, orders: Sequence[_Order], progress: Callable[[int, int], None] | None
) -> list[tuple[NotebookNode, CellFailure | None]]:
    each = [{FOLDER_PARAMETER: one.seen_from_out, **one.given} for one in orders]
    if len(each) == 1:
        return [run_notebook(notebook, each[0], working_folder=orders[0].destination, progress=progress)]
    return run_for_each(notebook, each, working_folder=orders[0].destination, progress=progress)


def _put(
    order: _Order,
    working: Path,
    executed: NotebookNode,
    inputs: tuple[Source, ...],
    looks: Mapping[Form, bytes],
) -> ReportFiles:
    """Write all files of a report that was run, and put them in place."""
    source, destination, files = order.source, order.destination, order.files
    stamp = executed.metadata["kneecurve"]["made"]
    document = read_document(executed)
    record = Record(
        report=source.stem,
        notebook=describe_source(source),
        own_notebook=told_way(way_to(source, destination)) if source.parent != notebook_folder() / "reports" else "",
        cohort=told_way(order.seen_from_out),
        inputs=inputs,
        origin=record_origin(order.cohort_folder),
        parameters=order.given,
        formats=tuple(dict.fromkeys(("html", *order.formats))),
        versions=versions(),
        code=code_digest(),
        system=system(),
        shows=tuple(read_digests(document)),
        templates=hashes(looks),
        signals=signals_of(document),
    )
    _write(working / files.notebook.name, _told(executed, order.seen_from_out))
    _write_forms(working, files, document, stamp, looks)
    record = replace(record, files=tuple(sorted([*names_in(working, files.html.name), files.record.name])))
    _write(working / files.record.name, without_home(json.dumps({**record.to_json(), "made": stamp}, indent=2)) + "\n")
    new = names_in(working, files.html.name)
    earlier = [*files_of_earlier(destination, source.stem), *failed_before(destination, source.stem)]
    put_in_place(working, destination, source.stem, new, [name for name in earlier if name not in new])
    return replace(files, new_signals=tuple(_named(one) for one in record.signals if one["state"] == "new"))


def _by_plan(
    parameters: Mapping[str, Any],
    plan: AnalysisPlan | Path | str | None,
    declared: Sequence[Parameter],
    source: Path,
    folder: Path,
) -> dict[str, Any]:
    """Give the parameters of a report that follows a plan, which the cohort must be one for; those given without a plan."""
    if plan is None:
        known = plan_in(parameters)
        return dict(parameters) if known is None else known.filled(parameters)
    followed = plan if isinstance(plan, AnalysisPlan) else read_plan(plan)
    if PLAN_PARAMETER not in {one.name for one in declared} or parameters.get(PLAN_PARAMETER) is not None:
        raise ReportError(
            "The report follows no analysis plan, or one is given twice.",
            where=f"{source.stem}, --plan (in Python plan=)",
            what_to_do="Plans are of the report protocol_comparison; name one by --plan alone.",
        )
    refuse_what_the_cohort_lacks(followed, load_cohort(folder))
    return followed.filled(parameters)


def _refuse_a_cohort_that_changed(folder: Path, inputs: tuple[Source, ...]) -> None:
    now = record_inputs(folder)
    if now != inputs:
        changed = sorted({one.name for one in set(now) ^ set(inputs)})
        raise ReportError(
            "The cohort changed while the report was made.",
            where=f"{folder}: {', '.join(changed)}",
            what_to_do="Wait until nothing writes to the folder, and make the report again.",
        )


def _write_forms(
    working: Path, files: ReportFiles, document: Document, stamp: str, templates: Mapping[Form, bytes]
) -> None:
    """Write the page and the forms beside it, natively, from the same figures and tables, all at the same time."""
    from analysis.report.forms.csv_tables import document_to_csv
    from analysis.report.forms.office.slides import document_to_slides
    from analysis.report.forms.office.word import document_to_word
    from analysis.report.forms.pdf import document_to_pdf
    from analysis.report.forms.said_once import said_once

    once = said_once(document)
    forms = (
        (files.pdf, document_to_pdf),
        (files.word, partial(document_to_word, template=templates.get("docx"))),
        (files.slides, partial(document_to_slides, template=templates.get("pptx"))),
        (files.handout, document_to_handout),
    )
    with ThreadPoolExecutor() as workers:
        made = [(path, workers.submit(write, once, stamp=stamp)) for path, write in forms if path]
        _write(working / files.html.name, document_to_html(once, stamp=stamp))
        if files.tables:
            (working / files.tables.name).mkdir()
            for name, text in document_to_csv(document).items():
                _write(working / files.tables.name / name, text)
        for path, form in made:
            (working / path.name).write_bytes(form.result())


def _failure(name: str, failure: CellFailure, left: Path) -> ReportError:
    message = failure.message.strip() or failure.error
    ours = failure.error in {"CohortError", "DeidentificationError", "ModelError", "ReportError"}
    said = message if ours else f"{failure.error}: {message}"
    return ReportError(
        [f"Cell {failure.cell} of the report {name} failed.", *said.split("\n")],
        where=str(left),
        what_to_do="Open that notebook in JupyterLab: it holds the traceback. No report was written.",
    )


def _named(signal: Mapping[str, str]) -> str:
    """Name a signal: its indicator, and its site where it is of one."""
    return f"{signal['indicator']} at {signal['site']}" if signal.get("site") else signal["indicator"]


def _told(notebook: NotebookNode, way: str) -> str:
    """Give the text of a notebook without the folders of the person who ran it."""
    return without_home(_notebook_text(notebook).replace(json.dumps(way)[1:-1], told_way(way)))


def _notebook_text(notebook: NotebookNode) -> str:
    import nbformat

    return str(nbformat.writes(notebook)) + "\n"  # type: ignore[no-untyped-call]


def _write(path: Path, text: str) -> None:
    path.write_text(text, encoding="utf-8", newline="\n")

"""A report made again from its record, and compared with what it showed then."""

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from analysis.cohort.files.paths import refuse_impossible_name
from analysis.errors import CohortError, ReportError
from analysis.report.forms.digest import Digest, first_difference, read_digests
from analysis.report.forms.document import Document, read_document
from analysis.report.running.asked import refuse_large_parameters
from analysis.report.running.make import make_report
from analysis.report.running.notebooks import read_notebook
from analysis.report.running.record import Record, read_record, record_inputs
from analysis.report.running.report_files import ReportFiles
from analysis.report.running.trust import notebook_to_repeat
from analysis.writing.owners import temporary_folder

_KINDS = {"table": "tables", "figure": "figures", "sentences": "passages", "output": "other outputs"}


@dataclass(frozen=True, eq=False)
class Repetition:
    """What came of making a report again.

    Attributes
    ----------
    report : str
        Name of the report.
    cohort : str
        Which cohort was used, in words.
    counts : pandas.DataFrame
        One row a kind of item (tables, figures, passages, other outputs) and one for pictures: kind, recorded, equal.
    differences : pandas.DataFrame
        One row for each item that differs, is missing or is new: kind, cell, name, difference. Pictures that differ
        while the numbers of their figure are equal are not among them; ``counts`` tells their number.
    surroundings : pandas.DataFrame
        One row for each thing that is not as it was: what, then, now (versions, system, code, notebook).
    files : ReportFiles or None
        Where the new report was written; None where it was only compared.
    """

    report: str
    cohort: str
    counts: pd.DataFrame
    differences: pd.DataFrame
    surroundings: pd.DataFrame
    files: ReportFiles | None

    @property
    def same(self) -> bool:
        """Whether every table, the numbers of every figure and every sentence are equal."""
        return self.differences.empty

    def __str__(self) -> str:
        lines = [f"{self.report}: {'the same' if self.same else 'NOT the same'} as its record. {self.cohort}"]
        lines += [f"  {row.kind}: {row.equal} of {row.recorded} equal" for row in self.counts.itertuples()]
        if len(self.differences):
            lines.append("Differences:")
            lines += [
                f"  {row.kind} in cell {row.cell}, “{row.name}”: {row.difference}"
                for row in self.differences.itertuples(index=False)
            ]
        if len(self.surroundings):
            lines.append("Not as it was when the report was made:")
            lines += [f"  {row.what}: {row.then} then, {row.now} now" for row in self.surroundings.itertuples()]
        return "\n".join(lines)


def repeat_report(
    record: Path | str,
    *,
    cohort: Path | str | None = None,
    notebook: Path | str | None = None,
    trust: bool | Callable[[str], bool] = False,
    out: Path | str | None = None,
    templates: Sequence[Path | str] = (),
    overwrite: bool = False,
    progress: Callable[[int, int], None] | None = None,
) -> Repetition:
    """Make a report again from its record and compare what it shows with what it showed then.

    Parameters
    ----------
    record : Path or str
        The JSON file beside the report.
    cohort : Path or str, optional
        Cohort folder, where it is no longer at the place that the record names.
    notebook : Path or str, optional
        The notebook, where it is one of one's own outside the folder of the record: a record may come from anywhere
        and chooses none.
    trust : bool or callable
        Whether a notebook that is not one of the kit's is run. It can do all that the user can do. A function is told
        where it is, with its hash and those of the record and the kit, and answers.
    out : Path or str, optional
        Folder for the new report, in the same forms; by default it is made, compared and thrown away.
    templates : sequence of Path or str
        One's own templates for the new report, as for :func:`~analysis.report.make_report`; the record holds the hashes of those
        that there were.
    overwrite : bool
        Whether an earlier report in ``out`` is replaced.
    progress : callable, optional
        Told of the cells done and their total.

    Returns
    -------
    Repetition
        What is equal and what differs. Differences name the row and the cell where the executed notebook of the
        first report still lies beside the record.

    Raises
    ------
    ReportError
        The record cannot be read, asks for more than a record may, or names a notebook that may not be run; the cohort
        is not there and cannot be generated, or its files are not the ones that the report was made from.

    Examples
    --------
    >>> repeat_report("report/none.json")
    Traceback (most recent call last):
    ...
    analysis.errors.ReportError: There is no such record.
      where: report/none.json
      what to do: Name the JSON file that kneecurve report wrote beside the report.
    """
    path = Path(record)
    known = read_record(path)
    ready = ready_to_repeat(path, known, cohort=cohort, notebook=notebook, trust=trust)
    with temporary_folder() as place, ready as (source, folder, said):
        files = make_report(
            str(source),
            folder,
            out or place / "report",
            parameters=known.parameters,
            formats=known.formats if out else ("html",),  # type: ignore[arg-type]
            templates=templates,
            overwrite=overwrite,
            progress=progress,
        )
        now = read_record(files.record)
        counts, differences = compare_with_record(path, known, read_document(read_notebook(files.notebook)))
    return Repetition(
        known.report, said, counts, differences, _surroundings(known, now, forms=bool(out)), files if out else None
    )


@contextmanager
def ready_to_repeat(
    path: Path,
    known: Record,
    *,
    cohort: Path | str | None,
    notebook: Path | str | None,
    trust: bool | Callable[[str], bool],
) -> Iterator[tuple[Path, Path, str]]:
    """Give the notebook and the cohort folder that a report is made again with, and in words which cohort that is.

    Raises
    ------
    ReportError
        What :func:`repeat_report` refuses before anything is run.
    """
    source = notebook_to_repeat(path, known, notebook=None if notebook is None else Path(notebook), trust=trust)
    refuse_large_parameters(path, known.parameters, source)
    with _cohort(known, path, cohort) as (folder, said):
        refuse_other_inputs(known, folder)
        yield source, folder, said


def compare_with_record(path: Path, known: Record, document: Document) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Count what is equal in a report made again, and name what differs: the tables of a :class:`Repetition`."""
    return _compare(known, _shown_then(path, known), read_digests(document))


@contextmanager
def _cohort(known: Record, path: Path, given: Path | str | None) -> Iterator[tuple[Path, str]]:
    """Give the cohort folder: the one named, the one of the record, or an invented cohort generated again."""
    folder = Path(given) if given is not None else path.parent / known.cohort
    refuse_impossible_name(folder, error=ReportError)
    if folder.is_dir() or given is not None:
        yield folder, f"The cohort folder {folder.resolve().name} has the files that the report was made from."
        return
    origin = known.origin
    if origin.scenario is None or set(origin.parameters) - {"quarters"} != {"patients"}:
        raise ReportError(
            "The cohort folder is not where the record says.",
            where=str(folder),
            what_to_do="Name it: --cohort FOLDER (in Python cohort=).",
        )
    from analysis.cohort import write_cohort
    from synthetic_cohort.again import generate_again

    with temporary_folder() as place:
        try:
            again = generate_again(origin)
        except CohortError as error:
            raise ReportError(
                error.what,
                where=f"{path}, origin",
                what_to_do=[
                    error.what_to_do,
                    "Where you have the cohort folder, name it: --cohort FOLDER (in Python cohort=).",
                ],
            ) from None
        form = "parquet" if any(one.name.endswith(".parquet") for one in known.inputs) else "csv"
        named = Path(known.cohort).name
        target = place / (named if named not in ("", "..") else "cohort")
        written = write_cohort(again.observed, target, file_format=form)  # type: ignore[arg-type]
        yield written, f"The cohort was generated again: scenario “{origin.scenario}”, seed {origin.seed}."


def refuse_other_inputs(known: Record, folder: Path) -> None:
    """Refuse a cohort folder whose files are not the ones that the report was made from.

    Raises
    ------
    ReportError
        Names the files.
    """
    now = record_inputs(folder)
    then_by_name, now_by_name = ({one.name: one.sha256 for one in some} for some in (known.inputs, now))
    said = [f"{name} is missing" for name in then_by_name if name not in now_by_name]
    said += [f"{name} is new" for name in now_by_name if name not in then_by_name]
    said += [
        f"{name} differs" for name in then_by_name if now_by_name.get(name, then_by_name[name]) != then_by_name[name]
    ]
    if said:
        raise ReportError(
            f"The cohort is not the one the report was made from: {'; '.join(said)}.",
            where=str(folder),
            what_to_do="Find the files with the hashes of the record, or make a new report with kneecurve report.",
        )


def _shown_then(path: Path, known: Record) -> dict[Digest, Any]:
    """Give what the notebook beside the record shows where its digest is the recorded one: it was not changed since."""
    beside = path.with_suffix(".ipynb")
    try:
        shown = read_digests(read_document(read_notebook(beside))) if beside.is_file() else {}
    except ReportError:
        return {}
    return {digest: words for digest, words in shown.items() if digest in known.shows}


def _compare(known: Record, shown: dict[Digest, Any], new: dict[Digest, Any]) -> tuple[pd.DataFrame, pd.DataFrame]:
    items = {(digest.cell, digest.position): (digest, words) for digest, words in new.items()}
    rows: list[tuple[str, str, str, str]] = []
    equal = dict.fromkeys(_KINDS.values(), 0)
    recorded = dict.fromkeys(_KINDS.values(), 0)
    pictures, same_pictures = 0, 0
    for one in known.shows:
        kind = _KINDS.get(one.kind, _KINDS["output"])
        recorded[kind] += 1
        pictures += bool(one.picture)
        digest, words = items.pop((one.cell, one.position), (None, None))
        if digest is None:
            rows.append(_row(one, "is no longer shown"))
            continue
        same_pictures += bool(one.picture) and one.picture == digest.picture
        if digest.sha256 == one.sha256 and digest.kind == one.kind:
            equal[kind] += 1
        else:
            rows.append(_row(one, first_difference(shown[one], words) if one in shown else "differs"))
    rows += [_row(digest, "is new") for digest, _ in items.values()]
    counted = [(kind, recorded[kind], equal[kind]) for kind in recorded if recorded[kind]]
    if pictures:
        counted.append(("pictures, byte for byte", pictures, same_pictures))
    return (
        pd.DataFrame(counted, columns=["kind", "recorded", "equal"]),
        pd.DataFrame(rows, columns=["kind", "cell", "name", "difference"]),
    )


def _row(one: Digest, difference: str) -> tuple[str, str, str, str]:
    return one.kind, one.cell, one.name, difference


def _surroundings(then: Record, now: Record, *, forms: bool) -> pd.DataFrame:
    """Give what is not as it was; templates, where forms beside the page are written."""
    pairs = [(name, then.versions.get(name, "absent"), now.versions.get(name, "absent")) for name in now.versions]
    pairs += [
        ("system", then.system, now.system),
        ("source files of the kit, SHA-256", then.code[:16], now.code[:16]),
        ("notebook, SHA-256", then.notebook.sha256[:16], now.notebook.sha256[:16]),
    ]
    for form in sorted({*then.templates, *now.templates}) if forms else ():
        was, is_now = then.templates.get(form, "none"), now.templates.get(form, "none")
        pairs.append((f"template for {form}, SHA-256", was[:16], is_now[:16]))
    return pd.DataFrame([pair for pair in pairs if pair[1] != pair[2]], columns=["what", "then", "now"])

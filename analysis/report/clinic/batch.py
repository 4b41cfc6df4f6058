"""A page for every clinic of a network, each in a folder of its own; the quarter is counted and released once for all."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from analysis.quality.site_export import file_words
from analysis.report.clinic.study import ClinicParameters, clinics, one_of
from analysis.report.quarter.prepared.counted_folder import counted_folder
from analysis.report.quarter.study import OF_INDICATORS
from analysis.report.running.make import make_reports

if TYPE_CHECKING:
    from analysis.report.running.report_files import Format, ReportFiles

REPORT = "clinic"


def make_clinic_pages(
    folder: Path | str,
    out: Path | str,
    *,
    parameters: Mapping[str, Any] | None = None,
    formats: Sequence[Format] = ("html",),
    templates: Sequence[Path | str] = (),
    overwrite: bool = False,
    progress: Callable[[int, int], None] | None = None,
) -> dict[str, ReportFiles]:
    """Make a page for every clinic of a cohort by quarter, or for the one that the parameter ``site`` names.

    Parameters
    ----------
    folder : Path or str
        Cohort folder at the limited level (or invented), or a folder with counts.
    out : Path or str
        Folder that is written: each page into a folder named after its clinic.
    parameters : mapping, optional
        Parameters of the page.
    formats, templates, overwrite, progress
        As of :func:`analysis.report.make_report`.

    Returns
    -------
    dict of str to ReportFiles
        By clinic where its page, notebook and record were written.

    Raises
    ------
    ReportError
        There is no such clinic, no site is recorded, or as of :func:`analysis.report.make_report`; then no page is written.
    CohortError
        The folder holds no quarter's counts.

    Examples
    --------
    >>> from analysis.report.clinic import make_clinic_pages
    >>> make_clinic_pages("no folder", "pages")
    Traceback (most recent call last):
    ...
    analysis.errors.CohortError: The folder holds neither a cohort nor aggregates.
      where: no folder
      what to do: A quarter's outcomes need a cohort at the limited level (kneecurve import), because safe harbor forbids quarters, ...
    """
    given = dict(parameters or {})
    asked = ClinicParameters.checked(folder, given)
    counts, *_ = counted_folder(Path(folder), {name: getattr(asked, name) for name in OF_INDICATORS})
    every = clinics(counts.sites)
    words = file_words(every)
    sites = every if asked.site is None else [one_of(every, asked.site)]
    if asked.releases is not None and not Path(asked.releases).is_absolute():
        given["releases"] = f"../{asked.releases}"  # from the folder that is written, as for other reports
    each = {Path(out) / words[site]: {**given, "site": site} for site in sites}
    made = make_reports(
        REPORT, folder, each, formats=formats, templates=templates, overwrite=overwrite, progress=progress
    )
    return dict(zip(sites, made, strict=True))

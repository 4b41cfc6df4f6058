"""One clinic's page: its parameters, and everything that it shows, out of what the quarter's report releases."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from analysis.errors import ReportError
from analysis.quarter.counts import ALL_SITES, NO_SITE
from analysis.report.clinic.findings import ClinicFindings, find
from analysis.report.clinic.network import network_of
from analysis.report.quarter.study import QuarterParameters
from analysis.report.running.declared import parameter, takes

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.report.quarter.study import QuarterStudy


@dataclass(frozen=True)
class ClinicParameters(QuarterParameters):
    """Parameters of one clinic's page: those of the quarter, as the page shows nothing that its report does not release."""

    site: str | None = parameter(None, "the clinic, by the name of its site; None: every one, or the only one")


@dataclass(frozen=True, eq=False)
class ClinicPage:
    """One clinic's page, ready to be shown; it holds no count that may not be shown.

    Attributes
    ----------
    site : str
        The clinic.
    study : QuarterStudy
        The quarter of all clinics.
    found : ClinicFindings
        What can be said of this one; every claim of the page speaks from it.
    parameters : dict
        The parameters as given.
    """

    site: str
    study: QuarterStudy
    found: ClinicFindings
    parameters: dict[str, Any]


@takes(ClinicParameters)
def prepare_clinic(folder: Path | str, **given: Any) -> ClinicPage:
    """Prepare the page of one clinic; the quarter of all clinics is counted and released once in a process.

    Parameters
    ----------
    folder : Path or str
        Cohort folder at the limited level (or invented), or a folder with aggregates.csv.
    {parameters}

    Returns
    -------
    ClinicPage
        What :mod:`analysis.report.clinic` shows.

    Raises
    ------
    CohortError
        As of :func:`analysis.report.quarter.prepare_quarter`.
    ReportError
        There is no such clinic, or several and none was named; otherwise as of the same function.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> from analysis.cohort import write_cohort
    >>> from synthetic_cohort import generate_cohort
    >>> with TemporaryDirectory() as name:
    ...     made = generate_cohort(patients=400, seed=3, quarters=4).observed
    ...     page = prepare_clinic(write_cohort(made, Path(name) / "cohort"), site="site A")
    >>> page.site, page.found.judged, len(page.found.followed)
    ('site A', 4, 4)
    """
    asked = ClinicParameters.checked(folder, given)
    parameters = asked.given()
    network = network_of(Path(folder), {name: value for name, value in parameters.items() if name != "site"})
    site = one_of(clinics(network.study.released.sites), asked.site)
    return ClinicPage(site, network.study, find(network.study, site, network.questions), parameters)


def clinics(sites: Sequence[str]) -> list[str]:
    """Give the sites that are clinics: patients whose site is not recorded are none.

    Raises
    ------
    ReportError
        No site is recorded.
    """
    found = [one for one in sites if one not in (NO_SITE, ALL_SITES)]
    if not found:
        raise ReportError(
            "No site is recorded, so there is no clinic to make a page of.",
            where="column site of the patients, or of the aggregates",
            what_to_do="Name the column of the site in the map, and import again.",
        )
    return found


def one_of(sites: Sequence[str], named: str | None) -> str:
    """Give the clinic that is asked for, or the only one.

    Raises
    ------
    ReportError
        There is no such clinic, or several and none was named.
    """
    if named in sites or (named is None and len(sites) == 1):
        return named or sites[0]
    raise ReportError(
        "The clinic is not named." if named is None else f"There is no clinic {named!r}.",
        where="parameter site",
        what_to_do=f"Name one of: {', '.join(sites)}.",
    )

"""Everything a comparison over sites is made of, computed once."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any, get_args

from analysis.errors import ReportError, check_choice
from analysis.pooled.comparison import PooledComparison, compare_from_sums
from analysis.pooled.sites.combining import PooledSites, read_network
from analysis.report.comparison.parameters import Allocation
from analysis.report.running.declared import ReportParameters, parameter, takes
from analysis.report.sites.findings import SitesFindings, find


@dataclass(frozen=True)
class SitesParameters(ReportParameters):
    """Parameters of a comparison over sites."""

    folder: str = parameter("../network", "folder that kneecurve sites combine wrote, seen from this notebook")
    design: str = parameter("observational", 'how patients came to their protocols: "observational" or "randomised"')


@dataclass(frozen=True, eq=False)
class SitesStudy:
    """A comparison over sites, ready to be shown.

    Attributes
    ----------
    folder : Path
        The folder of combined sites.
    pooled : PooledSites
        Their sums, and what each sent.
    compared : PooledComparison
        The results.
    found : SitesFindings
        What was found; every claim of the report speaks from it.
    allocation : {"observational", "randomised"}
    parameters : dict
        The parameters as given.
    """

    folder: Path
    pooled: PooledSites
    compared: PooledComparison
    found: SitesFindings
    allocation: Allocation
    parameters: dict[str, Any]


@takes(SitesParameters)
def prepare_sites(folder: Path | str, **given: Any) -> SitesStudy:
    """Read the sums of several sites, and compute everything that their comparison shows.

    Parameters
    ----------
    folder : Path or str
        Folder that ``kneecurve sites combine`` wrote.
    {parameters}

    Returns
    -------
    SitesStudy
        What :mod:`analysis.report.sites` shows.

    Raises
    ------
    ReportError
        There is no such parameter, or a value is of another type or not known.
    CohortError
        The folder is none of combined sites, or was changed.
    ModelError
        Nobody is in the reference, or no curves can be fitted.
    """
    asked = SitesParameters.checked(folder, given)
    check_choice(asked.design, get_args(Allocation), "design", error=ReportError, where="parameter design")
    design: Allocation = "randomised" if asked.design == "randomised" else "observational"
    pooled = read_network(folder)
    compared = compare_from_sums(pooled.sums, pooled.moments, left_out=pooled.left_out)
    return SitesStudy(
        Path(folder),
        pooled,
        compared,
        find(pooled, compared),
        design,
        asked.given(),
    )

"""Everything a comparison over a registry is made of: sums over all its parts, and the comparison of a sample of its patients."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, get_args

from analysis.cohort.files.data_package import write_cohort
from analysis.errors import ReportError, check_choice
from analysis.pooled.comparison import compare_from_sums
from analysis.pooled.planning import plan_pooling
from analysis.pooled.registry import SAMPLE, Survey, registry_sums, survey_registry
from analysis.pooled.sites.combining import PooledSites
from analysis.progress import steps
from analysis.report.comparison import prepare_study
from analysis.report.comparison.parameters import Allocation
from analysis.report.comparison.study import Study
from analysis.report.running.declared import ReportParameters, parameter, takes
from analysis.report.sites.findings import find
from analysis.report.sites.study import SitesStudy
from analysis.writing.owners import temporary_folder

#: Curves are adjusted for the site up to so many sites (design choice: cross-products grow with their square).
MOST_SITES = 20


@dataclass(frozen=True)
class RegistryParameters(ReportParameters):
    """Parameters of a comparison over a registry."""

    folder: str = parameter("../registry", "cohort folder in parts, seen from this notebook")
    measure: str = parameter("ikdc", "what is compared")
    week: float = parameter(26.0, "week of the endpoint")
    threshold: float | None = parameter(None, "size of an improvement that counts; None: that of the catalogue")
    reference: str | None = parameter(None, "protocol compared with; None: that of the cohort, else the first")
    design: str = parameter("observational", 'how patients came to their protocols: "observational" or "randomised"')
    enough: float = parameter(0.8, "share of the home sessions prescribed that counts as enough")
    level: float = parameter(0.95, "confidence level of every interval")
    sample: int = parameter(SAMPLE, "patients drawn at random for what needs rows")
    seed: int = parameter(1, "seed of that draw")


@dataclass(frozen=True, eq=False)
class RegistryStudy:
    """A comparison over a registry, ready to be shown.

    Attributes
    ----------
    folder : Path
        The cohort folder.
    whole : SitesStudy
        The comparison from the sums of all parts; :mod:`analysis.report.sites` shows it.
    sample : Study
        The comparison of the patients drawn, from their rows; :mod:`analysis.report.comparison` shows it.
    survey : Survey
        What was read first, with the patients drawn.
    adjusted_for_site : bool
        Whether the curves are adjusted for the site.
    parameters : dict
        The parameters as given.
    """

    folder: Path
    whole: SitesStudy
    sample: Study
    survey: Survey
    adjusted_for_site: bool
    parameters: dict[str, Any]


@takes(RegistryParameters)
def prepare_registry(folder: Path | str, **given: Any) -> RegistryStudy:
    """Count a registry part by part, and draw a sample of its patients for what needs rows.

    Parameters
    ----------
    folder : Path or str
        Cohort folder in parts (``write_cohort(partition=...)``); one without parts is one part.
    {parameters}

    Returns
    -------
    RegistryStudy
        What :mod:`analysis.report.registry` shows.

    Raises
    ------
    ReportError
        There is no such parameter, or a value is of another type or not known.
    CohortError, ModelError
        A part cannot be read; the measure, the threshold or the reference is not known; or the visits follow no schedule.
    """
    asked = RegistryParameters.checked(folder, given)
    check_choice(asked.design, get_args(Allocation), "design", error=ReportError, where="parameter design")
    design: Allocation = "randomised" if asked.design == "randomised" else "observational"
    survey = survey_registry(folder, patients=asked.sample, seed=asked.seed)
    sites = survey.sites if 1 < len(survey.sites) <= MOST_SITES else ()
    described = {str(name) for name in survey.sample.patients}
    plan = plan_pooling(
        survey.like, asked.measure, week=asked.week, sites=sites, enough=asked.enough, threshold=asked.threshold,
        reference=asked.reference, level=asked.level,
    )  # fmt: skip
    known = {*plan.categories, "events", "reasons", "modalities"}
    plan = plan_pooling(
        survey.like, asked.measure, week=asked.week, sites=sites, enough=asked.enough, threshold=asked.threshold,
        reference=asked.reference, level=asked.level, also={name: survey.names[name] for name in known if name in survey.names},
    )  # fmt: skip
    kept = {name: labels for name, labels in plan.categories.items() if name in survey.names and name in described}
    plan = replace(plan, k=0, sites=(), categories=kept)  # a patient's site may be missing, and parts need not be sites
    sums, moments, parts = registry_sums(folder, plan)
    pooled = PooledSites(replace(plan, sites=tuple(parts["site"])), sums, moments, parts, 0)
    with steps("Comparing") as step:
        step("from sums")
        compared = compare_from_sums(sums, moments)
        whole = SitesStudy(Path(folder), pooled, compared, find(pooled, compared), design, {"design": design})
        step("from a sample of rows")
        with temporary_folder() as place:
            drawn = write_cohort(survey.sample, place / "sample", file_format="parquet")
            sample = prepare_study(
                drawn, measure=asked.measure, primary_week=asked.week, reference=asked.reference, design=design, level=asked.level,
            )  # fmt: skip
    return RegistryStudy(Path(folder), whole, sample, survey, bool(sites), asked.given())

"""The files of the sites checked against each other and added up, and the folder that a report of the network is made from."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import reduce
from operator import add
from pathlib import Path

import pandas as pd

from analysis.cohort.files.settings_files import read_json
from analysis.counted import counted
from analysis.curves.rows.moments import VisitMoments
from analysis.errors import CohortError
from analysis.pooled.agreed import PoolingPlan, read_pooling_plan
from analysis.pooled.sites.masked_site import FORM as MASKED_FORM
from analysis.pooled.sites.masked_site import MaskedSite, read_masked, sum_of_masked
from analysis.pooled.sites.sealed import hash_of_file, read_sealed, write_sealed
from analysis.pooled.sites.site_file import SiteSums, read_site_sums
from analysis.pooled.sums import CohortSums, sums_of_json
from analysis.pooled.visits_of_curves import moments_of_json, moments_to_json
from analysis.result import Result

FORM = "kneecurve sums of a network, version 1"
#: Files of the folder that a report is made from.
PLAN_FILE, SUMS_FILE = "plan.json", "network.json"


@dataclass(frozen=True, eq=False, repr=False)
class PooledSites(Result):
    """The sums of several sites together.

    Attributes
    ----------
    plan : PoolingPlan
    sums : CohortSums
        Of all patients.
    moments : VisitMoments or None
        Of the visits that stay; None where none do.
    sites : pandas.DataFrame
        site, patients, in_curves, left_out (missing where sites are masked), sha256 (of each file).
    left_out : int
        Patients whose visits are in no curve, since few have their pattern or a level within it.
    masked : bool
        Whether nobody saw the numbers of one site.
    without : tuple of str
        Sites of the plan that sent nothing.
    as_of : str
        The day up to which the data are; empty where that is not known.
    """

    plan: PoolingPlan
    sums: CohortSums
    moments: VisitMoments | None
    sites: pd.DataFrame
    left_out: int
    masked: bool = False
    without: tuple[str, ...] = ()
    as_of: str = ""

    def _headline(self) -> str:
        return f"{counted(len(self.sites), 'site')}, {counted(self.sums.n_patients, 'patient')}, by plan {self.plan.digest}"


def combine_sites(plan: PoolingPlan, files: Sequence[str | Path], *, without: Sequence[str] = ()) -> PooledSites:
    """Check the files of the sites of a plan against each other, and add them up.

    Parameters
    ----------
    plan : PoolingPlan
        By which they were made.
    files : sequence of path
        One of each site, all masked or none.
    without : sequence of str
        Sites of the plan that sent nothing, said so that a missing file is no accident. Masked files need all sites.

    Returns
    -------
    PooledSites

    Raises
    ------
    CohortError
        A file was changed, or is of another plan or version; a site is missing, there twice or not in the plan; days differ; some are
        masked and others not; or a number is none. Nothing is combined then.
    """
    masked = [path for path in files if _form_of(path) == MASKED_FORM]
    if masked and len(masked) < len(files):
        raise CohortError(
            "Some files are masked and others are not: masks of some sites do not cancel.",
            where=f"masked: {', '.join(Path(one).name for one in masked)}",
            what_to_do="Let all sites mask, or none.",
        )
    read: list[SiteSums | MaskedSite] = [
        read_masked(path, plan) if masked else read_site_sums(path, plan) for path in files
    ]
    _refuse_sites(plan, [one.site for one in read], [Path(one).name for one in files], without, masked=bool(masked))
    days = {one.as_of: one.site for one in read}
    if len(days) > 1:
        said = "; ".join(f"{site}: {day or 'no day'}" for day, site in sorted(days.items()))
        raise CohortError(
            "The sites have their data as of different days.",
            where=said,
            what_to_do="Take the data of all sites as of one day, and summarise again.",
        )
    hashes = [hash_of_file(path) for path in files]
    day = next(iter(days))
    left_away = tuple(without)
    if masked:
        sent = [one for one in read if isinstance(one, MaskedSite)]
        if len({one.labels for one in sent}) > 1:
            raise CohortError(
                "The moments of the sites have different columns.",
                where=f"{sent[0].site}: {', '.join(sent[0].labels)}",
                what_to_do="Let all sites summarise with one version of the kit.",
            )
        sums, moments, left_out = sum_of_masked(plan, sent)
        table = pd.DataFrame({"site": [one.site for one in sent], "sha256": hashes})
        table = table.assign(patients=float("nan"), in_curves=float("nan"), left_out=float("nan"))
        return PooledSites(plan, sums, moments, table[_COLUMNS], left_out, True, left_away, day)
    open_ones = [one for one in read if isinstance(one, SiteSums)]
    there = [one.moments for one in open_ones if one.moments is not None]
    table = pd.DataFrame(
        {
            "site": [one.site for one in open_ones],
            "patients": [one.sums.n_patients for one in open_ones],
            "in_curves": [0 if one.moments is None else one.moments.n_patients for one in open_ones],
            "left_out": [one.left_out for one in open_ones],
            "sha256": hashes,
        }
    )
    return PooledSites(
        plan, reduce(add, [one.sums for one in open_ones]), reduce(add, there) if there else None, table[_COLUMNS],
        sum(one.left_out for one in open_ones), False, left_away, day,
    )  # fmt: skip


_COLUMNS = ["site", "patients", "in_curves", "left_out", "sha256"]


def _form_of(path: str | Path) -> str:
    try:
        data = read_json(Path(path))
    except (OSError, ValueError):
        return ""  # its reader says what is wrong
    return str(data.get("form")) if isinstance(data, dict) else ""


def _refuse_sites(
    plan: PoolingPlan, names: Sequence[str], files: Sequence[str], without: Sequence[str], *, masked: bool
) -> None:
    twice = next((one for one in names if names.count(one) > 1), None)
    if twice is not None:
        both = ", ".join(file for file, name in zip(files, names, strict=True) if name == twice)
        raise CohortError(f"The site {twice!r} is in two files.", where=both, what_to_do="Leave one out.")
    strange = [one for one in [*names, *without] if one not in plan.sites]
    if strange:
        raise CohortError(
            f"The site {strange[0]!r} is not in the plan.",
            where=f"plan {plan.digest}: {', '.join(plan.sites)}",
            what_to_do="Name sites as the plan does.",
        )
    if masked and without:
        raise CohortError(
            "Masked files need all sites of the plan: the masks of a missing one do not cancel.",
            where=f"without {', '.join(without)}",
            what_to_do="Agree on a plan without that site, with new seeds, and start again.",
        )
    lacking = [one for one in plan.sites if one not in names and one not in without]
    if lacking or not names:
        raise CohortError(
            f"{counted(len(lacking), 'site')} of the plan sent nothing: {', '.join(lacking)}."
            if lacking
            else "No site sent anything.",
            where=f"plan {plan.digest}; given: {', '.join(names) or 'none'}",
            what_to_do="Wait for the file."
            if masked
            else "Wait for the file, or say that you combine without the site (--without).",
        )


def write_network(found: PooledSites, folder: str | Path) -> Path:
    """Write the folder that ``kneecurve report sites_comparison`` takes.

    Raises
    ------
    CohortError
        The folder is there already.
    """
    place = Path(folder)
    if place.exists():
        raise CohortError(
            "There is a folder or file of that name already.", where=str(place), what_to_do="Choose another name."
        )
    place.mkdir(parents=True)
    found.plan.save(place / PLAN_FILE)
    data = {
        "form": FORM,
        "note": "Sums over all sites, also of few patients: for the combining office only, and not for release.",
        "kit": found.plan.kit,
        "plan": found.plan.digest,
        "as_of": found.as_of,
        "masked": found.masked,
        "without": list(found.without),
        "left_out": found.left_out,
        "sites": [
            {name: None if pd.isna(value) else value for name, value in row.items()}
            for row in found.sites.astype(object).to_dict("records")
        ],
        "sums": found.sums.to_json(),
        "moments": moments_to_json(found.moments),
    }
    write_sealed(data, place / SUMS_FILE, overwrite=False)
    return place


def read_network(folder: str | Path) -> PooledSites:
    """Read the folder that :func:`write_network` wrote.

    Raises
    ------
    CohortError
        It is none, or a file of it was changed.
    """
    place = Path(folder)
    if not (place / PLAN_FILE).is_file() or not (place / SUMS_FILE).is_file():
        raise CohortError(
            "This is no folder of combined sites.",
            where=str(folder),
            what_to_do="Name the folder that kneecurve sites combine wrote.",
        )
    plan = read_pooling_plan(place / PLAN_FILE)
    data = read_sealed(place / SUMS_FILE, FORM, plan)
    try:
        table = pd.DataFrame(data["sites"], columns=_COLUMNS)
        return PooledSites(
            plan, sums_of_json(plan, data["sums"]), moments_of_json(data["moments"], plan), table, int(data["left_out"]),
            bool(data["masked"]), tuple(map(str, data["without"])), str(data["as_of"]),
        )  # fmt: skip
    except (KeyError, TypeError, ValueError, IndexError) as error:
        raise CohortError(
            f"This is no folder of combined sites: {error}.",
            where=str(place / SUMS_FILE),
            what_to_do="Combine the files of the sites again.",
        ) from None

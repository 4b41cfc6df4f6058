"""What one site sends masked: all its sums and moments as one row of numbers that say nothing without those of all others."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.cohort.tables import Cohort
from analysis.curves.formula.part_summaries import VisitColumns, moments_of_part
from analysis.curves.rows.covariate import Covariate
from analysis.curves.rows.moments import VisitMoments
from analysis.errors import CohortError
from analysis.pooled.agreed import SITE, PoolingPlan
from analysis.pooled.layout import layout_of
from analysis.pooled.sites.masks import masked, unmasked_sum
from analysis.pooled.sites.sealed import read_sealed, write_sealed
from analysis.pooled.sites.site_file import summarise_site
from analysis.pooled.sums import CohortSums, refuse_masks_left
from analysis.pooled.visits_of_curves import curve_visits

FORM = "kneecurve masked sums of a site, version 1"


@dataclass(frozen=True)
class MaskedSite:
    """Masked numbers of a site.

    Attributes
    ----------
    site, as_of : str
        Whose they are, and up to which day it has its data.
    labels : tuple of str
        Columns of the moments, the same at all sites.
    numbers : tuple of str
        Sums, then moments of the kept patterns, then the patients left out.
    """

    site: str
    as_of: str
    labels: tuple[str, ...]
    numbers: tuple[str, ...]


def mask_site(cohort: Cohort, plan: PoolingPlan, site: str, seeds: Mapping[str, str]) -> MaskedSite:
    """Count a site by a plan of the second round, and mask all numbers.

    Parameters
    ----------
    cohort, plan, site
        As of :func:`analysis.pooled.sites.site_file.summarise_site`; the plan says whose visits stay.
    seeds : mapping of str to str
        The seeds shared with the other sites, by their names.

    Raises
    ------
    CohortError
        The plan is of no second round, a seed is missing, or as of summarise_site.
    """
    if plan.kept is None:
        raise CohortError(
            "The plan does not say whose visits stay, so that sums could not be masked.",
            where=f"plan {plan.digest}",
            what_to_do="Take the plan that the first round gave (kneecurve sites combine --first-round).",
        )
    found = summarise_site(cohort, plan, site, trusted=True)
    named = replace(cohort, patients=cohort.patients.assign(**{SITE: site}))
    of = VisitColumns(plan.moments.fixed, plan.moments.patient, plan.moments.week)
    visits = curve_visits(named, plan)
    whole = moments_of_part(visits, of, plan.moments, None).moments if len(visits) else None
    if whole is None or whole.visit_labels:
        raise CohortError(
            "The visits of this site cannot be masked."
            if whole is None
            else f"A covariate that changes by visit cannot be masked: {', '.join(whole.visit_labels)}.",
            where=f"site {site}",
            what_to_do="The site has no visit after the start: leave it out of the plan."
            if whole is None
            else "Agree on a plan without it.",
        )
    numbers = np.concatenate(
        [
            *(table.to_numpy().ravel() for table in found.sums.tables.values()),
            _moment_numbers(found.moments, _patterns(plan), len(whole.patient_labels) + len(plan.moments.weeks)),
            [float(found.left_out)],
        ]
    )
    sent = masked(numbers.tolist(), site, plan.sites, seeds, f"second round; plan {plan.digest}; as of {found.as_of}")
    return MaskedSite(site, found.as_of, whole.patient_labels, tuple(sent))


def sum_of_masked(plan: PoolingPlan, sent: Sequence[MaskedSite]) -> tuple[CohortSums, VisitMoments | None, int]:
    """Add what all sites sent: sums, moments, and the patients left out.

    Raises
    ------
    CohortError
        The masks do not cancel.
    """
    total = np.array(unmasked_sum([one.numbers for one in sent]))
    tables, at = {}, 0
    for name, layout in layout_of(plan).items():
        size = len(layout.rows) * len(layout.columns)
        values = total[at : at + size].reshape(len(layout.rows), len(layout.columns))
        tables[name] = pd.DataFrame(values, index=layout.rows, columns=list(layout.columns))
        refuse_masks_left(tables[name][list(layout.counts)].to_numpy().ravel())
        at += size
    refuse_masks_left(total[-1:])
    return CohortSums(plan, tables), _moments(plan, sent[0].labels, total[at:-1]), round(float(total[-1]))


def write_masked(found: MaskedSite, plan: PoolingPlan, path: str | Path, *, overwrite: bool = False) -> Path:
    """Write what a site sends masked; raises as :func:`analysis.pooled.sites.site_file.write_site_sums`."""
    data = {
        "form": FORM,
        "note": "Masked: the file says nothing without those of all other sites of the plan.",
        "kit": plan.kit,
        "plan": plan.digest,
        "site": found.site,
        "as_of": found.as_of,
        "labels": list(found.labels),
        "numbers": list(found.numbers),
    }
    return write_sealed(data, path, overwrite=overwrite)


def read_masked(path: str | Path, plan: PoolingPlan) -> MaskedSite:
    """Read what a site sent masked; raises as :func:`analysis.pooled.sites.site_file.read_site_sums`."""
    data = read_sealed(path, FORM, plan)
    try:
        labels = tuple(map(str, data["labels"]))
        numbers = tuple(f"{int(one, 16):032x}" for one in data["numbers"])
        if len(numbers) != _width(plan, len(labels)):
            raise ValueError(f"{len(numbers)} numbers")
        return MaskedSite(str(data["site"]), str(data["as_of"]), labels, numbers)
    except (KeyError, TypeError, ValueError) as error:
        raise CohortError(
            f"This is no masked file of a site: {error}.",
            where=str(path),
            what_to_do="Ask the site for the file that kneecurve sites summarise --seeds wrote.",
        ) from None


def _patterns(plan: PoolingPlan) -> list[bytes]:
    return sorted({seen for seen, _ in plan.kept or ()})


def _width(plan: PoolingPlan, labels: int) -> int:
    of_sums = sum(len(one.rows) * len(one.columns) for one in layout_of(plan).values())
    size = labels + len(plan.moments.weeks)
    return of_sums + len(_patterns(plan)) * size * (size + 1) // 2 + 1


def _moment_numbers(moments: VisitMoments | None, patterns: list[bytes], size: int) -> NDArray[np.float64]:
    """Give the upper triangles of the products by pattern, zero for patterns that nobody here has; their corner is the patients."""
    upper = np.triu_indices(size)
    found = np.zeros((len(patterns), len(upper[0])))
    if moments is not None:
        place = {row.tobytes(): number for number, row in enumerate(np.packbits(moments.seen, axis=1))}
        for number, pattern in enumerate(patterns):
            if pattern in place:
                found[number] = moments.products[place[pattern]][upper]
    return found.ravel()


def _moments(plan: PoolingPlan, labels: tuple[str, ...], numbers: NDArray[np.float64]) -> VisitMoments | None:
    patterns, weeks = _patterns(plan), np.array(plan.moments.weeks, dtype=float)
    size = len(labels) + weeks.size
    upper = np.triu_indices(size)
    products = np.zeros((len(patterns), size, size))
    products[:, upper[0], upper[1]] = numbers.reshape(len(patterns), len(upper[0]))
    products[:, upper[1], upper[0]] = products[:, upper[0], upper[1]]
    there = products[:, 0, 0] > 0
    if not there.any():
        return None
    products = products[there]
    counts = np.rint(products[:, 0, 0])
    bits = np.unpackbits(np.array([np.frombuffer(one, dtype=np.uint8) for one in patterns]), axis=1)[
        there, : weeks.size
    ]
    shifts = np.array([plan.moments.shifts.get(one, 0.0) for one in labels])
    means = dict(zip(labels, products[:, 0, : len(labels)].sum(axis=0) / counts.sum() + shifts, strict=True))
    covariates = tuple(
        Covariate(
            one.name, one.scope, one.levels, np.nan if one.levels is not None else float(means[one.name]), one.by_week
        )
        for one in plan.moments.covariates
    )
    return VisitMoments(
        outcome="value", week=plan.moments.week, patient=plan.moments.patient, covariates=covariates, patient_labels=labels,
        visit_labels=(), patient_shifts=shifts, outcome_shift=plan.moments.outcome_shift, weeks=weeks[None, :],
        seen=bits.astype(bool), counts=counts, products=products, distinct_weeks=weeks, scheduled=True, duplicates=0, dropped=0,
        plan=plan.moments.digest,
    )  # fmt: skip

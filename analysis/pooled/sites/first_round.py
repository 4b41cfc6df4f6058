"""The first of two rounds: patients by pattern of visits and level over all sites, from which follows whose visits may be summed."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import product
from pathlib import Path

import numpy as np

from analysis.cohort.tables import Cohort
from analysis.counted import counted
from analysis.curves.rows.small_cells import Profile, kept_profiles
from analysis.errors import CohortError
from analysis.pooled.agreed import SITE, PoolingPlan
from analysis.pooled.sites.masks import masked, unmasked_sum
from analysis.pooled.sites.sealed import read_sealed, write_sealed
from analysis.pooled.sums import refuse_masks_left
from analysis.pooled.visits_of_curves import curve_profiles, curve_visits

FORM = "kneecurve profiles of a site, version 1"
#: More profiles than this are not sent one by one (design choice).
_MOST = 200_000


@dataclass(frozen=True)
class SiteProfiles:
    """Patients of a site by profile, perhaps masked.

    Attributes
    ----------
    site : str
    profiles : Counter or None
        Patients by (weeks seen as bits, levels); None where they are masked.
    masked : tuple of str
        Masked numbers, in the order of :func:`every_profile`; empty where they are not.
    """

    site: str
    profiles: Counter[Profile] | None
    masked: tuple[str, ...] = ()


def summarise_profiles(
    cohort: Cohort, plan: PoolingPlan, site: str, *, seeds: Mapping[str, str] | None = None
) -> SiteProfiles:
    """Count the patients of a site by pattern of visits and levels.

    Parameters
    ----------
    cohort, plan, site
        As of :func:`analysis.pooled.sites.site_file.summarise_site`.
    seeds : mapping of str to str, optional
        The seeds shared with the other sites, by their names: the counts are masked by them.

    Raises
    ------
    CohortError
        The site is not in the plan, a seed is missing, or there are too many profiles to mask.
    """
    if site not in plan.sites:
        raise CohortError(
            f"The site {site!r} is not in the plan.",
            where=f"plan {plan.digest}: {', '.join(plan.sites)}",
            what_to_do="Name the site as the plan does.",
        )
    named = replace(cohort, patients=cohort.patients.assign(**{SITE: site}))
    found = curve_profiles(curve_visits(named, plan), plan)
    if seeds is None:
        return SiteProfiles(site, found)
    numbers = [float(found.get(one, 0)) for one in every_profile(plan)]
    return SiteProfiles(site, None, tuple(masked(numbers, site, plan.sites, seeds, _context(plan))))


def every_profile(plan: PoolingPlan) -> list[Profile]:
    """List every profile that a patient can have by a plan: each pattern of visits, with each combination of levels.

    Raises
    ------
    CohortError
        There are too many.
    """
    levels = [one.levels for one in plan.moments.covariates if one.levels is not None and one.scope == "patient"]
    weeks = len(plan.moments.weeks)
    n = (2**weeks - 1) * int(np.prod([len(one) for one in levels]))
    if n > _MOST:
        raise CohortError(
            f"{n:,} patterns and levels are too many to be masked.",
            where=f"plan {plan.digest}: {counted(weeks, 'week')}",
            what_to_do="Agree on a plan with fewer covariates or weeks.",
        )
    bits = (np.arange(1, 2**weeks)[:, None] >> np.arange(weeks)) & 1
    patterns = [row.tobytes() for row in np.packbits(bits.astype(bool), axis=1)]
    return [(pattern, words) for pattern in patterns for words in product(*levels)]


def settle_kept(plan: PoolingPlan, found: Sequence[SiteProfiles]) -> tuple[PoolingPlan, int, int]:
    """Add up the first round, and settle over all sites whose visits are summed in the second.

    Returns
    -------
    tuple of PoolingPlan, int and int
        The plan of the second round; the patients whose visits stay; and all patients with visits.

    Raises
    ------
    CohortError
        A site is missing, there twice, or only some are masked; masks do not cancel; or nobody stays.
    """
    names = [one.site for one in found]
    twice = next((one for one in names if names.count(one) > 1), None)
    lacking = [one for one in plan.sites if one not in names]
    if twice or lacking:
        raise CohortError(
            f"The site {twice!r} is in two files." if twice else f"The site {lacking[0]!r} is missing.",
            where=f"sites of the plan: {', '.join(plan.sites)}; given: {', '.join(names) or 'none'}",
            what_to_do="Give one file of each site, all of the first round.",
        )
    hidden = [one for one in found if one.profiles is None]
    if hidden and len(hidden) < len(found):
        raise CohortError(
            f"The file of {hidden[0].site!r} is masked, and others are not: masks of some do not cancel.",
            where=f"masked: {', '.join(one.site for one in hidden)}",
            what_to_do="Let all sites mask, or none.",
        )
    total: Counter[Profile] = Counter()
    if hidden:
        sums = unmasked_sum([one.masked for one in hidden])
        refuse_masks_left(sums)
        total.update({one: round(n) for one, n in zip(every_profile(plan), sums, strict=True) if round(n)})
    else:
        for one in found:
            total.update(one.profiles or {})
    kept = kept_profiles(total, plan.k)
    if not kept:
        raise CohortError(
            f"No pattern and level has {plan.k} patients over all sites.",
            where=f"plan {plan.digest}",
            what_to_do="Agree on a plan with fewer covariates.",
        )
    return replace(plan, kept=tuple(sorted(kept))), sum(total[one] for one in kept), sum(total.values())


def write_profiles(found: SiteProfiles, plan: PoolingPlan, path: str | Path, *, overwrite: bool = False) -> Path:
    """Write the first round of a site; raises as :func:`analysis.pooled.sites.site_file.write_site_sums`."""
    plain = [[seen.hex(), list(levels), n] for (seen, levels), n in sorted((found.profiles or {}).items())]
    note = "Patients by pattern of visits and levels, as they are, also from 1 to 10: for the combining office only."
    data = {
        "form": FORM,
        "note": note
        if found.profiles is not None
        else "Masked: the file says nothing without those of all other sites.",
        "kit": plan.kit,
        "plan": plan.digest,
        "site": found.site,
        "profiles": plain if found.profiles is not None else None,
        "masked": list(found.masked),
    }
    return write_sealed(data, path, overwrite=overwrite)


def read_profiles(path: str | Path, plan: PoolingPlan) -> SiteProfiles:
    """Read the first round of a site; raises as :func:`analysis.pooled.sites.site_file.read_site_sums`."""
    data = read_sealed(path, FORM, plan)
    try:
        plain = data["profiles"]
        counts = (
            None
            if plain is None
            else Counter({(bytes.fromhex(seen), tuple(map(str, levels))): int(n) for seen, levels, n in plain})
        )
        words = tuple(f"{int(one, 16):032x}" for one in data["masked"])
        if counts is None and len(words) != len(every_profile(plan)):
            raise ValueError("masked numbers of another length")
        return SiteProfiles(str(data["site"]), counts, words)
    except (KeyError, TypeError, ValueError) as error:
        raise CohortError(
            f"This is no first round of a site: {error}.",
            where=str(path),
            what_to_do="Ask the site for the file that kneecurve sites summarise --first-round wrote.",
        ) from None


def _context(plan: PoolingPlan) -> str:
    return f"first round; plan {plan.digest}; as of {plan.as_of}"

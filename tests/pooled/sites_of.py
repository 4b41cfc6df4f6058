"""A cohort taken apart into sites that share no row."""

from dataclasses import replace

import numpy as np

NAMES = tuple(f"site {one}" for one in "abcdefghijkl")


def with_sites(cohort, n_sites, seed=1):
    """Give the patients a site at random, all sites about as large."""
    drawn = np.random.default_rng(seed).integers(n_sites, size=len(cohort.patients))
    return replace(cohort, patients=cohort.patients.assign(site=np.array(NAMES)[drawn]))


def by_site(cohort):
    """Give the cohort of each site, by its name."""
    found = {}
    for name in sorted(cohort.patients["site"].unique()):
        people = cohort.patients[cohort.patients["site"] == name].reset_index(drop=True)
        inside = set(people["patient_id"])
        tables = {
            one: table[table["patient_id"].isin(inside)].reset_index(drop=True)
            for one in ("visits", "events", "sessions", "brace_limits")
            if (table := getattr(cohort, one)) is not None
        }
        found[name] = replace(cohort, patients=people, **tables)
    return found

"""Who is in the cohort: sites, therapists, allocation to protocols, and the patient's baseline columns."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from synthetic_cohort.expected.expectation import cut_ages
from synthetic_cohort.scenarios.scenario import Scenario
from synthetic_cohort.streams import stream

_FEWEST_DIGITS = 4
_MASS_CUT = 2.5


@dataclass(frozen=True, eq=False)
class Patients:
    """The patients of a cohort as arrays, one entry each.

    Parameters
    ----------
    frame : pandas.DataFrame
        The patients table: patient_id, protocol, site, therapist, procedure, involved_side, sex, age_years,
        body_mass_kg, and the scenario's covariates.
    protocol, site, therapist : array of int
        Positions in the scenario's protocols and sites; therapists are numbered across sites.
    woman : array of bool
        Whether the patient is a woman.
    age_years : array
        Age in whole years.
    levels : dict of str to array of int
        For each further covariate the position of the patient's label.
    """

    frame: pd.DataFrame
    protocol: NDArray[np.intp]
    site: NDArray[np.intp]
    therapist: NDArray[np.intp]
    woman: NDArray[np.bool_]
    age_years: NDArray[np.float64]
    levels: dict[str, NDArray[np.intp]]

    def __len__(self) -> int:
        return len(self.protocol)


def draw_patients(scenario: Scenario, n_patients: int, seed: int) -> Patients:
    """Draw the patients, in the order of their opaque ids, and randomise them to protocols within their site."""
    mix = scenario.patients
    site = _labels(stream(seed, "patients", "site"), np.array(scenario.site_shares), n_patients)
    within = stream(seed, "patients", "therapist").integers(scenario.therapists_per_site, size=n_patients)
    protocol = allocate(site, len(scenario.protocols), stream(seed, "patients", "allocation"))
    woman = stream(seed, "patients", "sex").random(n_patients) < mix.women_share
    age = np.rint(cut_ages(mix, stream(seed, "patients", "age").random(n_patients)))
    deviation = np.clip(stream(seed, "patients", "body mass").standard_normal(n_patients), -_MASS_CUT, _MASS_CUT)
    mass = np.where(woman, mix.body_mass_women_kg, mix.body_mass_men_kg) + mix.body_mass_sd_kg * deviation
    right = stream(seed, "patients", "side").random(n_patients) < 0.5
    levels = {
        covariate.name: _labels(
            stream(seed, "patients", "covariate", covariate.name), np.array(covariate.shares), n_patients
        )
        for covariate in scenario.covariates
    }
    therapist = site * scenario.therapists_per_site + within
    therapists = [
        f"{place}, therapist {k + 1}" for place in scenario.sites for k in range(scenario.therapists_per_site)
    ]
    frame = pd.DataFrame(
        {
            "patient_id": patient_ids(n_patients),
            "protocol": _categorical(protocol, scenario.protocols),
            "site": _categorical(site, scenario.sites),
            "therapist": _categorical(therapist, tuple(therapists)),
            "procedure": _categorical(np.zeros(n_patients, dtype=np.intp), (scenario.procedure,)),
            "involved_side": _categorical(right.astype(np.intp), ("left", "right")),
            "sex": _categorical((~woman).astype(np.intp), ("female", "male")),
            "age_years": age,
            "body_mass_kg": np.round(mass, 1),
        }
    )
    for covariate in scenario.covariates:
        frame[covariate.name] = _categorical(levels[covariate.name], covariate.levels)
    return Patients(frame, protocol, site, therapist, woman, age, levels)


def allocate(site: NDArray[np.intp], n_protocols: int, generator: np.random.Generator) -> NDArray[np.intp]:
    """Randomise patients in order of arrival within sites, in permuted blocks of two patients a protocol.

    In each site every full block of ``2 * n_protocols`` holds every protocol twice.

    Examples
    --------
    >>> sites = np.repeat([0, 1], 6)
    >>> protocols = allocate(sites, 3, np.random.default_rng(1))
    >>> [sorted(protocols[sites == one].tolist()) for one in (0, 1)]
    [[0, 0, 1, 1, 2, 2], [0, 0, 1, 1, 2, 2]]
    """
    n = len(site)
    by_site = np.argsort(site, kind="stable")
    counts = np.bincount(site)
    rank = np.empty(n, dtype=np.intp)
    rank[by_site] = np.arange(n) - np.repeat(np.cumsum(counts) - counts, counts)
    size = 2 * n_protocols
    blocks = -(-counts // size)
    block = (np.cumsum(blocks) - blocks)[site] + rank // size
    orders = np.argsort(generator.random((int(blocks.sum()), size)), axis=1)
    return np.asarray(orders[block, rank % size] % n_protocols)


def patient_ids(n_patients: int) -> pd.Series:
    """Make opaque ids: the letter p and a number, of the same length for all.

    Examples
    --------
    >>> patient_ids(2).to_list()
    ['p0001', 'p0002']
    """
    digits = max(_FEWEST_DIGITS, len(str(n_patients)))
    return "p" + pd.Series(np.arange(1, n_patients + 1)).astype("str").str.zfill(digits)


def _labels(generator: np.random.Generator, shares: NDArray[np.float64], n: int) -> NDArray[np.intp]:
    edges = np.cumsum(shares)[:-1]
    return np.searchsorted(edges, generator.random(n), side="right")


def _categorical(codes: NDArray[np.intp], labels: tuple[str, ...]) -> pd.Categorical:
    return pd.Categorical.from_codes(codes, categories=pd.Index(labels, dtype="str"))

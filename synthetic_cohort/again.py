"""A cohort made again from its provenance, which a file may have brought: within limits that every report of the kit keeps."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np

from analysis.cohort import Provenance
from analysis.errors import CohortError
from synthetic_cohort.generate import SyntheticCohort, generate_cohort
from synthetic_cohort.home_programme.sessions import last_week
from synthetic_cohort.scenarios.scenario import Scenario
from synthetic_cohort.scenarios.scenario_files import load_scenario, read_scenario

#: Planned values of all patients together (design choice): more than twice the largest demo (20,000 patients with 94 each of the
#: ligament scenario). 100,000 such patients, 9.4 million, took 2.4 seconds and 0.8 GB, so that this many fit any laptop.
MOST_PLANNED_VALUES = 5_000_000
#: Parameters of a scenario, lists and each of their elements for themselves (design choice); those of the kit have below 1,000.
MOST_PARAMETERS = 10_000


def generate_again(provenance: Provenance) -> SyntheticCohort:
    """Make a generated cohort again from its provenance.

    A provenance may come from a file of somebody else, so it may ask for :data:`MOST_PLANNED_VALUES` at most;
    :func:`generate_cohort` makes larger cohorts.

    Parameters
    ----------
    provenance : Provenance
        Of a cohort that :func:`generate_cohort` made, or that was read from its folder.

    Returns
    -------
    SyntheticCohort
        The same cohort.

    Raises
    ------
    CohortError
        The provenance is not that of a generated cohort, or asks for more than the limits.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> first = generate_cohort(patients=30, seed=7)
    >>> again = generate_again(first.observed.provenance)
    >>> bool(again.observed.visits.equals(first.observed.visits))
    True
    """
    parameters = provenance.parameters
    if provenance.scenario is None or provenance.seed is None or "patients" not in parameters:
        raise CohortError(
            "This cohort was not generated, so it cannot be made again.",
            where="its provenance names no scenario, seed and number of patients",
            what_to_do="Use the provenance of a cohort that generate_cohort made.",
        )
    own = parameters.get("scenario")
    if own is None:
        scenario = load_scenario(provenance.scenario)
    else:
        _refuse_large(own)
        scenario = read_scenario(own, "provenance of the cohort")
    _refuse_many(scenario, parameters["patients"])
    return generate_cohort(
        scenario, patients=parameters["patients"], seed=provenance.seed, quarters=parameters.get("quarters")
    )


def planned_values(scenario: Scenario) -> int:
    """Count what is planned for a patient: measures a visit, weeks of home sessions and brace, events, covariates.

    Examples
    --------
    >>> planned_values(load_scenario("ligament reconstruction"))
    94
    """
    measures = len(scenario.visit_weeks) * len(scenario.series)
    sessions = last_week(scenario) + sum(one.last_week - one.first_week + 1 for one in scenario.modalities)
    brace = sum(len(plan.weeks) for plan in scenario.brace)
    return measures + sessions + brace + len(scenario.events) + len(scenario.covariates)


def _refuse_large(own: Any) -> None:
    """Refuse a scenario of more parameters than the limit before any of them is read."""
    if sum(1 for _ in _parameters(own)) > MOST_PARAMETERS:
        raise CohortError(
            f"The scenario has more than {MOST_PARAMETERS:,} parameters, the most that a file may bring.",
            where="provenance of the cohort, scenario",
            what_to_do="If you trust the file, read the scenario from one of your own with load_scenario(Path(...)) and "
            "give it to generate_cohort.",
        )


def _parameters(data: Any) -> Iterator[Any]:
    yield data
    if isinstance(data, Mapping | list | tuple):
        for one in data.values() if isinstance(data, Mapping) else data:
            yield from _parameters(one)


def _refuse_many(scenario: Scenario, patients: Any) -> None:
    """Refuse more planned values than the limit; what is no number of patients is refused where it is used."""
    if isinstance(patients, bool) or not isinstance(patients, int | np.integer):
        return
    each = planned_values(scenario)
    places = len(scenario.sites) * scenario.therapists_per_site * len(scenario.series)
    if max(int(patients) * each, places) > MOST_PLANNED_VALUES:
        raise CohortError(
            f"A provenance may ask for {MOST_PLANNED_VALUES:,} planned values at most, and this one asks for more: "
            f"{patients:,} patients with {each:,} each"
            + (f", and {places:,} differences between therapists." if places > MOST_PLANNED_VALUES else "."),
            where="provenance of the cohort (a record or a cohort folder may come from anywhere)",
            what_to_do="If you want so large a cohort, make it yourself with generate_cohort and write_cohort.",
        )

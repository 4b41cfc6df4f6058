"""A cohort whose truth is known."""

from synthetic_cohort.again import generate_again
from synthetic_cohort.generate import SyntheticCohort, generate_cohort
from synthetic_cohort.scenarios.scenario import Scenario
from synthetic_cohort.scenarios.scenario_files import list_scenarios, load_scenario
from synthetic_cohort.scenarios.scenario_parts import Effect, Series
from synthetic_cohort.truth import Truth

__all__ = [  # noqa: RUF022 - in the order of the work
    "generate_cohort",  # make a cohort
    "list_scenarios",  # names of the scenarios
    "load_scenario",  # a scenario by name or from a file
    "Scenario",  # what a cohort is made from
    "Series",  # one measure of one limb
    "Effect",  # what a protocol adds
    "SyntheticCohort",  # observed, complete, missing, truth
    "Truth",  # curves, protocol means and differences, dose-response
    "generate_again",  # the same cohort from its provenance
]

"""What a protocol comparison shows of its responders, of the gap and the symmetry to the other limb; and the joint models."""

from __future__ import annotations

import warnings
from dataclasses import dataclass, replace
from functools import cached_property

from analysis.cohort.follow_up.expected_visits import expected_weeks, seen_weeks
from analysis.curves.recovery import adjustment
from analysis.errors import ConvergenceWarning, DistributionWarning
from analysis.outcomes import (
    Endpoint,
    GapRegained,
    ProbabilityOfResponse,
    Responders,
    choose_endpoint,
    gap_regained,
    probability_of_response,
    responders_at_two_weeks,
    stratified_responders,
)
from analysis.outcomes.missing.weekly_model import WeeklyModel, fit_weekly
from analysis.outcomes.responders.adjusted_difference import adjusted_difference
from analysis.outcomes.responders.better_or_worse import better_or_worse
from analysis.outcomes.responders.kept_response import reached_and_kept
from analysis.outcomes.responders.limb_symmetry import LimbSymmetry, limb_symmetry
from analysis.outcomes.responders.repeated_responders import repeated_responders
from analysis.outcomes.responders.threshold_grid import threshold_grid
from analysis.outcomes.responders.time_to_response import time_to_response
from analysis.report.comparison.prepared import Prepared
from analysis.report.comparison.results import (
    CountedOtherwise,
    Lacking,
    found_or_lacking,
)
from analysis.report.parts import numbers
from analysis.report.parts.numbers import in_text

#: Torque of the involved limb in N·m/kg that is a common target (common practice, no source).
TORQUE_TO_REACH = 3.0


@dataclass(frozen=True, eq=False)
class Counted(Prepared):
    """A protocol comparison with its responders, counted in every way that sections show."""

    @cached_property
    def gap(self) -> GapRegained | Lacking:
        """How much of the gap to the other limb was regained by the primary week."""
        unscheduled = self.curves is not None and not self.curves.scheduled
        if self.primary_week is None or unscheduled or "involved" not in self.measure.limbs:
            return Lacking("a measure of both limbs with a week at which it was to be taken.")
        endpoint = self.means(self.reference, limb="involved")
        return found_or_lacking("the other limb. ", lambda: gap_regained(self.cohort, endpoint))

    @cached_property
    def symmetry(self) -> LimbSymmetry | Lacking:
        """Limb symmetry of quadriceps torque at the primary week, with the absolute torque beside it."""
        week = self.primary_week
        if week is None:
            return Lacking("a week at which limb symmetry could be counted.")

        def make() -> LimbSymmetry:
            endpoint = choose_endpoint(
                self.cohort, "quadriceps_torque", week=week, threshold=TORQUE_TO_REACH, criterion="state",
                limb="involved", reference=self.reference, level=self.level,
            )  # fmt: skip
            return limb_symmetry(self.cohort, endpoint)

        found = found_or_lacking("what limb symmetry needs. ", make)
        if isinstance(found, Lacking) or found.table["n"].any():
            return found
        return Lacking(f"quadriceps torque of both limbs at {numbers.moment(week)}.")

    @cached_property
    def counted_main(self) -> Responders | Lacking:
        """The main responder analysis."""
        return self.main_responders or Lacking("responders, see above.")

    @cached_property
    def counted_otherwise(self) -> CountedOtherwise | Lacking:
        """The main responder analysis: adjusted, within sites, of all visits, other thresholds, both directions, kept."""
        found, cohort = self.counted_main, self.cohort
        if isinstance(found, Lacking):
            return found
        endpoint, several = replace(found.endpoint, reference=found.reference), len(found.differences) > 0
        measure, week = endpoint.measure, endpoint.week
        if not found.table["n"].any():
            return Lacking(f"changes of {in_text(measure.label)} by {numbers.moment(week)}.")
        covariates = self._adjusted_for(endpoint) if several else ()
        if endpoint.baseline == "first after start":  # what a protocol had done by then is not adjusted away
            covariates = tuple(name for name in covariates if name != "baseline")
        sites = several and "site" in cohort.patients and cohort.patients["site"].nunique() >= 2
        before = [one for one in expected_weeks(seen_weeks(cohort, measure.name, endpoint.limb)) if 0 < one < week]
        return CountedOtherwise(
            of=found,
            grid=threshold_grid(cohort, endpoint, thresholds=[1.0] if measure.is_yes_no else None) if several else None,
            adjusted=found_or_lacking("", lambda: adjusted_difference(cohort, found, covariates=covariates))
            if several
            else None,
            adjusted_for=covariates,
            within_sites=stratified_responders(cohort, found) if sites else None,
            repeated=found_or_lacking("", lambda: repeated_responders(cohort, endpoint)) if several else None,
            directions=better_or_worse(cohort, endpoint) if endpoint.criterion != "state" else None,
            kept=found_or_lacking(
                "visits at which the improvement could have been kept. ", lambda: reached_and_kept(cohort, endpoint)
            ),
            two_weeks=responders_at_two_weeks(cohort, found.endpoint, earlier=before[-1]) if before else None,
            first_reached=time_to_response(cohort, endpoint),
        )

    @cached_property
    def probability(self) -> ProbabilityOfResponse | Lacking:
        """Responders expected when the error of measurement and missing visits are taken into account."""
        beside = self.counted_main
        if isinstance(beside, Lacking):
            return beside
        if beside.endpoint.measure.is_yes_no:
            return Lacking("a model of the error of measurement of several states together.")

        def make() -> ProbabilityOfResponse:
            endpoint = replace(beside.endpoint, reference=beside.reference)
            covariates = self._joint_covariates(endpoint)
            with warnings.catch_warnings():
                warnings.simplefilter("ignore", DistributionWarning)  # said in the words of the section
                warnings.simplefilter("ignore", ConvergenceWarning)  # of a model that is then not used, and said so
                return probability_of_response(
                    self.cohort, endpoint, covariates=covariates,
                    model=self._joint_model(endpoint), draws=4 * self.parameters["imputations"],
                )  # fmt: skip

        return found_or_lacking("what the probability of response needs. ", make)

    def _adjusted_for(self, endpoint: Endpoint) -> tuple[str, ...]:
        """Give what comparisons of an endpoint's measure are adjusted for: the baseline, and what was named or site."""
        return adjustment(self.cohort, endpoint.measure.name, limb=endpoint.limb, covariates=self.named_covariates)

    @cached_property
    def _joint_models(self) -> dict[tuple[str, str], WeeklyModel]:
        return {}

    def _joint_covariates(self, endpoint: Endpoint) -> tuple[str, ...]:
        """Give what the joint model of an endpoint's measure is adjusted for: what the curves are, but the baseline."""
        names = self._adjusted_for(endpoint)
        return tuple(name for name in names if name != "baseline")

    def _joint_model(self, endpoint: Endpoint) -> WeeklyModel:
        """Fit the joint model of an endpoint's measure and limb, once for all that is computed from it."""
        of = endpoint.measure.name, endpoint.limb
        if of not in self._joint_models:
            covariates = self._joint_covariates(endpoint)
            self._joint_models[of] = fit_weekly(self.cohort, of[0], limb=of[1], covariates=covariates)
        return self._joint_models[of]

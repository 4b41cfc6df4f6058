"""Everything that a protocol comparison states, each result computed once, when it is first asked for; sections show it."""

from __future__ import annotations

import warnings
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import Any

import pandas as pd

from analysis.curves.recovery import RecoveryCurves, fit_recovery
from analysis.curves.recovery_design import BaselineAs
from analysis.errors import ConvergenceWarning
from analysis.outcomes import (
    Endpoint,
    MissingPatterns,
    adherence_association,
    adherence_classes,
    complier_effect,
    events_by_week,
    home_dose,
    missing_data_analyses,
    missing_patterns,
    time_to_stopping,
    tipping_point,
    weeks_with_enough,
)
from analysis.outcomes.comparisons.compare_outcomes import OutcomesInOrder, compare_outcomes
from analysis.outcomes.comparisons.harm_differences import harm_differences
from analysis.outcomes.comparisons.subgroups import SubgroupDifferences, subgroup_differences
from analysis.outcomes.home_programme.brace_by_week import BraceByWeek, brace_by_week
from analysis.outcomes.home_programme.intercurrent_events import IntercurrentEvents, intercurrent_events
from analysis.outcomes.responders.states_together import TOGETHER
from analysis.outcomes.unrandomised.observational_comparison import ObservationalComparison
from analysis.report.comparison.appendix.filled import at_level, states_filled
from analysis.report.comparison.balanced.results import balanced_comparison_of, with_balance
from analysis.report.comparison.by_plan.following import PlanFollowed, follow
from analysis.report.comparison.counted import Counted
from analysis.report.comparison.findings.finding import Findings
from analysis.report.comparison.findings.rules import find
from analysis.report.comparison.parameters import ADJUSTED_P_VALUES, ComparisonParameters
from analysis.report.comparison.responder_choice import can_be_drawn
from analysis.report.comparison.results import (
    AtHome,
    DoseAndRecovery,
    Lacking,
    Sensitivity,
    found_or_lacking,
)
from analysis.report.planned.plan import plan_of_text
from analysis.report.running.declared import takes


@dataclass(frozen=True, eq=False)
class Study(Counted):
    """A protocol comparison: with what all sections need, and what each of them shows.

    A result that the data do not allow is a :class:`Lacking`, which says why.
    """

    @cached_property
    def found(self) -> Findings:
        """What was found, made once; every claim of the report speaks from it."""
        beside = None if isinstance(self.sensitivity, Lacking) else self.sensitivity
        found = find(
            self,
            primary=self.primary,
            means=self.means_by_week,
            analyses=beside.analyses if beside else None,
            tipping=beside.tipping if beside else None,
            in_order=None if isinstance(self.outcomes_in_order, Lacking) else self.outcomes_in_order,
            by_group=[one for one in self.by_subgroup.values() if not isinstance(one, Lacking)],
        )
        found = with_balance(found, self.balanced, self.negative_control, level=self.level)
        kept = self.plan_followed
        return found if kept is None else replace(found, by_plan=(len(kept.deviations), kept.points))

    @cached_property
    def balanced(self) -> ObservationalComparison | Lacking:
        """The comparison among patients made alike by what was known before the start, where nobody drew lots."""
        return balanced_comparison_of(self, self.measure.name, self.limb)

    @cached_property
    def negative_control(self) -> ObservationalComparison | Lacking | None:
        """The same comparison of a measure that no protocol can have changed; None where none was named."""
        named = self.parameters["negative_control"]
        return None if named is None else balanced_comparison_of(self, named)

    @cached_property
    def plan_followed(self) -> PlanFollowed | None:
        """What of the plan was done otherwise; None without a plan."""
        if self.plan is None:
            return None
        return follow(
            self.plan,
            self,
            sensitivity=self.sensitivity,
            outcomes=self.outcomes_in_order if self.parameters["secondary"] else None,
            groups=self.by_subgroup,
            nothing_missing=self.nothing_missing,
        )

    @cached_property
    def primary(self) -> pd.DataFrame:
        """Differences at the primary week with adjusted limits and p value (Holm) beside; empty without any."""
        if self.curves is None or len(self.curves.protocols) == 1:
            return pd.DataFrame()
        adjusted = self.curves.primary_differences(level=self.level, adjust=ADJUSTED_P_VALUES)
        beside = adjusted[["lower", "upper", "p_value"]].add_prefix("adjusted_")
        return self.curves.primary_differences(level=self.level).join(beside)

    @property
    def adjusted_level(self) -> float:
        """Level of each interval that is adjusted for the comparisons at the primary week (Bonferroni)."""
        return 1 - (1 - self.level) / max(len(self.primary), 1)

    @cached_property
    def means_by_week(self) -> pd.DataFrame:
        """Model means of every protocol at every week; empty without curves."""
        return pd.DataFrame() if self.curves is None else self.curves.means(level=self.level)

    @cached_property
    def nothing_missing(self) -> bool:
        """Whether every patient was seen at every expected week; False where visits have no schedule."""
        table = self.missing.table
        return bool(len(table) and (table["week"] > 0).any() and not table["missing"].any())

    @cached_property
    def intercurrent(self) -> IntercurrentEvents | Lacking:
        """Events up to the primary week that could change what the outcome means."""
        if self.curves is None:
            return Lacking(f"enough to estimate means. {self.no_curves}")
        return intercurrent_events(self.cohort, self.visits, self.curves.primary_week)

    @cached_property
    def brace(self) -> BraceByWeek:
        """Brace limits by week, and who bent as far as they allow."""
        return brace_by_week(self.cohort, level=self.level)

    @cached_property
    def harm_differences(self) -> pd.DataFrame:
        """Differences of the shares of patients with each harm; empty where nothing is compared."""
        if self.reference is None or not self.events.recorded or len(self.protocols) < 2:
            return pd.DataFrame()
        return harm_differences(self.events, self.reference, level=self.level)

    @cached_property
    def missing_patterns(self) -> MissingPatterns | Lacking:
        """Who stopped coming, who came with gaps, and how those missing at the primary week were at the start."""
        week = self.curves.primary_week if self.curves is not None and self.curves.scheduled else None
        return found_or_lacking(
            "",
            lambda: missing_patterns(self.cohort, self.measure.name, week=week, limb=self.limb, level=self.level),
        )

    @cached_property
    def at_home(self) -> AtHome | Lacking:
        """Doses, when patients stopped, courses of adherence, weeks with enough sessions, and harms by week."""
        if not self.adherence.recorded or not self.adherence.table["n"].any():
            none = self.adherence.recorded and not (self.adherence.overall["sessions_prescribed"] > 0).any()
            return Lacking("home sessions that were prescribed." if none else "home sessions.")
        cohort, level, enough = self.cohort, self.level, self.parameters["enough_sessions"]
        harms = self.events.recorded and self.events.table["events"].any()
        return AtHome(
            home_dose(cohort, level=level),
            found_or_lacking("when sessions stopped. ", lambda: time_to_stopping(cohort, level=level)),
            found_or_lacking("courses of adherence. ", lambda: adherence_classes(cohort, level=level)),
            found_or_lacking(
                "weeks with enough sessions. ", lambda: weeks_with_enough(cohort, enough=enough, level=level)
            ),
            found_or_lacking("harms by week. ", lambda: events_by_week(cohort, level=level)) if harms else None,
        )

    @cached_property
    def dose_and_recovery(self) -> DoseAndRecovery | Lacking:
        """Sessions of each modality against recovery at the primary week."""
        if isinstance(self.at_home, Lacking):
            return self.at_home
        curves = self.curves
        if curves is None or not curves.scheduled:
            return Lacking("a week at which recovery could be set against what was done at home.")
        modalities = list(dict.fromkeys(self.adherence.overall["modality"].astype("str")))
        drawn = self.allocation == "randomised" and len(curves.protocols) > 1
        return DoseAndRecovery(
            {
                one: found_or_lacking(
                    f"what an association of {one} with recovery needs. ",
                    lambda one=one: adherence_association(self.cohort, self.means(None), modality=one),  # type: ignore[misc]
                )
                for one in modalities
            },
            {
                one: found_or_lacking(
                    f"what an estimate for {one} by allocation needs. ",
                    lambda one=one: complier_effect(  # type: ignore[misc]
                        self.cohort, self.means(curves.protocols[0]), randomised=True, modality=one,
                        covariates=self._adjusted_for(self.means(None)),
                    ),
                )
                for one in (modalities if drawn else [])
            },
        )  # fmt: skip

    @cached_property
    def sensitivity(self) -> Sensitivity | Lacking:
        """The comparison at the primary week under several assumptions about missing visits."""
        if self.curves is None:
            return Lacking(f"enough to fit the model that these analyses stand beside. {self.no_curves}")
        if not self.curves.scheduled:
            return Lacking("a schedule, so no visit can be counted as missing and imputed.")
        if len(self.curves.protocols) == 1:
            return Lacking("a second protocol to compare with.")
        if self.nothing_missing:
            return Lacking("a visit that was missed.")
        draws: int = self.parameters["imputations"]
        endpoint, beside = self._compared_by_means(), self.counted_main
        alone = (
            isinstance(beside, Lacking) or beside.endpoint.measure == self.measure or not can_be_drawn(beside.endpoint)
        )

        def make() -> Sensitivity:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore", ConvergenceWarning)  # of a model that is then not used
                model = self._joint_model(endpoint)
                covariates = self._adjusted_for(endpoint)
                found = missing_data_analyses(
                    self.cohort, endpoint, covariates=covariates, model=model, curves=self.curves, draws=draws
                )
                found = replace(found, differences=at_level(found.differences, self.adjusted_level))
                adjusted = replace(endpoint, level=self.adjusted_level)
                turned = tipping_point(self.cohort, adjusted, covariates=covariates, model=model, draws=draws)
                if not isinstance(beside, Lacking) and beside.endpoint.measure.name == TOGETHER:
                    return Sensitivity(
                        found, turned, states_filled(self.cohort, beside.endpoint, self.parameters, draws)
                    )
                if isinstance(beside, Lacking) or alone:
                    return Sensitivity(found, turned, found)
                other = replace(beside.endpoint, reference=endpoint.reference)
                of_responders = missing_data_analyses(
                    self.cohort,
                    other,
                    covariates=self._adjusted_for(other),
                    model=self._joint_model(other),
                    draws=draws,
                )
                return Sensitivity(found, turned, of_responders)

        return found_or_lacking("enough to fill missing visits. ", make)

    @cached_property
    def outcomes_in_order(self) -> OutcomesInOrder | Lacking:
        """The measure compared and the secondary outcomes, tested in their order."""
        named: list[str] = self.parameters["secondary"]
        if not named:
            return Lacking("a secondary outcome, as none was named for this report.")
        if self.curves is None or len(self.curves.protocols) == 1:
            return Lacking("protocols whose outcomes could be compared.")
        return found_or_lacking(
            "what the outcomes need. ",
            lambda: compare_outcomes(
                self.cohort, [self.measure.name, *named], week=self.primary_week, reference=self.reference,
                adjust_for=self.named_covariates, level=self.level,
            ),
        )  # fmt: skip

    @cached_property
    def by_subgroup(self) -> dict[str, SubgroupDifferences | Lacking]:
        """Differences within the groups of patients that were named, by what they are made from."""
        return {
            one: found_or_lacking(
                f"what groups by {one} need. ",
                lambda one=one: subgroup_differences(  # type: ignore[misc]
                    self.cohort, self.measure.name, one, week=self.primary_week, limb=self.limb, reference=self.reference,
                    adjust_for=self.named_covariates, level=self.level,
                ),
            )
            for one in self.parameters["subgroups"]
        }  # fmt: skip

    @cached_property
    def other_baseline(self) -> RecoveryCurves | Lacking:
        """The same curves with the baseline taken in the other way: as an outcome, or as a covariate."""
        curves = self.curves
        if curves is None or self.allocation == "observational" or len(curves.protocols) == 1:
            return Lacking("protocols allocated at random to compare with the baseline as an outcome.")
        other: BaselineAs = "covariate" if curves.baseline_outcome else "outcome"
        return found_or_lacking(
            "what that needs. ",
            lambda: fit_recovery(
                self.cohort, self.measure.name, limb=self.limb, primary_week=curves.primary_week,
                reference=curves.protocols[0], adjust_for=self.named_covariates, baseline_as=other,
            ),
        )  # fmt: skip

    def _compared_by_means(self) -> Endpoint:
        """Give what is compared, with its threshold where it has one; the reference is only one that was named."""
        own = [
            found.endpoint
            for found in self.responders
            if found.endpoint.measure == self.measure and can_be_drawn(found.endpoint)
        ]
        named = self.parameters["reference"]
        return replace(own[0], reference=named) if own else self.means(named)


@takes(ComparisonParameters)
def prepare_study(folder: Path | str, **given: Any) -> Study:
    """Load a cohort and compute what a protocol comparison shows.

    Parameters
    ----------
    folder : Path or str
        Cohort folder.
    {parameters}

    Returns
    -------
    Study
        What :mod:`analysis.report.comparison` shows. Its findings, which every claim of the report speaks from, are made here;
        the results of single sections once, when they are first asked for.

    Raises
    ------
    ReportError
        There is no such parameter, or a value is of another type.
    CohortError
        The folder, the measure or the limb is not known, or the cohort has errors.
    ModelError
        A primary week, reference or threshold was named that does not fit the data.

    Notes
    -----
    Where neither the call nor the cohort names a reference, no missing visit is filled as if under it.

    Examples
    --------
    >>> from pathlib import Path
    >>> from tempfile import TemporaryDirectory
    >>> from analysis.cohort import write_cohort
    >>> from synthetic_cohort import generate_cohort
    >>> with TemporaryDirectory() as name:
    ...     written = write_cohort(generate_cohort(patients=90, seed=3).observed, Path(name) / "cohort")
    ...     study = prepare_study(written, imputations=2)
    >>> study.measure_in_words, study.curves.primary_week
    ('Quadriceps torque, involved limb', 26.0)
    """
    study = study_of(folder, given)
    _ = study.found  # before anything is shown
    return study


def study_of(folder: Path | str, given: Mapping[str, Any]) -> Study:
    """Load a cohort and begin its comparison, by its plan where one is given; results are made when they are asked for."""
    if given.get("plan") is not None:
        given = plan_of_text(given["plan"], "parameter plan").filled(given)
    return Study.of(folder, ComparisonParameters.checked(folder, given))

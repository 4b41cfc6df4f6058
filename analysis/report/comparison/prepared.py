"""What every protocol comparison begins with: the cohort, curves, responders, who was seen, harms."""

from __future__ import annotations

import warnings
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import Any, Self

import pandas as pd

from analysis.cohort import Cohort, Measure, load_cohort, visit_frame
from analysis.cohort.follow_up.as_of import DUE_WEEK
from analysis.cohort.reference import reference_protocol
from analysis.curves.covariates import is_of_a_curve, with_named_covariates
from analysis.curves.recovery import RecoveryCurves, fit_recovery
from analysis.errors import ConvergenceWarning, KneecurveWarning, ModelError
from analysis.outcomes import (
    AdherenceByWeek,
    BaselineTable,
    Endpoint,
    EventsByProtocol,
    MissingByWeek,
    PatientFlow,
    Responders,
    adherence_by_week,
    baseline_table,
    choose_endpoint,
    events_by_protocol,
    missing_by_week,
    patient_flow,
)
from analysis.outcomes.responders.states_together import with_states_together
from analysis.report.comparison.parameters import (
    Allocation,
    ComparisonParameters,
    allocation_of,
    refuse_unknown,
    usual_measure,
)
from analysis.report.comparison.responder_choice import count_responders_of, main_of, week_without_curves
from analysis.report.planned.cohort_of_plan import refuse_what_the_cohort_lacks
from analysis.report.planned.plan import AnalysisPlan, plan_of_text


@dataclass(frozen=True, eq=False)
class Prepared:
    """A protocol comparison with what all of its sections need.

    Attributes
    ----------
    folder : Path
        The cohort folder.
    cohort : Cohort
        The cohort.
    measure : Measure
        The measure compared.
    limb : str
        The limb.
    visits : pandas.DataFrame
        Every visit of the measure, as :func:`analysis.cohort.visit_frame` gives it.
    allocation : {"randomised", "observational"}
        How differences are worded.
    curves : RecoveryCurves or None
        The fitted curves; None where nothing could be fitted.
    no_curves : str
        Why there are no curves.
    responders : tuple of Responders
        What was asked for; otherwise what fits the measure, then a patient-reported measure with an accepted minimal
        important change where the measure itself has none.
    no_responders : str
        Why there is no responder analysis of the measure.
    named_covariates : tuple of str or None
        Columns of the patients that shall be adjusted for; None where nobody named any.
    level : float
        Confidence level of every interval.
    parameters : dict
        The parameters as given.
    plan : AnalysisPlan or None
        The plan that is followed.
    warnings : tuple of str
        What was warned of on the way.
    """

    folder: Path
    cohort: Cohort
    measure: Measure
    limb: str
    visits: pd.DataFrame
    allocation: Allocation
    curves: RecoveryCurves | None
    no_curves: str
    responders: tuple[Responders, ...]
    no_responders: str
    named_covariates: tuple[str, ...] | None
    level: float
    parameters: dict[str, Any]
    plan: AnalysisPlan | None
    warnings: tuple[str, ...]

    @classmethod
    def of(cls, folder: Path | str, asked: ComparisonParameters) -> Self:
        """Load a cohort, fit its curves and count its responders.

        Raises
        ------
        CohortError
            The folder, the measure or the limb is not known, or the cohort has errors.
        ModelError
            A primary week, reference or threshold was named that does not fit the data.
        """
        limb, reference, level = asked.limb, asked.reference, asked.level
        asked.refuse_what_cannot_be()
        plan = None if asked.plan is None else plan_of_text(asked.plan, "parameter plan")
        cohort = load_cohort(folder)
        if plan is not None:
            refuse_what_the_cohort_lacks(plan, cohort)
        cohort = _reference_first(cohort, reference)
        cohort = with_states_together(cohort, asked.together) if asked.together else cohort
        allocation = allocation_of(cohort, asked)
        named = None
        if asked.adjust_for is not None:
            cohort, named = with_named_covariates(cohort, asked.adjust_for)
        name = asked.measure or usual_measure(cohort)
        known = cohort.measures[name]
        visits = visit_frame(cohort, name, limb)
        refuse_unknown(cohort, name, asked)
        with warnings.catch_warnings(record=True) as caught:
            warnings.simplefilter("always", KneecurveWarning)
            curves, no_curves = _curves(cohort, name, limb, asked, named)
            if plan is not None and curves is not None and curves.primary_week == plan.analysis.endpoint.primary_week:
                curves = replace(curves, primary_week_rule="as planned")
            base = curves.protocols[0] if curves is not None and len(curves.protocols) > 1 else reference
            found, no_responders = count_responders_of(
                cohort, name, limb, curves, base, asked.responders, level=level, plan=plan
            )
            prepared = cls(
                folder=Path(folder),
                cohort=cohort,
                measure=known,
                limb=limb or known.default_limb,
                visits=visits,
                allocation=allocation,
                curves=curves,
                no_curves=no_curves,
                responders=found,
                no_responders=no_responders,
                named_covariates=named,
                level=level,
                parameters=asked.given(),
                plan=plan,
                warnings=(),
            )
        # A structure that did not converge was not used: the choices of the curves speak of it.
        ours = [one for one in caught if issubclass(one.category, KneecurveWarning)]
        said = tuple(
            dict.fromkeys(str(one.message) for one in ours if not issubclass(one.category, ConvergenceWarning))
        )
        return replace(prepared, warnings=said)

    @property
    def allocated(self) -> dict[str, int]:
        """All patients of each protocol."""
        rows = self.flow.allocated
        return {str(name): int(n) for name, n in zip(rows["protocol"], rows["allocated"], strict=True)}

    @cached_property
    def flow(self) -> PatientFlow:
        """Who was allocated and who was seen when."""
        return patient_flow(self.cohort)

    @cached_property
    def baseline(self) -> BaselineTable:
        """What the patients were like at the start."""
        patients = [one for one in self.cohort.patients.columns[2:] if one != DUE_WEEK and not is_of_a_curve(one)]
        stored = set(self.cohort.visits["measure"].dropna().unique())
        measures = [name for name, one in self.cohort.measures.items() if name in stored and not one.is_yes_no]
        return baseline_table(self.cohort, covariates=patients, measures=measures)

    @cached_property
    def missing(self) -> MissingByWeek:
        """Who was expected and missed, by week."""
        return missing_by_week(self.cohort, self.measure.name, limb=self.limb, level=self.level)

    @cached_property
    def adherence(self) -> AdherenceByWeek:
        """Sessions done against sessions prescribed."""
        return adherence_by_week(self.cohort, enough=self.parameters["enough_sessions"], level=self.level)

    @cached_property
    def events(self) -> EventsByProtocol:
        """Harms and other events."""
        return events_by_protocol(self.cohort, level=self.level)

    @property
    def protocols(self) -> tuple[str, ...]:
        """Protocols with patients; the reference first."""
        if self.curves is not None:
            return self.curves.protocols
        return tuple(str(name) for name in self.flow.allocated["protocol"])

    @property
    def reference(self) -> str | None:
        """The protocol that the others are compared with; None where none of them can be."""
        if self.curves is not None and len(self.curves.protocols) > 1:
            return self.curves.protocols[0]
        try:
            return reference_protocol(self.cohort, self.cohort.patients["protocol"], self.parameters["reference"])
        except ModelError:
            return None

    @property
    def main_responders(self) -> Responders | None:
        """The analysis whose threshold says more than the error of measurement, where there is one, else the first."""
        return main_of(self.responders)

    @property
    def primary_week(self) -> float | None:
        """The week of the main comparison; where there are no curves, that of the responders."""
        if self.curves is not None:
            return self.curves.primary_week
        return week_without_curves(self.cohort, self.measure.name, self.limb)[0]

    def means(self, reference: str | None, *, limb: str | None = None) -> Endpoint:
        """Give the measure at the primary week, to be compared by means with a reference where one is named."""
        return choose_endpoint(
            self.cohort, self.measure.name, week=self.primary_week or 0.0, criterion=None, limb=limb or self.limb,
            reference=reference, level=self.level,
        )  # fmt: skip

    @property
    def invented(self) -> bool:
        """Whether the cohort was generated."""
        return self.cohort.provenance.scenario is not None

    @property
    def measure_in_words(self) -> str:
        """The measure with its limb, as it is named in headings."""
        return self.measure.label_on(self.limb)


def _reference_first(cohort: Cohort, reference: str | None) -> Cohort:
    """Put the reference first, so that each protocol has one place and one colour in all figures and tables."""
    first = reference if reference is not None else cohort.reference
    if first not in cohort.protocols:
        return cohort
    order = [first, *(name for name in cohort.protocols if name != first)]
    protocol = cohort.patients["protocol"].cat.set_categories(order)
    return replace(cohort, patients=cohort.patients.assign(protocol=protocol))


def _curves(
    cohort: Cohort, name: str, limb: str | None, asked: ComparisonParameters, covariates: tuple[str, ...] | None
) -> tuple[RecoveryCurves | None, str]:
    """Fit the curves; what the user named must fit the data, what the data lack is said in the report."""
    try:
        return fit_recovery(
            cohort, name, limb=limb, primary_week=asked.primary_week, reference=asked.reference, adjust_for=covariates,
            baseline_as=asked.baseline_as,
        ), ""  # fmt: skip
    except ModelError as error:
        if (
            asked.primary_week is not None
            or asked.reference is not None
            or covariates
            or asked.baseline_as == "outcome"
        ):
            raise
        return None, error.what

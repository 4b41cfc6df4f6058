"""What every protocol comparison begins with: its parameters, the cohort, curves, responders, who was seen, harms."""

from __future__ import annotations

import warnings
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import Any, Literal, Self

import pandas as pd

from analysis.cohort import Cohort, Measure, load_cohort, visit_frame
from analysis.cohort.derived import torque_is_per_kg
from analysis.cohort.reference import reference_protocol
from analysis.curves.recovery import RecoveryCurves, fit_recovery
from analysis.curves.recovery_choices import choose_primary_week, has_schedule
from analysis.errors import CohortError, ConvergenceWarning, KneecurveWarning, ModelError
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
    responders,
)
from analysis.outcomes.endpoint import MissingRule
from analysis.outcomes.home_programme.sessions_done import check_enough
from analysis.report.parts.numbers import in_text
from analysis.report.running.declared import ReportParameters, parameter
from analysis.statistics.proportions import check_level

#: Taken as the measure of a comparison where none is named and the cohort has it (design choice).
USUAL_MEASURE = "quadriceps_torque"

Design = Literal["from the cohort", "randomised", "observational"]
Allocation = Literal["randomised", "observational"]


@dataclass(frozen=True)
class ComparisonParameters(ReportParameters):
    """Parameters of a protocol comparison."""

    folder: str = parameter("../cohort", "cohort folder, seen from this notebook")
    measure: str | None = parameter(
        None, "measure compared; None: quadriceps torque, else the measure with most values"
    )
    limb: str | None = parameter(None, "involved, uninvolved or none; None: involved where the measure has limbs")
    primary_week: float | None = parameter(
        None, "week of the main comparison; None: 26 where it is there, else the last attended"
    )
    reference: str | None = parameter(None, "protocol compared with; None: that of the cohort, else the first")
    threshold: float | None = parameter(None, "improvement that makes a responder, positive; None: the published one")
    missing: Literal["excluded", "non-response"] = parameter("excluded", "how patients without a change count")
    design: Literal["from the cohort", "randomised", "observational"] = parameter(
        "from the cohort", "wording of differences"
    )
    enough_sessions: float = parameter(0.8, "share of the prescribed sessions that counts as reached")
    imputations: int = parameter(50, "imputed data sets of each assumption about missing visits")
    level: float = parameter(0.95, "confidence level of every interval")


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
        Of the measure itself, then of a patient-reported measure with an accepted minimal important change where the
        measure itself has none.
    no_responders : str
        Why there is no responder analysis of the measure.
    level : float
        Confidence level of every interval.
    parameters : dict
        The parameters as given.
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
    level: float
    parameters: dict[str, Any]
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
        check_level(level)
        check_enough(asked.enough_sessions)
        cohort = _reference_first(load_cohort(folder), reference)
        name = asked.measure or _usual_measure(cohort)
        known = cohort.measures[name]
        visits = visit_frame(cohort, name, limb)
        with warnings.catch_warnings(record=True) as caught:
            warnings.simplefilter("always", KneecurveWarning)
            curves, no_curves = _curves(cohort, name, limb, asked.primary_week, reference)
            base = curves.protocols[0] if curves is not None and len(curves.protocols) > 1 else reference
            found, no_responders = _responders(
                cohort, name, limb, curves, base, threshold=asked.threshold, missing=asked.missing, level=level
            )
            prepared = cls(
                folder=Path(folder),
                cohort=cohort,
                measure=known,
                limb=limb or known.default_limb,
                visits=visits,
                allocation=_allocation(cohort, asked.design),
                curves=curves,
                no_curves=no_curves,
                responders=found,
                no_responders=no_responders,
                level=level,
                parameters=asked.given(),
                warnings=(),
            )
        # A structure that did not converge was not used: the choices of the curves speak of it.
        ours = [one for one in caught if issubclass(one.category, KneecurveWarning)]
        said = tuple(
            dict.fromkeys(str(one.message) for one in ours if not issubclass(one.category, ConvergenceWarning))
        )
        return replace(prepared, warnings=said)

    @cached_property
    def flow(self) -> PatientFlow:
        """Who was allocated and who was seen when."""
        return patient_flow(self.cohort)

    @cached_property
    def baseline(self) -> BaselineTable:
        """What the patients were like at the start."""
        return baseline_table(self.cohort)

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
    def primary_week(self) -> float | None:
        """The week of the main comparison; where there are no curves, that of the responders."""
        if self.curves is not None:
            return self.curves.primary_week
        return _week_without_curves(self.cohort, self.measure.name, self.limb)[0]

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


def _usual_measure(cohort: Cohort) -> str:
    counts = cohort.visits.dropna(subset=["value"])["measure"].astype("str").value_counts(sort=False)
    if USUAL_MEASURE in counts.index or torque_is_per_kg(cohort.visits, cohort.patients):
        return USUAL_MEASURE
    if counts.empty:
        raise CohortError(
            "The cohort holds no measured value.", where="table visits", what_to_do="Check what was imported."
        )
    return str(counts.index[int(counts.to_numpy().argmax())])


def _curves(
    cohort: Cohort, name: str, limb: str | None, primary_week: float | None, reference: str | None
) -> tuple[RecoveryCurves | None, str]:
    """Fit the curves; what the user named must fit the data, what the data lack is said in the report."""
    try:
        return fit_recovery(cohort, name, limb=limb, primary_week=primary_week, reference=reference), ""
    except ModelError as error:
        if primary_week is not None or reference is not None:
            raise
        return None, error.what


def _responders(
    cohort: Cohort,
    name: str,
    limb: str | None,
    curves: RecoveryCurves | None,
    reference: str | None,
    *,
    threshold: float | None,
    missing: MissingRule,
    level: float,
) -> tuple[tuple[Responders, ...], str]:
    week, without = (curves.primary_week, "") if curves is not None else _week_without_curves(cohort, name, limb)
    if week is None or (curves is not None and not curves.scheduled):
        return (), without or "visits have no schedule, so there is no week at which changes could be counted"
    own: tuple[Responders, ...] = ()
    why = ""
    options = {"week": week, "missing": missing, "level": level, "reference": reference}
    if curves is not None and not curves.frame["baseline"].notna().any():
        return (), "no patient has a value at or before week 0, so there is no change from baseline"
    if threshold is None and not cohort.measures[name].has_threshold:
        why = (
            f"there is no published threshold of change for {in_text(cohort.measures[name].label)}, and none was given"
        )
    else:
        own = (responders(cohort, name, limb=limb, threshold=threshold, **options),)  # type: ignore[arg-type]
    beside = _measure_with_importance(cohort, name)
    if threshold is None and beside is not None:
        own = (*own, responders(cohort, beside, **options))  # type: ignore[arg-type]
    return own, why


def _week_without_curves(cohort: Cohort, name: str, limb: str | None) -> tuple[float | None, str]:
    """Give the week at which the curves would have compared, by who was seen when; without one, why."""
    visits = visit_frame(cohort, name, limb)
    after = visits[visits["value"].notna() & visits["protocol"].notna() & (visits["week"] > 0)]
    if after.empty:
        return None, "no patient with a protocol has a value after week 0"
    if not after["baseline"].notna().any():
        return None, "no patient has a value at or before week 0, so there is no change from baseline"
    try:
        reference_protocol(cohort, after["protocol"], None)
    except ModelError as error:
        return None, error.what.rstrip(".")
    counts = after.groupby("week")["patient_id"].nunique()
    if not has_schedule(counts):
        return None, ""
    return choose_primary_week(counts, None, f"measure {name!r}", scheduled=True)[0], ""


def _measure_with_importance(cohort: Cohort, name: str) -> str | None:
    """Return a measure of the cohort with an accepted minimal important change, where the one compared has none."""
    if cohort.measures[name].smallest_threshold("MIC") is not None:
        return None
    stored = [str(one) for one in cohort.visits["measure"].dropna().unique()]
    procedures = set(cohort.patients["procedure"].dropna().astype("str")) if "procedure" in cohort.patients else set()
    fitting = [
        other for other in stored if other != name and cohort.measures[other].smallest_threshold("MIC") is not None
    ]
    same = [
        other
        for other in fitting
        if any(one.kind == "MIC" and one.procedure in procedures for one in cohort.measures[other].thresholds)
    ]
    chosen = same or fitting
    return chosen[0] if chosen else None


def _allocation(cohort: Cohort, design: Design) -> Allocation:
    if design == "from the cohort":
        return "randomised" if cohort.provenance.scenario is not None else "observational"
    return design

"""Which responder analyses a comparison has: what was asked for, or what fits the measure and a score beside it."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from analysis.cohort import Cohort
from analysis.cohort.reference import reference_protocol
from analysis.cohort.visit_frame import visit_frame
from analysis.curves.recovery import RecoveryCurves
from analysis.curves.recovery_choices import choose_primary_week, has_schedule
from analysis.errors import ModelError
from analysis.outcomes import Endpoint, Responders, change_at_week, choose_endpoint, fitting_endpoint, responders
from analysis.outcomes.endpoint import BaselineRule, MissingRule
from analysis.outcomes.fitting_endpoint import has_fitting_endpoint
from analysis.outcomes.responders.states_together import TOGETHER
from analysis.outcomes.thresholds.chosen_threshold import USUAL_TARGET, Criterion
from analysis.report.parts.numbers import in_text
from analysis.report.planned.parts import ResponderPart
from analysis.report.planned.plan import AnalysisPlan

#: Thresholds that say more than the error of measurement.
IMPORTANT = ("minimal important change", USUAL_TARGET)
NO_BASELINE = "no patient has a value at or before week 0, so there is no change from baseline"


@dataclass(frozen=True)
class AskedResponders:
    """What was asked of the responder analysis; None where it was left to the catalogue.

    ``together`` says that states of several measures are counted together.
    """

    measure: str | None = None
    criterion: Criterion | None = None
    threshold: float | None = None
    change_from: BaselineRule | None = None
    missing: MissingRule = "excluded"
    together: bool = False

    @property
    def named(self) -> bool:
        """Whether anything was named, so that no other analysis stands beside it."""
        given = (self.measure, self.criterion, self.threshold, self.change_from)
        return self.together or any(one is not None for one in given)

    def refuse_what_contradicts(self) -> None:
        """Refuse to count states together and something else too."""
        if self.together and replace(self, together=False).named:
            raise ModelError(
                "States are to be reached together, and another endpoint is named beside them.",
                where="parameters together, and responder_measure, criterion, threshold or change_from",
                what_to_do="Name the states alone, or the other endpoint.",
            )


def count_responders_of(
    cohort: Cohort,
    name: str,
    limb: str | None,
    curves: RecoveryCurves | None,
    reference: str | None,
    asked: AskedResponders,
    *,
    level: float,
    plan: AnalysisPlan | None = None,
) -> tuple[tuple[Responders, ...], str]:
    """Count the responders of a comparison of ``name``; say why where those of the measure itself cannot be counted.

    What was planned is counted where nothing else is asked for.
    """
    week, without = (curves.primary_week, "") if curves is not None else week_without_curves(cohort, name, limb)
    if week is None or (curves is not None and not curves.scheduled):
        return (), without or "visits have no schedule, so there is no week at which changes could be counted"
    endpoints, why = endpoints_of(cohort, name, limb, week, reference, asked, level=level)
    planned = None if plan is None else asked_as_planned(plan, endpoints, asked)
    if planned is not None:
        endpoints, why = endpoints_of(cohort, name, limb, week, reference, planned, level=level)
    return tuple(responders(cohort, one) for one in endpoints), why


def endpoints_of(
    cohort: Cohort,
    name: str,
    limb: str | None,
    week: float,
    reference: str | None,
    asked: AskedResponders,
    *,
    level: float,
) -> tuple[tuple[Endpoint, ...], str]:
    """Give what responders of a comparison of ``name`` are counted by; say why where there is nothing of the measure itself.

    No value is looked at, only who was measured when.
    """
    endpoint, why = _own_endpoint(cohort, name, limb, week, reference, asked, level)
    if endpoint is not None and endpoint.criterion != "state" and not _has_baseline(cohort, endpoint):
        endpoint, why = None, NO_BASELINE
    own = () if endpoint is None else (endpoint,)
    beside = _measure_with_importance(cohort, name)
    if asked.named or beside is None or why == NO_BASELINE:
        return own, why
    other = fitting_endpoint(cohort, beside, week=week, missing=asked.missing, reference=reference, level=level)
    return (*own, other), why


def _own_endpoint(
    cohort: Cohort,
    name: str,
    limb: str | None,
    week: float,
    reference: str | None,
    asked: AskedResponders,
    level: float,
) -> tuple[Endpoint | None, str]:
    """Give the endpoint asked for or the one that fits; without one, why."""
    counted = TOGETHER if asked.together else asked.measure or name
    limb = limb if counted == name else None
    if asked.together or asked.criterion is not None:
        return choose_endpoint(
            cohort, counted, week=week, criterion="state" if asked.together else asked.criterion,
            threshold=1.0 if asked.together else asked.threshold, limb=limb, missing=asked.missing,
            baseline=asked.change_from or "last before start", reference=reference, level=level,
        ), ""  # fmt: skip
    if asked.threshold is None and not has_fitting_endpoint(cohort, counted, week, limb):
        label = in_text(cohort.measures[counted].label)
        return None, f"there is no published threshold of change for {label}, and none was given"
    return fitting_endpoint(
        cohort, counted, week=week, threshold=asked.threshold, limb=limb, missing=asked.missing, baseline=asked.change_from,
        reference=reference, level=level,
    ), ""  # fmt: skip


def asked_as_planned(
    plan: AnalysisPlan, endpoints: Sequence[Endpoint], asked: AskedResponders
) -> AskedResponders | None:
    """Give what a plan asks for where the catalogue gives something else by now; None where nothing is to be changed."""
    main = next((one for one in plan.analysis.responders if one.main), None)
    if asked.named or main is None or _rules(responder_parts(endpoints, ())) == _rules(plan.analysis.responders):
        return None
    return AskedResponders(main.measure, main.criterion, main.threshold, main.change_from, main.missing)


def responder_parts(endpoints: Sequence[Endpoint], together: Sequence[str]) -> tuple[ResponderPart, ...]:
    """Give what responders are counted by, as a plan says it, without its words."""
    main = main_endpoint(endpoints)
    return tuple(
        ResponderPart(
            measure=one.measure.name, main=one is main, limb=one.limb, week=one.week, criterion=one.criterion,
            threshold=one.to_reach.value, unit=one.to_reach.unit, change_from=one.baseline, missing=one.missing,
            together=list(together) if one.measure.name == TOGETHER else [], words="",
        )
        for one in endpoints
    )  # fmt: skip


def _rules(parts: Sequence[ResponderPart]) -> tuple[ResponderPart, ...]:
    """Give what is counted without its words, and without the week: it may be named otherwise for one report."""
    return tuple(replace(one, words="", week=0.0) for one in parts)


def can_be_drawn(endpoint: Endpoint) -> bool:
    """Say whether the joint model of all visits can draw what is counted."""
    return not endpoint.measure.is_yes_no and endpoint.baseline == "last before start"


def main_of(found: tuple[Responders, ...]) -> Responders | None:
    """Give the analysis whose threshold says more than the error of measurement, where there is one, else the first."""
    main = main_endpoint([one.endpoint for one in found])
    return next((one for one in found if one.endpoint is main), None)


def main_endpoint(endpoints: Sequence[Endpoint]) -> Endpoint | None:
    """Give the endpoint whose threshold says more than the error of measurement, where there is one, else the first."""
    important = [one for one in endpoints if one.to_reach.name in IMPORTANT]
    return next(iter(important or endpoints), None)


def _has_baseline(cohort: Cohort, endpoint: Endpoint) -> bool:
    return bool(change_at_week(cohort, endpoint)["baseline"].notna().any())


def week_without_curves(cohort: Cohort, name: str, limb: str | None) -> tuple[float | None, str]:
    """Give the week at which the curves would have compared, by who was seen when; without one, why."""
    visits = visit_frame(cohort, name, limb)
    after = visits[visits["value"].notna() & visits["protocol"].notna() & (visits["week"] > 0)]
    if after.empty:
        return None, "no patient with a protocol has a value after week 0"
    if not after["baseline"].notna().any():
        return None, NO_BASELINE
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

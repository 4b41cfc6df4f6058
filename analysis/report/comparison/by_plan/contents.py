"""What an analysis consists of, laid out as a plan says it: the same for one that is planned and for one that was done.

Numbers that no parameter sets are taken from where the kit declares them, so that a plan made by another version of the kit
is held against those of this one.
"""

import inspect
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal, get_args

from analysis.cohort import Cohort, Measure
from analysis.curves.recovery import RecoveryCurves
from analysis.curves.recovery_choices import (
    LEAST_SHARE_WITH_BASELINE,
    PATIENTS_PER_WEEK_OF_A_PAIR,
    Covariance,
    covariance_in_words,
)
from analysis.curves.recovery_design import CurveDesign
from analysis.outcomes import Endpoint, missing_data_analyses
from analysis.outcomes.comparisons.compare_outcomes import METHOD
from analysis.outcomes.comparisons.subgroups import FEWEST_IN_A_GROUP
from analysis.outcomes.missing.imputation import AT_RANDOM, Assumption
from analysis.outcomes.missing.missing_analyses import IMPUTED, MIXED_MODEL, NON_RESPONSE, OBSERVED
from analysis.outcomes.missing.states_model import MOST_VALUES, PATIENTS_PER_VALUE
from analysis.outcomes.missing.tipping_point import REACH, STEPS
from analysis.outcomes.missing.weekly_model import CANDIDATES
from analysis.outcomes.responders.states_together import TOGETHER
from analysis.report.comparison.findings.finding import AT_THE_END, FEW_SEEN, HARDLY_ANY, HARDLY_DONE, WORSE_MANY
from analysis.report.comparison.findings.patient_rules import APART_AT_START
from analysis.report.comparison.parameters import ADJUSTED_INTERVALS, ADJUSTED_P_VALUES, Allocation
from analysis.report.comparison.responder_choice import can_be_drawn, main_endpoint, responder_parts
from analysis.report.parts.losses import LOST_APART, MUCH_LOST
from analysis.report.planned.parts import (
    DesignPart,
    EndpointPart,
    LimitsPart,
    MissingPart,
    ModelPart,
    MultiplicityPart,
    PlannedAnalysis,
    SecondaryPart,
    SubgroupPart,
)

#: The last of the analyses of missing visits: how far missed values would have to lie off.
TIPPING = "tipping point"
_KNOTS = re.compile(r"knots=\[[^]]*\]")
#: Keys that no parameter of a report sets: the kit does.
SET_BY_THE_KIT = {
    "endpoint": {"change_from"},
    "model": {"least_share_with_baseline", "covariances", "patients_per_week_of_a_pair", "likelihood", "inference"},
    "missing": {
        "seed",
        "shifts",
        "largest_shift",
        "covariances",
        "most_values_of_states",
        "patients_per_value_of_states",
    },
    "multiplicity": {"p_values", "intervals", "order_of_outcomes"},
    "subgroups": {"fewest_in_a_group"},
    "limits": {name for name in LimitsPart.compared() if name != "enough_sessions"},
}


@dataclass(frozen=True, eq=False)
class Chosen:
    """What was chosen for an analysis; lists of analyses are those of missing visits, in their order.

    ``unrandomised`` has the parameters alike_in, target and negative_control of the report.
    """

    cohort: Cohort
    allocation: Allocation
    measure: Measure
    limb: str
    weeks: Sequence[float]
    primary_week: float
    protocols: Sequence[str]
    scheduled: bool
    mean: str
    baseline_as: str
    adjust_for: Sequence[str]
    unrandomised: Mapping[str, Any]
    covariances: Sequence[Covariance]
    likelihood: str
    inference: str
    endpoints: Sequence[Endpoint]
    together: Sequence[str]
    analyses: Sequence[str]
    analyses_of_responders: Sequence[str]
    secondary: Sequence[tuple[Measure, str, float]]
    groups: Sequence[str]
    imputations: int
    enough_sessions: float
    level: float
    made_from: Literal["cohort", "design"] = "cohort"


def analysis_of(chosen: Chosen) -> PlannedAnalysis:
    """Lay out an analysis as a plan says it."""
    measure, reference = chosen.measure, chosen.protocols[0]
    parts = responder_parts(chosen.endpoints, chosen.together)
    return PlannedAnalysis(
        design=DesignPart(
            protocols=[reference, *sorted(chosen.protocols[1:])],
            allocation=chosen.allocation,
            procedures=_procedures(chosen.cohort),
            counted_from=chosen.cohort.counted_from or "",
            weeks=[float(week) for week in chosen.weeks],
            made_from=chosen.made_from,
        ),
        endpoint=EndpointPart(
            measure=measure.name, label=measure.label, unit=measure.unit, better=measure.direction_in_words,
            limb=chosen.limb, primary_week=float(chosen.primary_week), reference=reference, change_from=Endpoint.baseline,
        ),
        model=ModelPart(
            weeks_as="categories" if chosen.scheduled else "smooth curve",
            mean=_KNOTS.sub("knots", chosen.mean),
            baseline_as=chosen.baseline_as,  # type: ignore[arg-type]
            least_share_with_baseline=LEAST_SHARE_WITH_BASELINE,
            adjust_for=list(chosen.adjust_for),
            **_unrandomised(chosen),
            covariances=[covariance_in_words(one) for one in chosen.covariances],
            patients_per_week_of_a_pair=PATIENTS_PER_WEEK_OF_A_PAIR,
            likelihood=chosen.likelihood,
            inference=chosen.inference,
        ),
        responders=tuple(
            replace(part, words=" ".join([one.words, *one.notes]))
            for part, one in zip(parts, chosen.endpoints, strict=True)
        ),
        missing=MissingPart(
            analyses=list(chosen.analyses),
            analyses_of_responders=list(chosen.analyses_of_responders),
            imputations=chosen.imputations,
            seed=_default(missing_data_analyses, "seed"),
            shifts=STEPS,
            largest_shift=REACH,
            covariances=[words for _, _, words in CANDIDATES],
            most_values_of_states=MOST_VALUES,
            patients_per_value_of_states=PATIENTS_PER_VALUE,
        ),
        multiplicity=MultiplicityPart(
            level=chosen.level, p_values=ADJUSTED_P_VALUES, intervals=ADJUSTED_INTERVALS, order_of_outcomes=METHOD
        ),
        secondary=tuple(
            SecondaryPart(measure=one.name, label=one.label, place=place, unit=one.unit, limb=limb, week=float(week))
            for place, (one, limb, week) in enumerate(chosen.secondary, start=2)
        ),
        subgroups=SubgroupPart(groups=list(chosen.groups), fewest_in_a_group=FEWEST_IN_A_GROUP),
        limits=LimitsPart(
            much_lost=MUCH_LOST, lost_apart=LOST_APART, few_seen=FEW_SEEN, hardly_done=HARDLY_DONE,
            enough_sessions=chosen.enough_sessions, apart_at_start=APART_AT_START, at_the_end=AT_THE_END,
            hardly_any=HARDLY_ANY, worse_many=WORSE_MANY,
        ),
    )  # fmt: skip


def analyses_of_missing(
    measure: Measure, endpoints: Sequence[Endpoint], *, scheduled: bool
) -> tuple[list[str], list[str]]:
    """Give the analyses under other assumptions about missing visits, of means and of responders, where a reference is named."""
    if not scheduled:
        return [], []
    imputed = [f"{IMPUTED}, {assumption}" for assumption in get_args(Assumption)]
    main = main_endpoint(endpoints)
    if main is not None and main.measure.name == TOGETHER:
        of_states = [OBSERVED, NON_RESPONSE, f"{IMPUTED}, {AT_RANDOM}"]
        return [OBSERVED, MIXED_MODEL, *imputed, TIPPING], of_states
    own = [one for one in endpoints if one.measure == measure and can_be_drawn(one)]
    counted = own or [one for one in [main] if one is not None and can_be_drawn(one)]
    return [OBSERVED, MIXED_MODEL, *imputed, TIPPING], [OBSERVED, NON_RESPONSE, *imputed] if counted else []


def _unrandomised(chosen: Chosen) -> dict[str, Any]:
    """Say what a comparison without random allocation is asked; nothing of it where lots are drawn."""
    if chosen.allocation == "randomised":
        return {"alike_in": [], "target": "", "negative_control": ""}
    asked = chosen.unrandomised
    return {
        "alike_in": list(asked["alike_in"] or []),
        "target": asked["target"],
        "negative_control": asked["negative_control"] or "",
    }


def baseline_of(curves: CurveDesign | RecoveryCurves) -> str:
    """Say how the baseline enters curves: as a covariate, as an outcome, or not at all."""
    return "outcome" if curves.baseline_outcome else "covariate" if curves.baseline_adjusted else "none"


def _procedures(cohort: Cohort) -> list[str]:
    known = cohort.patients.get("procedure")
    return [] if known is None else sorted(set(known.dropna().astype("str")))


def _default(function: object, name: str) -> int:
    return int(inspect.signature(function).parameters[name].default)  # type: ignore[arg-type]

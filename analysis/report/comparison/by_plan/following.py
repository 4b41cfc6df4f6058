"""What of its plan a report did otherwise: every point that was compared, and each deviation with its reason."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd

from analysis.counted import counted
from analysis.curves.recovery import RecoveryCurves
from analysis.curves.recovery_choices import covariance_order
from analysis.foreign_text import visible
from analysis.outcomes.comparisons.compare_outcomes import OutcomesInOrder
from analysis.outcomes.comparisons.subgroups import SubgroupDifferences
from analysis.outcomes.missing.missing_analyses import IMPUTED
from analysis.report.comparison.by_plan.contents import (
    SET_BY_THE_KIT,
    TIPPING,
    Chosen,
    analysis_of,
    baseline_of,
)
from analysis.report.comparison.parameters import ComparisonParameters
from analysis.report.comparison.prepared import Prepared
from analysis.report.comparison.results import Lacking, Sensitivity
from analysis.report.parts.model_words import covariance_of_name
from analysis.report.planned.parts import LISTS, PARTS, PlannedAnalysis, PlanPart
from analysis.report.planned.plan import AnalysisPlan
from analysis.report.running.record import versions

#: Parameter of the report that sets a key of a plan, where its name is another one.
_PARAMETERS = {
    ("design", "allocation"): "design",
    ("subgroups", "groups"): "subgroups",
    ("responders", "week"): "primary_week",
    ("secondary", "week"): "primary_week",
}
#: Parameters that say what is in a list of a plan.
_OF_LISTS = {
    "secondary": ("secondary",),
    "responders": ("responder_measure", "criterion", "threshold", "change_from", "together", "missing"),
}
_NAMED = "It was named so for this report."
_NOTHING = "none"


@dataclass(frozen=True)
class Deviation:
    """Something that was planned and done otherwise: which point, what was planned and done, and why in a sentence.

    ``planned`` or ``done`` is empty where the whole of it was not planned, or not done.
    """

    point: str
    planned: str
    done: str
    why: str = ""

    @property
    def words(self) -> str:
        """The deviation in one or two sentences.

        Examples
        --------
        >>> Deviation("Primary outcome, week of the main comparison", "26", "12").words
        'Primary outcome, week of the main comparison: planned 26; in this report 12.'
        """
        said = f"planned {self.planned}; in this report {self.done}"
        if not (self.planned and self.done):
            said = "planned, and not in this report" if self.planned else "not planned, and in this report"
        return f"{self.point}: {said}.{f' {self.why}' if self.why else ''}"


@dataclass(frozen=True)
class PlanFollowed:
    """How a report keeps to its plan.

    Attributes
    ----------
    plan : AnalysisPlan
        The plan.
    points : int
        Points compared, the hash among them.
    deviations : tuple of Deviation
        What was done otherwise; an edit of the plan comes first.
    """

    plan: AnalysisPlan
    points: int
    deviations: tuple[Deviation, ...]

    @property
    def words(self) -> list[str]:
        """What a report says of its plan: where it is from, and every deviation, or that none was found among the points.

        The first sentence is the same whatever was found.
        """
        plan = self.plan
        made = (
            f"An analysis plan states that it was made on {plan.made} with kneecurve {plan.kit} and no measured value; its SHA-256 is "
            f"{plan.sha256}. Whether those who made it knew the outcomes is not known from the data."
        )
        among = f"among the {counted(self.points, 'point')} compared"
        if not self.deviations:
            return [made, f"The analysis follows the plan {plan.sha256}; no deviation was found {among}."]
        found = f"{counted(len(self.deviations), 'deviation')} from the plan"
        return [
            made,
            f"The analysis has {found} {among}:",
            *(one.words for one in self.deviations),
        ]


def follow(
    plan: AnalysisPlan,
    study: Prepared,
    *,
    sensitivity: Sensitivity | Lacking,
    outcomes: OutcomesInOrder | Lacking | None,
    groups: Mapping[str, SubgroupDifferences | Lacking],
    nothing_missing: bool,
) -> PlanFollowed | None:
    """Hold what was done against a plan; nothing where no curves could be fitted.

    ``outcomes`` are those in order, None where no secondary one was named; ``groups`` the groups of patients, by what they are
    made from.
    """
    curves = study.curves
    if curves is None:
        return None
    done = _done(study, curves, plan.analysis, sensitivity, outcomes, groups, nothing_missing=nothing_missing)
    lacking = [one.what for one in groups.values() if isinstance(one, Lacking)]
    reasons = {
        ("missing", "analyses"): "" if isinstance(sensitivity, Sensitivity) else f"Not in the data: {sensitivity.what}",
        ("subgroups", "groups"): " ".join(f"Not in the data: {what}" for what in lacking),
    }
    found, points = list(_hash(plan)), 2  # the hash and the covariance taken
    for name in PARTS:
        pairs = _pairs(name, getattr(plan.analysis, name), getattr(done, name))
        for was, one, place in pairs:
            points += len(PARTS[name].compared()) if was else 1
            found += _differ(name, place, was, one, plan, study, reasons)
    return PlanFollowed(plan, points, (*found, *_covariance(plan.analysis.model.covariances, curves)))


def _done(
    study: Prepared,
    curves: RecoveryCurves,
    planned: PlannedAnalysis,
    sensitivity: Sensitivity | Lacking,
    outcomes: OutcomesInOrder | Lacking | None,
    groups: Mapping[str, SubgroupDifferences | Lacking],
    *,
    nothing_missing: bool,
) -> PlannedAnalysis:
    """Lay out what was done as a plan says it, from the results; where nothing was missed, nothing had to be filled."""
    named = study.parameters["adjust_for"]
    analyses, of_responders = _analyses(sensitivity)
    if nothing_missing:
        analyses, of_responders = list(planned.missing.analyses), list(planned.missing.analyses_of_responders)
    return analysis_of(
        Chosen(
            cohort=study.cohort,
            allocation=study.allocation,
            measure=study.measure,
            limb=curves.limb,
            weeks=curves.weeks if curves.scheduled else (),
            primary_week=curves.primary_week,
            protocols=curves.protocols,
            scheduled=curves.scheduled,
            mean=curves.model.design.formula,
            baseline_as=baseline_of(curves),
            adjust_for=curves.covariates if named is None else named,
            unrandomised=study.parameters,
            covariances=covariance_order(curves.frame, scheduled=curves.scheduled),
            likelihood=curves.model.method,
            inference=curves.model.inference,
            endpoints=[one.endpoint for one in study.responders],
            together=study.parameters["together"],
            analyses=analyses,
            analyses_of_responders=of_responders,
            secondary=_secondary(outcomes),
            groups=[name for name, one in groups.items() if not isinstance(one, Lacking)],
            imputations=study.parameters["imputations"],
            enough_sessions=study.parameters["enough_sessions"],
            level=study.level,
        )
    )


def _analyses(sensitivity: Sensitivity | Lacking) -> tuple[list[str], list[str]]:
    if isinstance(sensitivity, Lacking):
        return [], []
    found = sensitivity.responders
    of_responders = [] if isinstance(found, Lacking) else _names(found.responders)
    return [*_names(sensitivity.analyses.differences), TIPPING], of_responders


def _names(table: pd.DataFrame) -> list[str]:
    """Name the analyses of a table; of imputed ones the assumption too."""
    rows = table[["analysis", "assumption"]].drop_duplicates().itertuples(index=False) if len(table) else ()
    return [f"{one}, {assumption}" if one == IMPUTED else str(one) for one, assumption in rows]


def _secondary(outcomes: OutcomesInOrder | Lacking | None) -> list[Any]:
    if not isinstance(outcomes, OutcomesInOrder):
        return []
    return [(one.measure, one.limb, one.primary_week) for one in list(outcomes.curves.values())[1:]]


def _hash(plan: AnalysisPlan) -> Iterator[Deviation]:
    if plan.edited:
        yield Deviation(
            "The plan itself",
            f"content with the SHA-256 {plan.sha256}, as it states",
            f"content with {plan.digest}",
            "It was edited after it was made, so the points below are held against the edited plan.",
        )


def _pairs(name: str, planned: Any, done: Any) -> list[tuple[PlanPart | None, PlanPart | None, str]]:
    """Pair the parts that belong together; those of a list by their measure."""
    if name not in LISTS:
        return [(planned, done, "")]
    was, now = ({one.measure: one for one in some} for some in (planned, done))
    return [(was.get(measure), now.get(measure), measure) for measure in dict.fromkeys([*was, *now])]


def _differ(
    name: str,
    place: str,
    was: PlanPart | None,
    now: PlanPart | None,
    plan: AnalysisPlan,
    study: Prepared,
    reasons: Mapping[tuple[str, str], str],
) -> Iterator[Deviation]:
    part = PARTS[name]
    called = visible(f"{part.called} {place}".strip())
    if was is None or now is None:
        why = _named(_OF_LISTS[name], plan, study)
        yield Deviation(called, "" if was is None else called, "" if now is None else called, why)
        return
    before, after = was.to_values(), now.to_values()
    for key in part.compared():
        if (name, key) in plan.lacking:
            point, done = f"{called}, {part.meanings()[key]}", _in_words(after[key], ".6g")
            yield Deviation(point, "nothing, as the plan lacks it", done, _why_lacking(name, key, study))
        elif before[key] != after[key]:
            why = reasons.get((name, key)) or _why(name, key, plan, study)
            yield Deviation(f"{called}, {part.meanings()[key]}", *_told_apart(before[key], after[key]), why)


def _why(name: str, key: str, plan: AnalysisPlan, study: Prepared) -> str:
    if key in SET_BY_THE_KIT.get(name, set()):
        return f"It is set by the kit, whose version was {plan.kit} then and is {versions()['kneecurve']} now."
    own = _PARAMETERS.get((name, key), key)
    return _named((own,) if name not in LISTS or key == "week" else _OF_LISTS[name], plan, study)


def _why_lacking(name: str, key: str, study: Prepared) -> str:
    """Say whether the default stands for a key that a plan lacks, or what was named for this report."""
    own = _PARAMETERS.get((name, key), key)
    defaults = ComparisonParameters().given()
    return "The default was taken." if study.parameters.get(own) == defaults.get(own) else _NAMED


def _named(parameters: Sequence[str], plan: AnalysisPlan, study: Prepared) -> str:
    """Say that something was named for this report, where one of these parameters is another one than the plan's."""
    given, planned = study.parameters, plan.parameters()
    return _NAMED if any(name in given and given[name] != planned.get(name) for name in parameters) else ""


def _covariance(planned: Sequence[str], curves: RecoveryCurves) -> Iterator[Deviation]:
    if planned and curves.covariance != planned[0]:
        yield Deviation(
            "Model, covariance taken",
            f"{covariance_of_name(planned[0])}, the first of the order",
            covariance_of_name(curves.covariance),
            " ".join(curves.not_taken).replace("patient effects", "patient terms"),
        )


def _told_apart(was: Any, now: Any) -> tuple[str, str]:
    """Give two values in words, numbers with as many digits as tell them apart."""
    short = _in_words(was, ".6g"), _in_words(now, ".6g")
    return short if short[0] != short[1] else (_in_words(was, ".17g"), _in_words(now, ".17g"))


def _in_words(value: Any, digits: str) -> str:
    if isinstance(value, list):
        return ", ".join(_in_words(one, digits) for one in value) or _NOTHING
    if isinstance(value, bool):
        return "yes" if value else "no"
    return format(value, digits) if isinstance(value, float) else visible(str(value)) or _NOTHING

"""What an analysis plan says, part by part: every key is declared once, with its type and what it means."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from typing import Any, ClassVar, Literal, Self, get_args, get_origin, get_type_hints

from analysis.outcomes.endpoint import BaselineRule, MissingRule
from analysis.outcomes.thresholds.chosen_threshold import Criterion

_MEANING, _COMPARED = "meaning", "compared"


def said(meaning: str, *, compared: bool = True) -> Any:
    """Declare a key with its meaning; ``compared`` says whether a report is held against it."""
    return field(metadata={_MEANING: meaning, _COMPARED: compared})


@dataclass(frozen=True)
class PlanPart:
    """A part of a plan: a table of its file, a key a field."""

    #: What the part is called in sentences.
    called: ClassVar[str] = ""
    #: Keys without which nothing could be followed; None for all. A plan of an earlier kit may lack the others.
    needed: ClassVar[tuple[str, ...] | None] = ()

    @classmethod
    def meanings(cls) -> dict[str, str]:
        """Give what each key means, in order."""
        return {one.name: one.metadata[_MEANING] for one in fields(cls)}

    @classmethod
    def compared(cls) -> tuple[str, ...]:
        """Name the keys that a report is held against; the others say the same in words."""
        return tuple(one.name for one in fields(cls) if one.metadata[_COMPARED])

    def to_values(self) -> dict[str, Any]:
        """Give the keys with their values."""
        return {one.name: getattr(self, one.name) for one in fields(self)}

    @classmethod
    def read(cls, values: object, place: str) -> tuple[Self | None, list[str]]:
        """Read the part strictly; without one, everything that is wrong with it, by its ``place`` in the file.

        A key that it may lack has an empty value; :meth:`lacking` names those.
        """
        if not isinstance(values, Mapping):
            return None, [f"[{place}] must be a table"]
        known = _types(cls)
        optional = {name: _empty(known[name]) for name in cls.lacking(values)}
        wrong = [f"{place}.{name} is not known" for name in values if name not in known]
        wrong += [f"{place}.{name} is missing" for name in known if name not in values and name not in optional]
        wrong += [
            f"{place}.{name} must be {_type_in_words(known[name])}"
            for name, value in values.items()
            if name in known and not _admits(known[name], value)
        ]
        every = {**optional, **values}
        return (None, wrong) if wrong else (cls(**{name: _as(known[name], every[name]) for name in known}), [])

    @classmethod
    def lacking(cls, values: Mapping[str, Any]) -> list[str]:
        """Name the keys that a table of a plan lacks and may lack."""
        optional = () if cls.needed is None else [one.name for one in fields(cls) if one.name not in cls.needed]
        return [name for name in optional if name not in values]


@dataclass(frozen=True)
class DesignPart(PlanPart):
    """What is compared in whom."""

    called: ClassVar[str] = "Design"
    needed = ("protocols",)

    protocols: list[str] = said("protocols compared, the reference first")
    allocation: Literal["randomised", "observational"] = said("how patients came to their protocol")
    procedures: list[str] = said("operations, or reasons for the programme")
    counted_from: str = said('what week 0 is: surgery or programme; "" where nobody said')
    weeks: list[float] = said("weeks after the start at which the outcome is measured")
    made_from: Literal["cohort", "design"] = said(
        "what the plan was made from; no value of a cohort is used", compared=False
    )


@dataclass(frozen=True)
class EndpointPart(PlanPart):
    """The primary outcome."""

    called: ClassVar[str] = "Primary outcome"
    needed = ("measure", "limb", "primary_week", "reference")

    measure: str = said("measure compared")
    label: str = said("its name", compared=False)
    unit: str = said("its unit")
    better: str = said("which way improvement goes")
    limb: str = said("limb: involved, uninvolved or none")
    primary_week: float = said("week of the main comparison")
    reference: str = said("protocol that the others are compared with")
    change_from: BaselineRule = said("the baseline")


@dataclass(frozen=True)
class ModelPart(PlanPart):
    """The model of the curves."""

    called: ClassVar[str] = "Model"
    needed = ("weeks_as",)

    weeks_as: Literal["categories", "smooth curve"] = said("how weeks enter the mean, by protocol")
    mean: str = said("formula of the mean; knots of a smooth curve lie where the visits are")
    baseline_as: Literal["covariate", "outcome", "none"] = said("how the baseline enters")
    least_share_with_baseline: float = said("share of patients with a baseline from which on it enters")
    adjust_for: list[str] = said("columns of the patients adjusted for beside the baseline")
    alike_in: list[str] = said(
        "where nobody draws lots: what patients are made alike in; none named: what is usual and known"
    )
    target: str = said("the same: whom the comparison speaks of")
    negative_control: str = said("the same: a measure that no protocol can have changed")
    covariances: list[str] = said("covariances within the patient, in the order in which they are tried")
    patients_per_week_of_a_pair: int = said(
        "an unstructured one of m weeks is tried where this many times m patients were seen at each pair of weeks"
    )
    likelihood: str = said("reml: restricted maximum likelihood")
    inference: str = said("degrees of freedom and small samples")


@dataclass(frozen=True)
class ResponderPart(PlanPart):
    """An endpoint by which responders are counted."""

    called: ClassVar[str] = "Responders"
    needed = None

    measure: str = said("measure counted")
    main: bool = said("whether it is the main one")
    limb: str = said("limb")
    week: float = said("week at which it is counted")
    criterion: Criterion = said("what makes a responder")
    threshold: float = said("what is to be reached")
    unit: str = said("its unit")
    change_from: BaselineRule = said("the value that a change counts from")
    missing: MissingRule = said("how patients who were not judged count")
    together: list[str] = said("states to be reached together; none where one measure is counted")
    words: str = said("the same in words, with where the threshold comes from", compared=False)


@dataclass(frozen=True)
class MissingPart(PlanPart):
    """What is done about missing visits."""

    called: ClassVar[str] = "Missing visits"

    analyses: list[str] = said("analyses of the means under other assumptions, in their order")
    analyses_of_responders: list[str] = said("the same of the responders")
    imputations: int = said("imputed data sets of each assumption")
    seed: int = said("seed of the random numbers")
    shifts: int = said("shifts of missed values that are tried")
    largest_shift: float = said("the largest of them, in standard deviations of the values at the week, both ways")
    covariances: list[str] = said("covariances of the model that imputes, in the order in which they are tried")
    most_values_of_states: int = said("values of a patient, at most, in the model that fills states counted together")
    patients_per_value_of_states: int = said("patients for each of them, at least, where visits between are taken")


@dataclass(frozen=True)
class MultiplicityPart(PlanPart):
    """How several comparisons share one error."""

    called: ClassVar[str] = "Several comparisons"

    level: float = said("confidence level; 1 minus it is the two-sided error of all tests together")
    p_values: str = said("adjustment of p values at the primary week for the number of protocols")
    intervals: str = said("adjustment of the intervals that a verdict rests on")
    order_of_outcomes: str = said("how the primary and the secondary outcomes are tested")


@dataclass(frozen=True)
class SecondaryPart(PlanPart):
    """A secondary outcome."""

    called: ClassVar[str] = "Secondary outcome"
    needed = None

    measure: str = said("measure")
    label: str = said("its name", compared=False)
    place: int = said("place in the order of the tests; 1 is the primary outcome")
    unit: str = said("its unit")
    limb: str = said("limb")
    week: float = said("week of the comparison")


@dataclass(frozen=True)
class SubgroupPart(PlanPart):
    """Groups of patients compared apart."""

    called: ClassVar[str] = "Groups of patients"

    groups: list[str] = said("what the groups are made by")
    fewest_in_a_group: int = said("patients of each protocol from which on a group is compared")


@dataclass(frozen=True)
class LimitsPart(PlanPart):
    """The limits from which on something is doubted."""

    called: ClassVar[str] = "Limits of doubt"

    much_lost: float = said("share of a protocol not seen from which on nothing is concluded about it")
    lost_apart: float = said("difference between such shares from which on nothing is concluded")
    few_seen: int = said("patients seen of a protocol below which single patients can turn a result")
    hardly_done: float = said("share of the prescribed sessions below which it is said")
    enough_sessions: float = said("share of the prescribed sessions that counts as reached")
    apart_at_start: float = said(
        "standard deviations at the start from which on protocols not allocated at random lie apart"
    )
    at_the_end: float = said("share with the best value from which on a score cannot tell patients apart")
    hardly_any: float = said("share of responders below which, or above 1 minus which, it says little")
    worse_many: float = said("share that got worse by the threshold from which on it is said")


#: The parts of a plan in their order; those of a list may come several times or not at all.
PARTS: dict[str, type[PlanPart]] = {
    "design": DesignPart,
    "endpoint": EndpointPart,
    "model": ModelPart,
    "responders": ResponderPart,
    "missing": MissingPart,
    "multiplicity": MultiplicityPart,
    "secondary": SecondaryPart,
    "subgroups": SubgroupPart,
    "limits": LimitsPart,
}
LISTS = ("responders", "secondary")


@dataclass(frozen=True)
class PlannedAnalysis:
    """What a plan says, all of it; a field a part."""

    design: DesignPart
    endpoint: EndpointPart
    model: ModelPart
    responders: tuple[ResponderPart, ...]
    missing: MissingPart
    multiplicity: MultiplicityPart
    secondary: tuple[SecondaryPart, ...]
    subgroups: SubgroupPart
    limits: LimitsPart

    def to_values(self) -> dict[str, Any]:
        """Give the parts with their keys and values, as plain dictionaries and lists."""
        every = {name: getattr(self, name) for name in PARTS}
        return {
            name: [part.to_values() for part in one] if name in LISTS else one.to_values()
            for name, one in every.items()
        }


def _types(part: type[PlanPart]) -> dict[str, Any]:
    hints = get_type_hints(part)
    return {one.name: hints[one.name] for one in fields(part)}


def _admits(declared: Any, value: object) -> bool:
    if get_origin(declared) is Literal:
        return isinstance(value, str) and value in get_args(declared)
    if get_origin(declared) is list:
        return isinstance(value, list) and all(_admits(get_args(declared)[0], one) for one in value)
    if declared is float:
        return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
    return type(value) is declared


def _empty(declared: Any) -> Any:
    """Give a value of a type that says nothing."""
    if get_origin(declared) is Literal:
        return get_args(declared)[0]
    return [] if get_origin(declared) is list else declared()


def _as(declared: Any, value: Any) -> Any:
    """Give a whole number that stands for a float as one, so that 26 and 26.0 are the same plan."""
    if get_origin(declared) is list:
        return [_as(get_args(declared)[0], one) for one in value]
    return float(value) if declared is float else value


def _type_in_words(declared: Any) -> str:
    if get_origin(declared) is Literal:
        return f"one of {', '.join(get_args(declared))}"
    if get_origin(declared) is list:
        return f"a list, each {_type_in_words(get_args(declared)[0])}"
    return {str: "a text", bool: "true or false", int: "a whole number", float: "a number"}[declared]

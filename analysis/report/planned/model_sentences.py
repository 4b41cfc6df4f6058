"""The model of a plan in sentences: its mean, its covariances, and how patients are made alike where nobody draws lots."""

import re

from analysis.curves.covariates import asked_covariate, column_in_words
from analysis.report.parts.model_words import INFERENCE, covariance_of_name
from analysis.report.parts.numbers import level_in_words, listed
from analysis.report.planned.parts import ModelPart, PlannedAnalysis

_OF_A_MEASURE = re.compile(r"baseline\(\s*(\w+)\s*\)")


def model_sentences(said: PlannedAnalysis) -> list[str]:
    """Say what the model is, what it is adjusted for, and what it does about missing visits."""
    model = said.model
    weeks = (
        "protocol by week, weeks as categories"
        if model.weeks_as == "categories"
        else "protocol by a smooth curve of the week (natural cubic spline of log(1 + week)), since visits have no schedule"
    )
    likelihood = {"reml": "restricted maximum likelihood", "ml": "maximum likelihood"}.get(
        model.likelihood, model.likelihood
    )
    terms = [weeks, _baseline(model), *model.adjust_for]
    more = "" if model.adjust_for else " Nothing else is adjusted for."
    return [
        f"A linear mixed model for repeated visits is fitted by {likelihood}. Its mean: {'; '.join(terms)}.{more}",
        f"Formula: {model.mean}.",
        "Patients without a value of something that is adjusted for are left out, and counted.",
        *_covariances(model),
        f"Degrees of freedom and intervals: {INFERENCE.get(model.inference, model.inference)}.",
        "Missing visits are taken as missing at random given the visits made; the model fills nothing in.",
        *_unrandomised(said),
    ]


def _unrandomised(said: PlannedAnalysis) -> list[str]:
    """Say how patients are made alike where nobody draws lots."""
    model = said.model
    if said.design.allocation == "randomised":
        return []
    named = (
        listed([covariate_in_words(one) for one in model.alike_in])
        if model.alike_in
        else "what is usual and known of them"
    )
    control = f" Negative control: {model.negative_control}." if model.negative_control else ""
    alike = (
        f"Nobody draws lots, so the answer is about patients made alike: by weights and a mixed model together, in {named}, and the "
        f"baseline; target: {model.target}.{control}"
    )
    return [alike]


def covariate_in_words(asked: str) -> str:
    """Name a covariate as a report was asked for it.

    Examples
    --------
    >>> [covariate_in_words(one) for one in ("sex", "spline(age_years)", "baseline(knee_flexion)")]
    ['sex', 'a curve of age', 'the start of knee flexion']
    """
    start = _OF_A_MEASURE.fullmatch(asked.strip())
    if start:
        return f"the start of {start[1].replace('_', ' ')}"
    name, smooth = asked_covariate(asked)
    return f"a curve of {column_in_words(name)}" if smooth else column_in_words(name)


def _baseline(model: ModelPart) -> str:
    return {
        "covariate": "the baseline by week" + ("" if model.weeks_as == "categories" else ", as a straight line"),
        "outcome": "the baseline as an outcome at week 0, with one mean of all protocols",
        "none": "no baseline, since "
        f"fewer than {level_in_words(model.least_share_with_baseline)} of the patients are measured at week 0 or before",
    }[model.baseline_as]


def _covariances(model: ModelPart) -> list[str]:
    names = [covariance_of_name(one) for one in model.covariances]
    first = f"Within the patient: {names[0] if names else 'not said'}."
    if len(names) < 2:
        return [first]
    order = "; ".join(f"({number}) {name}" for number, name in enumerate(names, start=1))
    rule = (
        f" The first is tried where at each pair of m weeks at least {model.patients_per_week_of_a_pair} times m patients were seen."
        if "unstructured" in model.covariances[0]
        else ""
    )
    return [
        (
            f"Within the patient these are tried in turn, and the first that converges and has intervals is taken: {order}.{rule} A fit that "
            "had to take a later one is a deviation that the report says with its reason."
        )
    ]

"""What stands at the top of a protocol comparison: what was compared, and the answer in plain language."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from analysis.curves.recovery_choices import adjusted_in_words
from analysis.report.parts import numbers
from analysis.report.parts.passages import Passage, Section
from analysis.report.parts.wording import (
    INVENTED,
    NOT_ALLOCATED,
    difference_sentence,
    mean_sentence,
    responder_sentence,
)

if TYPE_CHECKING:
    from analysis.report.comparison.study import Study


#: How the reference is named, for a person who reads a report.
HOW_TO_NAME = 'reference = "..." in the map file, or --set "reference=\'...\'" for one report'
#: With more comparisons than this, only those whose interval leaves out zero are spelled out.
MOST_SPELLED_OUT = 3


def subtitle(study: Study) -> Section:
    """Name the measure, the protocols with their reference, and the patients, and say where the cohort is invented."""
    patients = numbers.plural(len(study.cohort.patients), "patient")
    several = len(study.protocols) > 1
    protocols = f"{len(study.protocols)} protocols" if several else f"one protocol, {study.protocols[0]}"
    weeks = study.visits.loc[study.visits["value"].notna(), "week"]
    span = f", weeks {numbers.week(weeks.min())} to {numbers.week(weeks.max())}" if len(weeks) else ""
    lines = [study.measure_in_words, f"{patients}, {protocols}{span}"]
    lines += _compared_with(study)
    if study.invented:
        lines.append(INVENTED)
    return Section((Passage(tuple(lines), "subtitle"),))


def _compared_with(study: Study) -> list[str]:
    """Say which protocol is the reference and why it was taken; nothing where there is one protocol only."""
    named, of_cohort = study.parameters["reference"], study.cohort.reference
    if study.cohort.patients["protocol"].nunique() < 2 or (study.curves is None and not study.responders):
        return []
    if named is not None:
        other = f"; the cohort names {of_cohort}" if of_cohort not in (None, named) else ""
        return [f"Compared with {study.reference}, named as the reference for this report{other}."]
    if of_cohort is not None:
        return [f"Compared with {study.reference}, which the cohort names as its reference."]
    taken = f"the others are compared with {study.reference}, the first of them in the order of the data"
    return [f"No reference is named, so {taken}. To name it: {HOW_TO_NAME}."]


def answer(study: Study) -> Section:
    """Give the answer in one paragraph that says no more than the intervals support."""
    sentences = [*_curve_sentences(study), *_responder_sentences(study)]
    if study.allocation == "observational" and len(study.protocols) > 1:
        sentences.append(NOT_ALLOCATED)
    return Section((Passage((" ".join(sentences),), "answer"),))


def _responder_sentences(study: Study) -> list[str]:
    """Take the analysis whose threshold is of importance to patients, where there is one."""
    important = [found for found in study.responders if found.endpoint.to_reach.name == "minimal important change"]
    return [responder_sentence(found) for found in (important or list(study.responders))[:1]]


def _curve_sentences(study: Study) -> list[str]:
    curves = study.curves
    if curves is None:
        patients = numbers.plural(len(study.cohort.patients), "patient")
        said = (
            f"No recovery curves could be fitted to the data of {patients}, so nothing can be said about differences."
        )
        return [said, f"The reason: {study.no_curves}"]
    if len(curves.protocols) == 1:
        return [mean_sentence(curves, level=study.level)]
    rows = list(study.primary.itertuples())
    adjusted = f", adjusted for {adjusted_in_words(curves.adjusted_for)}" if curves.adjusted_for else ""
    opening = (
        f"{numbers.count(curves.model.n_patients)} of {numbers.count(len(study.cohort.patients))} patients are in the "
        f"comparison{adjusted}."
    )
    seen = curves.frame.loc[curves.frame["week"] == curves.primary_week, "patient_id"].nunique()
    if curves.scheduled and seen < curves.model.n_patients:
        verb = "was" if seen == 1 else "were"
        opening += f" {numbers.count(seen)} of them {verb} seen at week {numbers.week(curves.primary_week)}."
    compared = [
        difference_sentence(
            str(row.protocol),
            str(row.reference),
            measure=curves.measure,
            week=curves.primary_week,
            estimate=row.estimate,  # type: ignore[arg-type]
            lower=row.lower,  # type: ignore[arg-type]
            upper=row.upper,  # type: ignore[arg-type]
            level=study.level,
            allocation=study.allocation,
        )
        for row in rows
    ]
    if len(rows) > MOST_SPELLED_OUT:
        compared = _spelled_out(rows, compared)
    several = ["These intervals are not adjusted for the number of comparisons."] if len(rows) > 1 else []
    return [opening, *compared, *several]


def _spelled_out(rows: list[Any], sentences: list[str]) -> list[str]:
    """Keep the sentences whose interval leaves out zero, and count the others."""
    apart = [sentence for row, sentence in zip(rows, sentences, strict=True) if row.lower > 0 or row.upper < 0]
    rest = len(sentences) - len(apart)
    if not rest:
        return apart
    which = "each of the other" if apart else "each of the"
    others = f"For {which} {numbers.plural(rest, 'comparison')} with {rows[0].reference} the interval holds zero"
    return [*apart, f"{others}: these data do not tell which is better."]

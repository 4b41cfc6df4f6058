"""What stands at the top of a protocol comparison: what was compared, and the answer in plain language."""

from analysis.cohort.follow_up.as_of import follow_up_words
from analysis.curves.covariates import adjusted_in_words
from analysis.report.comparison.findings.balanced_words import balanced_words, not_balanced_words, unadjusted_words
from analysis.report.comparison.findings.doubts import doubts_words, harms_words, unusual_words
from analysis.report.comparison.findings.finding import Findings
from analysis.report.comparison.findings.outcome_words import secondary_words
from analysis.report.comparison.findings.responder_words import beside_words, responders_words
from analysis.report.comparison.findings.table import findings_table
from analysis.report.comparison.findings.words import (
    MOST_SPELLED_OUT,
    courses_words,
    differences_words,
    seen_words,
    unturned_words,
)
from analysis.report.comparison.study import Study
from analysis.report.parts import numbers
from analysis.report.parts.numbers import in_text, shown_decimals
from analysis.report.parts.passages import Passage, Section, absent
from analysis.report.parts.wording import INVENTED, MOST_DOUBTS

#: Words from which on a line of In short takes no more (design choice).
_MOST_WORDS = 60
#: What stands in a line of In short, sentence by sentence, and what does not fit.
_Line = tuple[list[str], list[str]]
#: How the reference is named, for a person who reads a report.
HOW_TO_NAME = 'reference = "..." in the map file, or --set "reference=\'...\'" for one report'


def subtitle(study: Study) -> Section:
    """Name the measure, the protocols with their reference, and the patients, and say where the cohort is invented."""
    patients = numbers.plural(len(study.cohort.patients), "patient")
    several = len(study.protocols) > 1
    protocols = f"{len(study.protocols)} protocols" if several else f"one protocol, {study.protocols[0]}"
    weeks = study.visits.loc[study.visits["value"].notna(), "week"]
    span = f", {numbers.time_span(weeks.min(), weeks.max())}" if len(weeks) else ""
    lines = [study.measure_in_words, f"{patients}, {protocols}{span}"]
    lines += _compared_with(study)
    if study.cohort.as_of is not None or not study.invented:
        lines.append(follow_up_words(study.cohort))
    if study.invented:
        lines.append(INVENTED)
    return Section((Passage(tuple(lines), "subtitle"),))


def _compared_with(study: Study) -> list[str]:
    """Say which protocol is the reference and why it was taken; nothing where there is one protocol only."""
    named, of_cohort = study.parameters["reference"], study.cohort.reference
    if study.cohort.patients["protocol"].nunique() < 2 or (study.curves is None and not study.responders):
        return []
    if study.plan is not None and named == study.plan.analysis.endpoint.reference:
        return [f"Compared with {study.reference}, which the analysis plan names as its reference."]
    if named is not None:
        other = f"; the cohort names {of_cohort}" if of_cohort not in (None, named) else ""
        return [f"Compared with {study.reference}, named as the reference for this report{other}."]
    if of_cohort is not None:
        return [f"Compared with {study.reference}, which the cohort names as its reference."]
    taken = f"the others are compared with {study.reference}, the first of them in the order of the data"
    return [f"No reference is named, so {taken}. To name it: {HOW_TO_NAME}."]


def answer(study: Study) -> Section:
    """Give the answer in five lines: who was seen; what differs, with its course; who improved; what to doubt; harms.

    What does not fit stands with the table of findings.
    """
    found = study.found
    doubts = doubts_words(found, study.measure, allocation=study.allocation)
    lines = _lines(study, found, doubts)
    told = [" ".join(said) for said, _ in lines]
    left_out = sum(len(rest) for _, rest in lines)
    if left_out:
        told[-2] += f" And {numbers.plural(left_out, 'more finding')}, under The findings as a table."
    points = (
        _first(told[0]),
        *unusual_words(found, study.measure),
        *_verdicts(study, found),
        *_courses(study, found),
        *_improved(study, found)[0][:1],
        doubts[0],
        harms_words(found, few=True),
    )
    return Section((Passage(tuple(told), "answer", points=points if found.differences else ()),))


def _lines(study: Study, found: Findings, doubts: list[str]) -> list[_Line]:
    judged = doubts if found.differences or found.seen else []
    lines = [
        (_seen(study, found), []),
        _differs(study, found),
        _improved(study, found),
        (judged[:MOST_DOUBTS], judged[MOST_DOUBTS:]),
        ([harms_words(found)], []),
    ]
    return [line for line in lines if line[0]]


def _fitted(must: list[str], more: list[str]) -> _Line:
    """Give what stands in a line of In short, as long as it stays short, and what does not fit."""
    said, rest = list(must), list(more)
    while rest and len(" ".join([*said, rest[0]]).split()) <= _MOST_WORDS:
        said.append(rest.pop(0))
    return said, rest


def every_finding(study: Study) -> Section:
    """Show the findings as a table, which every form of the report carries as numbers too, and what In short leaves out."""
    found = study.found
    if not found.seen and not found.differences and found.responders is None:
        return Section((absent("enough for a finding."),))
    table = findings_table(
        found, study.measure, week=study.primary_week, level=study.level, allocation=study.allocation
    )
    doubts = doubts_words(found, study.measure, allocation=study.allocation)
    rest = [text for _, more in _lines(study, found, doubts) for text in more]
    beside = (Passage(("Found beside what In short says:",)), Passage(tuple(rest), "items")) if rest else ()
    return Section((table, *beside))


def _improved(study: Study, found: Findings) -> _Line:
    """Say who reached the threshold that matters most, and beside it who reached the others."""
    main = found.responders
    if main is None:
        why = study.no_responders
        why = why if why[:2].isupper() else f"{why[:1].lower()}{why[1:]}"
        return [f"Who improved is not counted: {why}."] if why else [], []
    others = [one for one in study.responders if one is not main]
    as_counted = ["The shares are as counted, of patients who were not made alike."] if found.balanced else []
    return _fitted([*responders_words(main), *as_counted], [text for one in others for text in beside_words(one)])


def _first(text: str) -> str:
    """Give the first sentence."""
    return f"{text.partition('. ')[0].rstrip('.')}."


def _verdicts(study: Study, found: Findings) -> list[str]:
    """Give the verdict on each difference, without its numbers, which the slide of the differences has."""
    return [_first(text) for text in _told_of_differences(study, found)[:MOST_SPELLED_OUT]]


def _seen(study: Study, found: Findings) -> list[str]:
    curves, patients = study.curves, len(study.cohort.patients)
    if curves is None:
        said = f"No recovery curves could be fitted to the data of {numbers.plural(patients, 'patient')}, so nothing can be "
        return [f"{said}said about differences. The reason: {study.no_curves}"]
    week = f"{seen_words(found, curves.primary_week, study.measure)} " if found.seen else ""
    adjusted = f", adjusted for {adjusted_in_words(curves.adjusted_for)}," if curves.adjusted_for else ", not adjusted,"
    if curves.baseline_outcome:
        beside = f" and adjusted for {adjusted_in_words(curves.covariates)}" if curves.covariates else ""
        adjusted = f", with the baseline as an outcome{beside},"
    modelled = curves.model.n_patients
    who = "all patients" if modelled == patients else f"{modelled:,} of {numbers.plural(patients, 'patient')}"
    return [f"{week}The model{adjusted} holds {who}."]


def _differs(study: Study, found: Findings) -> _Line:
    curves, unusual = study.curves, unusual_words(found, study.measure)
    if curves is None:
        return [], []
    if len(curves.protocols) == 1:
        return [*unusual, _one_protocol(study)], []
    must = [*unusual, *_told_of_differences(study, found), *_courses(study, found)]
    secondary = [secondary_words(found.in_order)] if found.in_order else []
    beside = [unadjusted_words(found, study.measure)] if len(found.balanced) > 1 else []
    return _fitted(must, [*filter(None, beside), *secondary, *unturned_words(found)])


def _one_protocol(study: Study) -> str:
    """Say where the single protocol of a cohort, or of the model, stands at the primary week."""
    (one,), decimals = study.found.means, shown_decimals(study.measure)
    others = [each.protocol for each in study.found.stayed if each.protocol != one.protocol]
    alone = f"All patients followed one protocol, {one.protocol}, so nothing is compared."
    if others:
        alone = f"Nothing is compared: the model holds patients of {one.protocol} only, and nobody of {numbers.listed(others)}."
    return (
        f"{alone} At {numbers.moment(study.found.primary_week)} mean {in_text(study.measure.label)} was "
        f"{numbers.number(one.estimate, decimals)} {study.measure.unit} ({numbers.level_in_words(study.level)} interval "
        f"{numbers.interval(one.lower, one.upper, decimals)})."
    )


def _told_of_differences(study: Study, found: Findings) -> list[str]:
    if found.balanced:
        return balanced_words(found, study.measure, level=study.level)
    said = differences_words(found, study.measure, level=study.level, allocation=study.allocation)
    return [*said, *filter(None, [not_balanced_words(found)])]


def _courses(study: Study, found: Findings) -> list[str]:
    """Tell the other weeks by the curves, which balance nothing; not beside differences among patients made alike."""
    return [] if found.balanced else courses_words(found, study.measure)

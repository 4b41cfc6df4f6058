"""What stands at the top of a protocol comparison: what was compared, and the answer in plain language."""

from analysis.curves.recovery import RecoveryCurves
from analysis.curves.recovery_choices import adjusted_in_words
from analysis.outcomes import Responders
from analysis.report.comparison.findings.doubts import doubts_words, harms_point, harms_words, unusual_words
from analysis.report.comparison.findings.finding import Findings
from analysis.report.comparison.findings.responder_words import beside_words, responders_words
from analysis.report.comparison.findings.rules import find
from analysis.report.comparison.findings.table import findings_table
from analysis.report.comparison.findings.words import MOST_SPELLED_OUT, courses_point, differences_words, seen_words
from analysis.report.comparison.study import Study
from analysis.report.parts import numbers
from analysis.report.parts.numbers import in_text, shown_decimals
from analysis.report.parts.passages import Passage, Section, absent
from analysis.report.parts.wording import INVENTED

#: How the reference is named, for a person who reads a report.
HOW_TO_NAME = 'reference = "..." in the map file, or --set "reference=\'...\'" for one report'


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
    """Give the answer in four points: who was seen; what differs, with its course; who improved; what to doubt."""
    found = find(study)
    improved = [_improved(study, found.responders)] if found.responders is not None else _not_counted(study)
    told = [*_seen(study, found), *_differs(study, found), *improved]
    doubts = doubts_words(found, study.measure, allocation=study.allocation)
    harms = harms_words(found)
    if found.differences or found.seen:
        told.append(" ".join([*doubts, *harms]))
    points = (
        ()
        if study.curves is None
        else (
            _first(told[0]),
            *unusual_words(found, study.measure),
            *_verdicts(study, found),
            *courses_point(found, study.measure),
            *map(_first, improved),
            doubts[0],
            *harms_point(found),
        )
    )
    return Section((Passage(tuple(told), "answer", points=points if found.differences else ()),))


def _not_counted(study: Study) -> list[str]:
    """Say why nobody is counted as improved."""
    return [f"Who improved is not counted: {study.no_responders}."] if study.no_responders else []


def every_finding(study: Study) -> Section:
    """Show the findings as a table, which every form of the report carries as numbers too."""
    found = find(study)
    if not found.seen and not found.differences and found.responders is None:
        return Section((absent("enough for a finding."),))
    table = findings_table(
        found, study.measure, week=study.primary_week, level=study.level, allocation=study.allocation
    )
    return Section((table,))


def _improved(study: Study, found: Responders) -> str:
    """Say who improved by the threshold that matters most, and beside it who did by that of the measure compared."""
    own = [one for one in study.responders if one is not found and one.endpoint.measure == study.measure]
    return " ".join([responders_words(found), *map(beside_words, own)]).strip()


def _first(text: str) -> str:
    """Give the first sentence."""
    return f"{text.partition('. ')[0].rstrip('.')}."


def _verdicts(study: Study, found: Findings) -> list[str]:
    """Give the verdict on each difference, without its numbers, which the slide of the differences has."""
    told = _told_of_differences(study, found)
    return [_first(text) for text in told[: min(MOST_SPELLED_OUT, len(told) - len(found.courses))]]


def _seen(study: Study, found: Findings) -> list[str]:
    curves, patients = study.curves, len(study.cohort.patients)
    if curves is None:
        said = f"No recovery curves could be fitted to the data of {numbers.plural(patients, 'patient')}, so nothing can be "
        return [f"{said}said about differences. The reason: {study.no_curves}"]
    week = f"{seen_words(found, curves.primary_week, study.measure)} " if found.seen else ""
    adjusted = f", adjusted for {adjusted_in_words(curves.adjusted_for)}," if curves.adjusted_for else ", not adjusted,"
    modelled = curves.model.n_patients
    who = "all patients" if modelled == patients else f"{modelled:,} of {numbers.plural(patients, 'patient')}"
    return [f"{week}The model{adjusted} holds {who}."]


def _differs(study: Study, found: Findings) -> list[str]:
    curves = study.curves
    if curves is None:
        return []
    several = len(curves.protocols) > 1
    told = _told_of_differences(study, found) if several else [_one_protocol(curves, study.level)]
    return [" ".join([*unusual_words(found, study.measure), *told])]


def _one_protocol(curves: RecoveryCurves, level: float) -> str:
    """Say where the single protocol of a cohort stands at the primary week."""
    at = curves.means(level=level)
    row = at[(at["week"] - curves.primary_week).abs() < 1e-9].iloc[0]
    decimals = shown_decimals(curves.measure)
    return (
        f"All patients followed one protocol, {curves.protocols[0]}, so nothing is compared. At week "
        f"{numbers.week(curves.primary_week)} mean {in_text(curves.measure.label)} was "
        f"{numbers.number(row['estimate'], decimals)} {curves.measure.unit} ({numbers.level_in_words(level)} interval "
        f"{numbers.interval(row['lower'], row['upper'], decimals)})."
    )


def _told_of_differences(study: Study, found: Findings) -> list[str]:
    return differences_words(found, study.measure, level=study.level, allocation=study.allocation)

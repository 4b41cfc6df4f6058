"""What stands at the top of one patient's page: who, and what the visits say, in plain language."""

from analysis.counted import none_or
from analysis.report.one_patient.findings import MeasureFindings, PatientFindings
from analysis.report.one_patient.study import PatientPage
from analysis.report.one_patient.worse import worse_in_words
from analysis.report.parts import numbers
from analysis.report.parts.numbers import capitalised, in_text
from analysis.report.parts.passages import Passage, Section
from analysis.report.parts.wording import INVENTED

NOT_FOR_RELEASE = "One patient's data: for the treating team, not for release."
FOR_DISCUSSION = (
    "For discussion with the treating clinician. The page describes; it recommends nothing, and being off a curve is no "
    "diagnosis."
)

#: So many marks, and more than twice those that chance alone would make, are not called single ones (design choice).
_MORE_THAN_CHANCE = 3
_MIDDLE = 50


def subtitle(page: PatientPage) -> Section:
    """Name the patient, the protocol and the weeks seen."""
    procedure = page.about.get("procedure")
    done = "" if numbers.is_missing(procedure) else f", {procedure}"
    lines = [f"Patient {page.patient}: {page.protocol}{done}"]
    weeks = sorted({float(week) for one in page.found for week in one.visits["week"]})
    if weeks:
        first, last = numbers.moment(weeks[0]), numbers.moment(weeks[-1])
        spans = first if len(weeks) == 1 else f"{first} to {last}"
        if len(weeks) > 1 and "day" not in spans:
            spans = numbers.time_span(weeks[0], weeks[-1])
        compared, measures = sum(len(one.compared) > 0 for one in page.found), len(page.found)
        some = f"{compared} of " if 0 < compared < measures else ""
        done = "compared" if compared else "at the start"
        lines.append(
            f"{numbers.plural(len(weeks), 'visit')}, {spans}; {some}{numbers.plural(measures, 'measure')} {done}"
        )
    lines.append(INVENTED if page.invented else NOT_FOR_RELEASE)
    return Section((Passage(tuple(lines), "subtitle"),))


def answer(page: PatientPage) -> Section:
    """Say which visits were off the expected curve, how many were compared, and how many chance alone would mark."""
    said = [_off(page.findings), *worse_in_words(page.findings), FOR_DISCUSSION]
    return Section((Passage(tuple(said), "answer"),))


def off_title(found: PatientFindings) -> str:
    """Say how many values are off the expected curve, for the title of a slide; empty where none was compared."""
    if not found.compared:
        return ""
    return f"Of {numbers.plural(found.compared, 'value')} {none_or(found.off, 'is')} off the expected curve"


def _off(found: PatientFindings) -> str:
    if not found.compared:
        return (
            "No visit of this patient could be compared with the other patients, so nothing is said about the recovery."
        )
    off = " ".join(_off_in_words(one) for one in found.measures if one.off)
    of = numbers.plural(found.compared, "value")
    opening = f"Off the expected curve: {found.off} of {of}. {off}" if found.off else f"{off_title(found)}."
    chance = (
        f"By chance alone about {numbers.number(found.by_chance, 1)} of {of} would be marked in an ordinary recovery"
    )
    if found.off >= _MORE_THAN_CHANCE and found.off > 2 * found.by_chance:
        return f"{opening} {chance}; here {found.off} are."
    return f"{opening} {chance}{', so a single mark says little' if found.off else ''}."


def _off_in_words(one: MeasureFindings) -> str:
    parts = []
    for visit in one.off:
        limit = visit.lower if visit.place == "below" else visit.upper
        decimals = numbers.decimals_apart(visit.value, limit, one.measure.decimals)
        better = (visit.place == "above") == (one.measure.sign > 0)
        judged = f"{'better' if better else 'worse'} than expected"
        place = visit.centile if one.measure.sign > 0 else 100 - visit.centile
        if (place > _MIDDLE) is not better and place != _MIDDLE:
            judged += f" from the earlier visits; centile of the others {numbers.centile(visit.centile)}"
        if one.measure.is_beyond_ideal(visit.value):
            judged = (
                f"beyond {one.measure.ideal:g}, where {'higher' if one.measure.sign > 0 else 'lower'} is not better"
            )
        parts.append(
            f"{numbers.number(visit.value, decimals)} {one.measure.unit} at {numbers.moment(visit.week)}, {visit.place} "
            f"{numbers.interval(visit.lower, visit.upper, decimals)} ({judged})"
        )
    return f"{capitalised(in_text(one.measure.label))}: {'; '.join(parts)}."

"""An analysis plan as a person reads and signs it: numbered sections of plain sentences, as Markdown or as a Word file."""

import re
from collections.abc import Sequence

from analysis.counted import counted
from analysis.foreign_text import visible
from analysis.report.forms.office.blocks import Node, heading, paragraph, styled
from analysis.report.forms.office.pandoc import Pictures, write_office
from analysis.report.parts.numbers import level_in_words, listed, moment
from analysis.report.planned.model_sentences import model_sentences
from analysis.report.planned.parts import LimitsPart, ModelPart, PlannedAnalysis
from analysis.report.planned.plan import AnalysisPlan, refuse_lacking

_TITLE = "Analysis plan of a protocol comparison"
#: Who signs, and what is filled in by hand.
_SIGN = ("Statistician: ______________________   Date: ____________   Signature: ______________________",
         "Investigator: ______________________   Date: ____________   Signature: ______________________")  # fmt: skip
_FROM = {
    "cohort": "from a cohort: its protocols, the columns of its patients and who was measured when were used. Its values were on "
    "record then, and none was used.",
    "design": "from a design file, without a cohort.",
}
_CUT = re.compile(r"(\w+)\s+(-?\d+(?:\.\d+)?)")
_LIMITS_FROM = "These limits are the kit's own and are said in the report; none of them is a test."


def plan_to_markdown(plan: AnalysisPlan) -> str:
    """Write the document as Markdown.

    Raises
    ------
    ReportError
        The plan lacks keys, which the document would have to say.
    """
    refuse_lacking(plan)
    lines = [f"# {_TITLE}", "", *(f"{_escaped(one)}\n" for one in _opening(plan))]
    for number, (title, sentences) in enumerate(_sections(plan.analysis), start=1):
        lines += [
            f"## {number}. {title}",
            "",
            *(f"{label} {_escaped(one)}\n" for label, one in _numbered(number, sentences)),
        ]
    return "\n".join([*lines, "## Signatures", "", *(f"{_escaped(one)}\n" for one in _SIGN)])


def plan_to_word(plan: AnalysisPlan) -> bytes:
    """Write the document as a Word file.

    Raises
    ------
    ReportError
        The plan lacks keys; or pandoc is not installed, or fails.
    """
    refuse_lacking(plan)
    blocks: list[Node] = [styled("Title", [paragraph(_TITLE)]), *map(paragraph, _opening(plan))]
    for number, (title, sentences) in enumerate(_sections(plan.analysis), start=1):
        blocks.append(heading(1, f"{number}. {title}"))
        blocks += [paragraph(f"{label} {one}") for label, one in _numbered(number, sentences)]
    blocks += [heading(1, "Signatures"), *map(paragraph, _SIGN)]
    return write_office(blocks, Pictures(), "docx", title=_TITLE)


def _opening(plan: AnalysisPlan) -> list[str]:
    edited = ["The plan was edited after it was made: its hash does not fit its content."] if plan.edited else []
    return [
        f"Made on {plan.made} with kneecurve {plan.kit} {_FROM[plan.analysis.design.made_from]}",
        f"SHA-256 of the plan: {plan.sha256}",
        *edited,
        (
            "A report that follows the plan lists everything that was done otherwise. The plan describes groups of patients and "
            "recommends nothing for one patient."
        ),
    ]


def _sections(said: PlannedAnalysis) -> list[tuple[str, list[str]]]:
    return [
        ("What is compared", _design(said)),
        ("Primary outcome", _endpoint(said)),
        ("Model", model_sentences(said)),
        ("Responders", _responders(said)),
        ("Missing visits", _missing(said)),
        ("Several comparisons", _multiplicity(said)),
        ("Secondary outcomes", _secondary(said)),
        ("Groups of patients", _groups(said)),
        ("When nothing is concluded, and what is doubted", _limits(said.limits)),
        ("What is described beside", _beside(said)),
    ]


def _design(said: PlannedAnalysis) -> list[str]:
    design, reference = said.design, said.endpoint.reference
    how = (
        "Patients were allocated to the protocols at random."
        if design.allocation == "randomised"
        else "Patients were not allocated at random, or nobody said so: a difference is an association, and no sentence of cause is written."
    )
    begin = f"Week 0 is {design.counted_from}." if design.counted_from else "What week 0 is was not said."
    return [
        f"Protocols: {listed([one for one in design.protocols if one != reference])}, each against {reference}, the reference.",
        how,
        f"Procedure: {listed(design.procedures) or 'not said'}. {begin}",
        (
            "Every patient counts with the protocol given at the start, whatever was done at home. Values after an event count as "
            "measured (treatment policy)."
        ),
    ]


def _endpoint(said: PlannedAnalysis) -> list[str]:
    one = said.endpoint
    after = (
        f" It is measured at weeks {listed([f'{week:g}' for week in said.design.weeks])} after the start."
        if said.design.weeks
        else ""
    )
    return [
        f"{one.label}{_on_limb(one.limb)}, in {one.unit}; {one.better}.{after}",
        f"The main comparison is at {moment(one.primary_week)}: the difference of the means of each protocol from {one.reference}.",
        f"The baseline is the {one.change_from.replace('before start', 'value at week 0 or before')}.",
    ]


def _on_limb(limb: str) -> str:
    return "" if limb == "none" else f", {limb} limb"


def _responders(said: PlannedAnalysis) -> list[str]:
    if not said.responders:
        return [
            "Nobody is counted as a responder: there is no published threshold for the measure, and none was named."
        ]
    lines = []
    for one in said.responders:
        which = "Main" if one.main else "Beside it"
        lines.append(f"{which}: {one.words}")
    return [
        *lines,
        (
            "Shares have Wilson's score interval, differences of shares Newcombe's method 10. They stand beside the primary comparison, "
            "and are not adjusted for their number."
        ),
    ]


def _missing(said: PlannedAnalysis) -> list[str]:
    missing = said.missing
    if not missing.analyses:
        return ["Visits have no schedule, so none can be counted as missing and imputed."]
    lines = [
        (
            f"The primary comparison is repeated under other assumptions, in this order: {'; '.join(missing.analyses)}. In the last "
            f"the missed values of the other protocols are shifted, in {missing.shifts} steps up to {missing.largest_shift:g} standard "
            "deviations both ways, until the answer turns. The primary analysis stays the model of section 3."
        ),
        (
            f"Each imputation: {missing.imputations} completed data sets, pooled by Rubin's rules; seed {missing.seed}. Joint model of all "
            f"visits: {'; '.join(missing.covariances)}; the first that converges is taken."
        ),
        "Where no visit was missed nothing is filled, which is no deviation.",
    ]
    if any(one.together for one in said.responders):
        lines.insert(
            -1,
            "States counted together are filled from a normal model of their measures: the baseline and the week of each, and visits "
            f"between, the latest first, up to {missing.most_values_of_states} values of a patient and with at least "
            f"{missing.patients_per_value_of_states} patients for each.",
        )
    if missing.analyses_of_responders:
        lines.insert(1, f"The main responders are repeated so: {'; '.join(missing.analyses_of_responders)}.")
    return lines


def _multiplicity(said: PlannedAnalysis) -> list[str]:
    part, others = said.multiplicity, len(said.design.protocols) - 1
    which = "the primary and the secondary outcomes" if said.secondary else "the primary outcome"
    lines = [
        (
            f"The tests of {which} have a two-sided error of {_error(part.level)}{' together' if said.secondary else ''}; every interval is "
            f"a {level_in_words(part.level)} interval."
        ),
        f"At the primary week there {'is one comparison' if others == 1 else f'are {others} comparisons'}"
        + (
            "."
            if others == 1
            else f": p values are adjusted by {part.p_values.capitalize()}, and intervals by {part.intervals.capitalize()}."
        ),
        (
            "A difference in the primary outcome is found where its adjusted interval leaves out no difference and not too many were lost "
            "(section 9)."
        ),
    ]
    if said.secondary:
        shared = (
            "An outcome is tested where the one before it was found."
            if others == 1
            else "The protocols share the error at the primary outcome; one that shows a difference there passes its part to its next "
            "outcome, and after the last to the other protocols."
        )
        lines += [
            f"Primary and secondary outcomes are tested in order: {part.order_of_outcomes}. {shared}",
            f"A difference in a secondary outcome is found where its p value in that order is at most {_error(part.level)}.",
        ]
    return lines


def _error(level: float) -> str:
    return f"{100 * (1 - level):.6g} %"


def _secondary(said: PlannedAnalysis) -> list[str]:
    if not said.secondary:
        return ["None is tested."]
    lines = [
        f"Number {one.place} in the order, of which the primary outcome is 1: {one.label}{_on_limb(one.limb)}, in {one.unit}, at "
        f"{moment(one.week)}."
        for one in said.secondary
    ]
    return [
        *lines,
        f"Each is compared by the model of section 3, adjusted for the same{_as_covariate(said.model)}. What is not tested is described.",
    ]


def _groups(said: PlannedAnalysis) -> list[str]:
    part = said.subgroups
    if not part.groups:
        return ["None is compared."]
    return [
        f"The primary comparison is shown within groups by {listed([_CUT.sub(_cut, one) for one in part.groups])}.",
        f"Groups enter the model of section 3 by protocol and week, with the covariance that was taken there{_as_covariate(said.model)}.",
        f"A group is compared where {counted(part.fewest_in_a_group, 'patient')} or more of every protocol were seen at the week.",
        "Whether differences are the same in the groups is tested by their interaction alone; nothing is adjusted for the number of groups.",
    ]


def _as_covariate(model: ModelPart) -> str:
    return ", but with the baseline as a covariate" if model.baseline_as == "outcome" else ""


def _cut(found: re.Match[str]) -> str:
    return f"{found[1]} (below {found[2]}, and {found[2]} or more)"


def _limits(limits: LimitsPart) -> list[str]:
    return [
        (
            f"Nothing is concluded about protocols where {_share(limits.much_lost)} or more of one was not seen at the primary week, or "
            f"where the shares of two lie {_points(limits.lost_apart)} or more apart."
        ),
        (
            f"It is said as a doubt where fewer than {counted(limits.few_seen, 'patient')} of a protocol were seen, where less than "
            f"{_share(limits.hardly_done)} of its home sessions were done, and where analyses of missing visits change the answer."
        ),
        (
            f"Where patients were not allocated at random, characteristics {limits.apart_at_start:g} standard deviations or more apart at the "
            "start are named."
        ),
        (
            f"A score of which {_share(limits.at_the_end)} or more of the patients have the best value cannot tell these apart. A share of "
            f"responders below {_share(limits.hardly_any)} or above 1 minus it says little. Where {_share(limits.worse_many)} or more got worse "
            "by the threshold it is said."
        ),
        f"Home sessions: {_share(limits.enough_sessions)} of those prescribed count as enough.",
        _LIMITS_FROM,
    ]


def _share(value: float) -> str:
    return "a third" if abs(value - 1 / 3) < 1e-9 else f"{100 * value:.6g} %"


def _points(value: float) -> str:
    return f"{100 * value:.6g} percentage points"


def _beside(said: PlannedAnalysis) -> list[str]:
    both = said.design.allocation == "randomised" and said.model.baseline_as != "none"
    other = (
        "the primary comparison with the baseline taken in the other way, as an outcome or a covariate, "
        if both
        else ""
    )
    return [
        (
            f"Beside the above, without a place in the tests and not adjusted for their number: other weeks, {other}shares of responders "
            "counted in other ways and with the error of measurement, harms (serious ones apart, kind by kind), adherence and home dose, "
            "brace limits, limb symmetry and the gap to the other limb."
        ),
        "Whatever else is analysed is not planned here, and is to be read as found in these data.",
        "Not part of this plan: the number of patients, interim looks and rules for stopping, and who analyses the data.",
    ]


def _numbered(section: int, sentences: Sequence[str]) -> list[tuple[str, str]]:
    return [(f"{section}.{number}", visible(one)) for number, one in enumerate(sentences, start=1)]


def _escaped(text: str) -> str:
    """Keep what a name holds from being read as Markdown; underscores within words are none."""
    return re.sub(r"([\\`*<>\[\]])", r"\\\1", visible(text))

"""What stands at the end of a protocol comparison: methods in words, cautions, provenance."""

from collections.abc import Sequence

from analysis.cohort.tables import WEEK_0_IS
from analysis.outcomes import Responders
from analysis.report.comparison.findings.doubts import NOT_ALLOCATED
from analysis.report.comparison.parameters import Allocation, ComparisonParameters
from analysis.report.comparison.study import Study
from analysis.report.parts import numbers
from analysis.report.parts.model_words import model_in_words
from analysis.report.parts.passages import Passage, Section
from analysis.report.parts.wording import (
    ABOUT_GROUPS,
    CAUTION_LETTERS,
    DEFERRED,
    NO_FINDING,
    Caution,
    cautions_of,
    counts_by_protocol,
    named_or_counted,
)
from analysis.report.planned.plan import PLAN_PARAMETER
from analysis.report.running.provenance import show_provenance

#: A protocol with fewer patients than this gets a caution (design choice).
FEW_PATIENTS = 20


def methods(study: Study) -> Section:
    """Say in words how the numbers came about."""
    measure = study.measure
    sentences = [
        f"Measure: {study.measure_in_words}, in {measure.unit}; {measure.direction_in_words}. {measure.description}".strip(),
        "Baseline: the last value at week 0 or before. Change: value minus baseline.",
    ]
    if study.cohort.counted_from is not None:
        sentences.insert(1, f"Week 0: {WEEK_0_IS[study.cohort.counted_from]}.")
    if measure.ideal is not None:
        sentences.append(
            f"Improvement: how much nearer to {measure.ideal:g} than at baseline, from either side. Means and curves are of the "
            "values measured."
        )
    sentences += model_in_words(study.curves) if study.curves is not None else [f"No model: {study.no_curves}"]
    if study.responders:
        sentences.append(
            "Responders: shares with Wilson's score interval (J Am Stat Assoc 1927;22:209); differences of shares with "
            "Newcombe's method 10 (Stat Med 1998;17:873)."
        )
    sentences += [f"Warning: {one}" for one in study.warnings]
    kept = study.plan_followed
    by_plan = () if kept is None else (Passage(tuple(kept.words), "items"),)
    return Section((Passage(tuple(sentences), "items"), *by_plan))


def cautions(study: Study) -> Section:
    """Say what the report must not be used for."""
    allocated = study.flow.allocated
    sizes = {str(name): int(n) for name, n in zip(allocated["protocol"], allocated["allocated"], strict=True)}
    seen = study.found.seen
    sizes |= {one.protocol: one.seen for one in seen}
    missing = {one.protocol: (one.allocated - one.seen, one.allocated) for one in seen}
    said = caution_words(
        allocation=study.allocation,
        invented=study.invented,
        sizes=sizes,
        missing=missing if study.curves is not None else {},
        responders=study.responders,
    )
    return Section((cautions_of(said),))


def caution_words(
    *,
    allocation: Allocation,
    invented: bool,
    sizes: dict[str, int],
    missing: dict[str, tuple[int, int]],
    responders: Sequence[Responders],
) -> list[Caution]:
    """List what the report must not be used for.

    ``sizes`` has the patients of each protocol (those seen, where that is known), ``missing`` those missing at the primary
    week and all (empty where unknown), ``responders`` the analyses that are shown.
    """
    said = [*([NO_FINDING] if invented else []), ABOUT_GROUPS, DEFERRED]
    if allocation == "observational" and len(sizes) > 1:
        said.append(Caution(NOT_ALLOCATED, "Not allocated at random: a difference is an association."))
    few = [f"{name} ({n})" for name, n in sizes.items() if n < FEW_PATIENTS]
    if few:
        named = f"Few patients: {named_or_counted(few, len(sizes))}."
        short = f"Fewer than {FEW_PATIENTS} patients seen of {len(few)} of {numbers.plural(len(sizes), 'protocol')}."
        wide = "Intervals are wide, and single patients can turn a result round."
        said.append(Caution(f"{named} {wide}", named if len(named) <= CAUTION_LETTERS else short))
    gaps = [f"{name} {numbers.fraction(n, of)}" for name, (n, of) in missing.items() if n]
    if gaps:
        counts = [(name, n, of) for name, (n, of) in missing.items()]
        in_all = counts_by_protocol(counts, room=CAUTION_LETTERS - len("Missing at the primary week: ."))
        said.append(
            Caution(
                f"Missing at the primary week: {named_or_counted(gaps, len(missing))}. If those who were not seen did worse or "
                "better than the model expects, the result is off by an unknown amount.",
                f"Missing at the primary week: {in_all}.",
            )
        )
    if any(found.endpoint.to_reach.name == "minimal detectable change" for found in responders):
        said.append(
            Caution(
                "A minimal detectable change is what exceeds the error of measurement in one patient. It does not say that "
                "the change matters.",
                "A minimal detectable change does not say that the change matters.",
            )
        )
    if responders:
        said.append(
            Caution(
                "A threshold is for the change within one patient; it is no yardstick for the difference between the means "
                "of two groups. Counting responders throws away information: read the means first.",
                "Read the means first: a threshold is for the change of one patient.",
            )
        )
    mean = "A difference between the means of groups does not tell how one patient would fare."
    said.append(Caution(mean, "A difference of means does not tell how one patient would fare."))
    return said


def provenance(study: Study, report: str) -> Section:
    """Say what the report was made from and how to make it again.

    Parameters
    ----------
    study : Study
        The comparison.
    report : str
        Name of the report.
    """
    changed = ComparisonParameters.changed(study.parameters)
    shown = {name: value for name, value in study.parameters.items() if name != PLAN_PARAMETER}
    if study.plan is not None:
        shown[PLAN_PARAMETER] = f"SHA-256 {study.plan.sha256}"
    return show_provenance(study.cohort, study.folder, report=report, parameters=shown, changed=changed)

"""What stands at the end of a protocol comparison: methods in words, cautions, provenance."""

from analysis.report.comparison.findings.rules import find
from analysis.report.comparison.prepared import ComparisonParameters
from analysis.report.comparison.study import Study
from analysis.report.parts.passages import Passage, Section
from analysis.report.parts.wording import cautions as said_cautions
from analysis.report.parts.wording import first_cautions, model_in_words
from analysis.report.running.provenance import show_provenance


def methods(study: Study) -> Section:
    """Say in words how the numbers came about."""
    measure = study.measure
    sentences = [
        f"Measure: {study.measure_in_words}, in {measure.unit}; {measure.direction_in_words}. {measure.description}".strip(),
        "Baseline: the last value at week 0 or before. Change: value minus baseline.",
    ]
    sentences += model_in_words(study.curves) if study.curves is not None else [f"No model: {study.no_curves}"]
    if study.responders:
        sentences.append(
            "Responders: shares with Wilson's score interval (J Am Stat Assoc 1927;22:209); differences of shares with "
            "Newcombe's method 10 (Stat Med 1998;17:873)."
        )
    sentences += [f"Warning: {one}" for one in study.warnings]
    return Section((Passage(tuple(sentences), "items"),))


def cautions(study: Study) -> Section:
    """Say what the report must not be used for."""
    allocated = study.flow.allocated
    sizes = {str(name): int(n) for name, n in zip(allocated["protocol"], allocated["allocated"], strict=True)}
    missing = {one.protocol: (one.allocated - one.seen, one.allocated) for one in find(study).seen}
    said = said_cautions(
        allocation=study.allocation,
        invented=study.invented,
        sizes=sizes,
        missing=missing if study.curves is not None else {},
        responders=study.responders,
    )
    return Section((Passage(tuple(said), "caution", points=first_cautions(said)),))


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
    return show_provenance(study.cohort, study.folder, report=report, parameters=study.parameters, changed=changed)

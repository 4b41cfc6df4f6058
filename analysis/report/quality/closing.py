"""What stands at the end of a data-quality report: methods in words, cautions, provenance."""

from analysis.quality import read_value_rules
from analysis.quality.unlikely_changes import FEWEST_FOR_A_TREND
from analysis.report.parts.passages import Passage, Section
from analysis.report.parts.wording import Caution, cautions_of
from analysis.report.quality.study import QualityParameters, QualityStudy
from analysis.report.running.provenance import show_provenance

CAUTIONS = (
    Caution(
        "The report describes how data were recorded. It is no judgement of a site, a therapist or a patient.",
        "The report shows how data were recorded and judges no site or patient.",
    ),
    Caution(
        "An unlikely value may be true: it is looked up in the source, and left as it is where it is right. Nothing was "
        "changed or left out of the cohort for this report.",
        "An unlikely value may be true: look it up in the source.",
    ),
    Caution(
        "Complete data are not therefore right, and a pattern of missing visits cannot tell why patients stayed away.",
        "Complete data are not therefore right.",
    ),
    Caution(
        "Who is asked, and what may be sent to whom, is decided by the local privacy officer and the ethics board; what a "
        "value means for a patient, by the treating clinician.",
        "The privacy officer decides what may be sent to whom.",
    ),
)


def methods(study: QualityStudy) -> Section:
    """Say in words how the numbers came about."""
    rules = (*read_value_rules(), *(read_value_rules(study.parameters["rules"]) if study.parameters["rules"] else ()))
    limits = [
        f"Rule ({rule.severity}): {rule.problem}; {study.label(rule.measure)} allowed "
        + " ".join(
            part
            for part in (
                f"from {rule.lowest:g}" if rule.lowest > float("-inf") else "",
                f"to {rule.highest:g}" if rule.highest < float("inf") else "",
            )
            if part
        )
        + f" {study.cohort.measures[rule.measure].unit} (source: {rule.source or 'not given'})."
        for rule in rules
    ]
    sentences = (
        (
            "Expected: every patient at every scheduled week of a measure, those who withdrew included. Weeks are scheduled "
            "where at least 5 % as many patients were seen as at the best-attended week; every week at or before 0 is the "
            "baseline."
        ),
        *limits,
        (
            "Unlikely change: from one visit to the next, in the other direction than the median change of all patients "
            f"between the same weeks (at least {FEWEST_FOR_A_TREND} patients), and larger than the smallest published minimal "
            "detectable change of the measure. Chance alone exceeds that in some patients."
        ),
        (
            "Last digits: Pearson's chi-square test against a tenth for each digit, as done for blood pressure (de Lusignan "
            "et al., J Hum Hypertens 2004;18:261); with 50 values or more. By site the test is of the values of each site."
        ),
    )
    return Section((Passage(sentences, "items"),))


def cautions(study: QualityStudy) -> Section:  # noqa: ARG001 - every section takes the study
    """Say what the report must not be used for."""
    return Section((cautions_of(CAUTIONS),))


def provenance(study: QualityStudy, report: str) -> Section:
    """Say what the report was made from and how to make it again.

    Parameters
    ----------
    study : QualityStudy
        The check.
    report : str
        Name of the report.
    """
    changed = QualityParameters.changed(study.parameters)
    return show_provenance(study.cohort, study.folder, report=report, parameters=study.parameters, changed=changed)

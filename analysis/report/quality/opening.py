"""What stands at the top of a data-quality report: what was checked, and what it found, in plain language."""

from analysis.cohort.follow_up.as_of import follow_up_words
from analysis.report.parts import numbers
from analysis.report.parts.passages import Passage, Section
from analysis.report.parts.wording import INVENTED
from analysis.report.quality.findings import in_short
from analysis.report.quality.study import QualityStudy

LIMITED = "Limited level: this report stays within the organisation that holds the data."


def subtitle(study: QualityStudy) -> Section:
    """Say what was checked."""
    n_values = int(study.cohort.visits["value"].notna().sum())
    lines = [f"{numbers.plural(len(study.cohort.patients), 'patient')}, {numbers.count(n_values)} measured values"]
    if study.cohort.as_of is not None or study.cohort.level != "synthetic":
        lines.append(follow_up_words(study.cohort))
    if study.cohort.level == "synthetic":
        lines.append(INVENTED)
    elif study.cohort.level == "limited":
        lines.append(LIMITED)
    return Section((Passage(tuple(lines), "subtitle"),))


def answer(study: QualityStudy) -> Section:
    """Say in short what was found."""
    return Section((Passage(tuple(in_short(study.found)), "answer"),))

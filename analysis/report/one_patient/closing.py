"""What stands at the end of one patient's page: methods in words, cautions, provenance."""

from analysis.counted import form
from analysis.report.one_patient.opening import NOT_FOR_RELEASE
from analysis.report.one_patient.study import PatientPage, PatientParameters
from analysis.report.parts import numbers
from analysis.report.parts.model_words import model_in_words
from analysis.report.parts.passages import Passage, Section
from analysis.report.parts.wording import DEFERRED, NO_FINDING, Caution, cautions_of
from analysis.report.running.provenance import show_provenance


def methods(page: PatientPage) -> Section:
    """Say in words how the numbers came about."""
    sentences = ["Baseline: the last value at week 0 or before. Change: value minus baseline."]
    for one in page.found:
        first, *_ = model_in_words(one.others)
        label = one.measure.label_on(one.limb)
        n = one.n_same_protocol
        same = f"{numbers.plural(n, 'patient')} of the same protocol {form(n, 'is')} among the others"
        formula = one.others.model.design.formula
        sentences.append(f"{label}: {first} Formula: {formula}. Fitted without this patient; {same}.")
    if page.found:
        sentences.append(
            "Expected value of a visit: the mean curve plus what the earlier visits say through the covariance (best linear "
            "unbiased prediction; Stat Sci 1991;6:15). Its interval is a normal one, with the uncertainty of the mean curve "
            "and with the covariance parameters taken as known, so it is a little too narrow where the others are few."
        )
    sentences += [f"Warning: {one}" for one in page.warnings]
    return Section((Passage(tuple(sentences), "items"),))


def cautions(page: PatientPage) -> Section:
    """Say what the page must not be used for."""
    values = "One value can be off because it was measured or typed wrongly. Look at the value before the patient."
    curves = "Curves show how others went on, not how a knee should: the others are those who came to their visits."
    diagnosis = "A value off a curve is no diagnosis, and a value on it is no all-clear."
    said = [
        NO_FINDING if page.invented else Caution(NOT_FOR_RELEASE, NOT_FOR_RELEASE),
        Caution(diagnosis, "Off a curve is no diagnosis, and on it no all-clear."),
        DEFERRED,
        Caution(curves, "Curves show how others went on, not how a knee should."),
        Caution(values, "Look at a value before the patient: it may be measured or typed wrongly."),
    ]
    return Section((cautions_of(said),))


def provenance(page: PatientPage, report: str) -> Section:
    """Say what the page was made from and how to make it again.

    Parameters
    ----------
    page : PatientPage
        The page.
    report : str
        Name of the report.
    """
    changed = PatientParameters.changed(page.parameters)
    return show_provenance(page.cohort, page.folder, report=report, parameters=page.parameters, changed=changed)

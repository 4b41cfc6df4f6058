"""A view of a cohort, computed: its picture, its words, and the caution beside them."""

from __future__ import annotations

import io
import warnings
from dataclasses import dataclass, replace
from typing import Any, get_args

from analysis.cohort.reference import reference_protocol, used_protocols
from analysis.cohort.tables import Cohort
from analysis.curves.patient_on_cohort import patient_on_cohort
from analysis.curves.recovery import RecoveryCurves, fit_recovery
from analysis.errors import CohortError, KneecurveWarning, ModelError, check_choice
from analysis.exploring.found import (
    CAUTION,
    differences_in_words,
    last_seen_in_words,
    means_in_words,
    patient_in_words,
    responders_in_words,
    seen_at,
    seen_in_words,
)
from analysis.exploring.last_seen_figure import last_seen_figure
from analysis.exploring.patients_of import patients_of
from analysis.exploring.view import Picture, View
from analysis.foreign_text import visible
from analysis.outcomes import patient_flow, responders
from analysis.outcomes.thresholds.chosen_threshold import choose_threshold
from analysis.report.comparison.findings.doubts import NOT_ALLOCATED
from analysis.report.figures.difference_figure import difference_figure
from analysis.report.figures.recovery_figure import recovery_figure
from analysis.report.figures.responder_figures import responder_figure
from analysis.report.one_patient.patient_figure import patient_figure
from analysis.report.parts.figures import Figure
from analysis.report.parts.look import marks_among

#: Pictures that set protocols beside each other.
_OF_PROTOCOLS = ("curves", "differences", "responders")
_LEVEL, _DOTS_PER_INCH = 0.95, 110


@dataclass(frozen=True, eq=False)
class Looked:
    """What a view shows.

    Parameters
    ----------
    view : View
        What was looked at, with the week that was taken.
    figure : Figure
        The picture; protocols are drawn as they are among all of the cohort.
    words : tuple of str
        Who was seen, and what the picture shows.
    caution : str
        What it must not be read without.
    protocols : tuple of str
        All protocols of the cohort, the reference first.
    """

    view: View
    figure: Figure
    words: tuple[str, ...]
    caution: str = CAUTION
    protocols: tuple[str, ...] = ()

    def png(self) -> bytes:
        """Draw the picture for a screen, with fewer dots than a report has."""
        with marks_among(self.protocols):
            return _drawn(self.figure, "png", dpi=_DOTS_PER_INCH, pil_kwargs={"compress_level": 1})

    def svg(self) -> bytes:
        """Draw the picture as an SVG, letters as outlines; the same bytes every time."""
        import matplotlib as mpl

        with marks_among(self.protocols), mpl.rc_context({"svg.fonttype": "path", "svg.hashsalt": "kneecurve"}):
            return _drawn(self.figure, "svg", metadata={"Date": None})

    def _repr_mimebundle_(self, include: object = None, exclude: object = None) -> object:
        with marks_among(self.protocols):
            return self.figure._repr_mimebundle_(include, exclude)

    def __str__(self) -> str:
        return "\n".join(map(visible, [str(self.figure), *self.words, self.caution]))


def _drawn(figure: Figure, form: str, **more: Any) -> bytes:
    stream = io.BytesIO()
    figure.drawing().savefig(stream, format=form, **more)
    return stream.getvalue()


def look(cohort: Cohort, view: View, *, fits: dict[View, RecoveryCurves] | None = None) -> Looked:
    """Look at a cohort.

    Parameters
    ----------
    cohort : Cohort
    view : View
        What is looked at.
    fits : dict, optional
        Curves fitted before to this cohort, which are taken again; those fitted are added.

    Returns
    -------
    Looked
        The picture with its words.

    Raises
    ------
    ModelError, CohortError
        The cohort cannot show it; the error says why.

    Notes
    -----
    Intervals are at 95 %, each by itself, by the methods of the functions that :func:`analysis.exploring.code.code_of` names.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> cohort = generate_cohort(patients=60, seed=1).observed
    >>> look(cohort, View("pain", picture="last seen")).words[0][:34]
    'Not seen at week 52 nor after it: '
    """
    check_choice(view.picture, get_args(Picture), "picture", error=ModelError)
    some, every = patients_of(cohort, protocols=view.protocols, by=view.by, group=view.group), _protocols(cohort)
    with marks_among(every), warnings.catch_warnings():
        warnings.simplefilter("ignore", KneecurveWarning)  # of choices of the model, which the report tells
        looked = _PICTURES[view.picture](some, view, {} if fits is None else fits)
    group = (f"Only patients of the group {view.group!r} by {view.by}.",) if view.by else ()
    caution = CAUTION
    if cohort.provenance.scenario is None and view.picture in _OF_PROTOCOLS and len(some.protocols) > 1:
        caution = f"{CAUTION} {NOT_ALLOCATED}"
    return replace(looked, words=(*group, *looked.words), protocols=tuple(every), caution=caution)


def _protocols(cohort: Cohort) -> list[str]:
    """Give all protocols, the reference first."""
    protocol = cohort.patients["protocol"]
    names = [str(name) for name in used_protocols(protocol).cat.categories]
    first = reference_protocol(cohort, protocol)
    return [first, *(name for name in names if name != first)]


def _fit(cohort: Cohort, view: View, fits: dict[View, RecoveryCurves]) -> RecoveryCurves:
    of = View(view.measure, limb=view.limb, protocols=view.protocols, by=view.by, group=view.group)
    if of not in fits:
        fits[of] = fit_recovery(cohort, view.measure, limb=view.limb)
    curves, week = fits[of], view.week
    if week is None or week == curves.primary_week:
        return curves
    if curves.scheduled and week in curves.weeks:  # the model is the same
        return replace(curves, primary_week=week)
    return fit_recovery(cohort, view.measure, limb=view.limb, primary_week=week)


def _curves(cohort: Cohort, view: View, fits: dict[View, RecoveryCurves]) -> Looked:
    curves = _fit(cohort, view, fits)
    said = seen_in_words(seen_at(cohort, curves), curves), means_in_words(curves, _LEVEL)
    return Looked(replace(view, week=curves.primary_week), recovery_figure(curves, panels=False), said)


def _differences(cohort: Cohort, view: View, fits: dict[View, RecoveryCurves]) -> Looked:
    curves = _fit(cohort, view, fits)
    if len(curves.protocols) == 1:
        raise ModelError(
            f"There is one protocol only, {curves.protocols[0]}, so there is no difference.",
            where="protocols",
            what_to_do="Look at two protocols or more.",
        )
    said = seen_in_words(seen_at(cohort, curves), curves), differences_in_words(curves, _LEVEL)
    return Looked(replace(view, week=curves.primary_week), difference_figure(curves), said)


def _responders(cohort: Cohort, view: View, fits: dict[View, RecoveryCurves]) -> Looked:
    week = _fit(cohort, view, fits).primary_week if view.week is None else view.week
    found = responders(
        cohort, view.measure, week=week, threshold=view.threshold, criterion=view.criterion, limb=view.limb
    )
    return Looked(replace(view, week=week), responder_figure(found), tuple(responders_in_words(found)))


def _one_patient(cohort: Cohort, view: View, _: dict[View, RecoveryCurves]) -> Looked:
    if cohort.level == "safe-harbor":
        raise CohortError(
            "One patient is looked at in a cohort at the limited level, or an invented one; this one is at the safe-harbor level.",
            where="picture: one patient",
            what_to_do="Look at groups here, or where the limited cohort is kept with whoever may see it.",
        )
    if view.patient is None:
        raise ModelError(
            "No patient is named.", where="patient", what_to_do="Name one by the id in the table patients."
        )
    found = patient_on_cohort(cohort, view.patient, view.measure, limb=view.limb)
    thresholds = {view.measure: choose_threshold(cohort, view.measure)} if found.measure.has_threshold else {}
    said = patient_in_words(found)
    return Looked(view, patient_figure([found], thresholds, told=said, message=""), (said,))


def _last_seen(cohort: Cohort, view: View, _: dict[View, RecoveryCurves]) -> Looked:
    flow = patient_flow(cohort)
    return Looked(view, last_seen_figure(flow), (last_seen_in_words(flow),))


_PICTURES = {
    "curves": _curves,
    "differences": _differences,
    "responders": _responders,
    "one patient": _one_patient,
    "last seen": _last_seen,
}

"""What a protocol comparison estimates, in words: population, protocols, outcome, intercurrent events, summary."""

import pandas as pd

from analysis.counted import form
from analysis.curves.covariates import adjusted_in_words
from analysis.curves.recovery import RecoveryCurves
from analysis.outcomes.home_programme.intercurrent_events import IntercurrentEvents
from analysis.report.comparison.results import Lacking
from analysis.report.comparison.study import Study
from analysis.report.parts import numbers
from analysis.report.parts.numbers import in_text
from analysis.report.parts.passages import Item, Passage, Section, absent
from analysis.report.parts.tables import Column, Table

_SOURCE = "The five parts are those of ICH E9(R1), 2019."
#: More protocols than this are counted and not named.
MOST_NAMED = 6
#: More kinds of events than this are counted together in the last row (design choice).
MOST_KINDS = 10
_POLICY = (
    "Treatment policy: values after the event count as measured; those not measured are taken as missing at random."
)
_HYPOTHETICAL = (
    "Hypothetical: nobody was measured after the event, so the means hold for these patients as if they had gone on like "
    "comparable patients of their protocol."
)


def estimand(study: Study) -> Section:
    """State what is estimated, and how each event that could change its meaning is handled."""
    items: list[Item] = [_parts(study)]
    found = study.intercurrent
    if isinstance(found, Lacking):
        return Section((*items, absent(found.what)))
    if not found.recorded:
        items.append(absent("events, so the intercurrent events of these patients are not known."))
    elif found.table.empty:
        items.append(Passage((f"No event was recorded from the start to {numbers.moment(found.week)}.",)))
    else:
        items.append(_events_table(found))
    items.append(Passage(_multiplicity(study), "items"))
    return Section(tuple(items))


def _events_table(found: IntercurrentEvents) -> Table:
    """Show the intercurrent events with how each is handled."""
    shown = found.table.head(MOST_KINDS)
    measured = (shown["measured_after"] > 0) | (shown["measured_at"] > 0)
    handled = measured.map({True: "treatment policy", False: "hypothetical"})
    rest = found.table.iloc[MOST_KINDS:]
    notes = ["Patients with the event from the start to that week; a patient can have several."]
    notes += [words for words, there in ((_POLICY, measured.any()), (_HYPOTHETICAL, not measured.all())) if there]
    if len(rest):
        notes.append(f"{numbers.plural(len(rest), 'rarer kind')} of events handled in the same way: see Harms.")
    notes.append(
        "Home sessions left out, or done beyond the prescription, do not end the follow-up: patients count with the "
        "protocol they were given (treatment policy)."
    )
    return Table(
        shown.assign(handled=handled),
        f"Intercurrent events up to {numbers.moment(found.week)}, and how each is handled.",
        (
            Column("event", "Event"),
            Column(("patients", "allocated"), "Patients with it", "fraction"),
            Column(("measured_after", "patients"), "Measured after it", "fraction"),
            Column(("measured_at", "patients"), f"Measured at {numbers.moment(found.week)}", "fraction"),
            Column("handled", "Handled"),
        ),
        tuple(notes),
        name="intercurrent-events",
    )


def _parts(study: Study) -> Table:
    rows = [
        ("Population", _population(study)),
        ("Protocols", _protocols(study)),
        ("Outcome", _outcome(study)),
        (
            "Intercurrent events",
            "Those recorded are handled as the next table says, where there is one; sessions left out count as part of the protocol.",
        ),
        ("Summary", _summary(study)),
    ]
    rows += [("Responders", f"Share of patients. {found.endpoint.words}") for found in study.responders]
    return Table(
        pd.DataFrame(rows, columns=["part", "words"]),
        "What is estimated.",
        (Column("part", "Part"), Column("words", "In this report")),
        (_SOURCE,),
        name="estimand",
    )


def _population(study: Study) -> str:
    patients = numbers.plural(len(study.cohort.patients), "patient")
    said = f"The {patients} of the cohort, each in the protocol given at the start. "
    if study.curves is not None:
        rest = len(study.cohort.patients) - study.curves.model.n_patients
        if rest:
            when = "at the start" if study.curves.baseline_adjusted else "after the start"
            when = "" if study.curves.baseline_outcome else f" {when}"
            needed = [f"a value of {in_text(study.measure_in_words)}{when}"]
            needed += ["one later"] if study.curves.baseline_adjusted else []
            needed += dict.fromkeys(
                f"a value of {name}" if study.named_covariates else f"a {name}" for name in _covariates(study.curves)
            )
            said += (
                f"Not in the model {form(rest, 'is')} {numbers.plural(rest, 'patient')} without "
                f"{numbers.listed(needed, 'or')}. "
            )
    return f"{said}How they were chosen is not in the data."


def _covariates(curves: RecoveryCurves) -> list[str]:
    return list(dict.fromkeys(adjusted_in_words([name]) for name in curves.covariates))


def _protocols(study: Study) -> str:
    names = study.protocols
    if len(names) == 1:
        return f"{names[0]}; there is none to compare it with."
    how = (
        "allocated at random"
        if study.allocation == "randomised"
        else "not allocated at random, or the data do not say that they were"
    )
    others = numbers.listed(names[1:]) if len(names) <= MOST_NAMED else f"{len(names) - 1} others"
    return f"{others} against {names[0]}, {how}; as given, whatever was done at home."


def _outcome(study: Study) -> str:
    said = f"{study.measure_in_words} ({study.measure.unit}; {study.measure.direction_in_words})"
    if study.curves is None:
        return f"{said}."
    return f"{said} at {numbers.moment(study.curves.primary_week)}."


def _summary(study: Study) -> str:
    curves = study.curves
    if curves is None:
        return "None: no model could be fitted."
    when = numbers.moment(curves.primary_week)
    if len(curves.protocols) == 1:
        return f"The mean at {when}."
    adjusted = [*(["the baseline value"] if curves.baseline_adjusted else []), *_covariates(curves)]
    words = f", adjusted for {numbers.listed(adjusted)}" if adjusted else ", not adjusted"
    if study.allocation == "randomised":
        return f"Difference between mean values at {when}{words}."
    return (
        f"Difference between mean values at {when}{words}: an association between protocol and outcome, not what "
        "the protocol brings about."
    )


def _multiplicity(study: Study) -> tuple[str, ...]:
    several = len(study.protocols) - 1
    said = []
    if several:
        where = f"{several} comparisons at the primary week, adjusted for in a table of Differences by week"
        said.append(f"There {'is one comparison at the primary week' if several == 1 else f'are {where}'}.")
    if several and study.parameters["secondary"]:
        said.append(
            "The secondary outcomes are tested in their order with the same error; their intervals are not adjusted."
        )
    if study.responders and several:
        missing = "" if several == 1 else " and those of means under other assumptions about missing visits"
        said.append(
            "Shares of responders, the other weeks, harms, adherence and the appendix are looked at beside the primary "
            "comparison; none of their intervals is adjusted for their number, but those of other weeks that In short names"
            f"{missing}. "
            "Among many intervals at "
            f"{numbers.level_in_words(study.level)}, some leave out zero by chance alone."
        )
    return tuple(said) or ("Nothing is compared.",)

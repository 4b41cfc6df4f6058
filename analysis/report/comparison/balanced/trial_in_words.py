"""The trial that a balanced comparison stands for, in words: who, when, what, made alike how, compared how."""

import pandas as pd

from analysis.cohort.tables import WEEK_0_IS
from analysis.outcomes.unrandomised.comparison_notes import target_in_words
from analysis.outcomes.unrandomised.observational_comparison import ObservationalComparison
from analysis.report.comparison.balanced.covariates import not_balanced
from analysis.report.comparison.findings.balanced_words import balanced_for_words
from analysis.report.comparison.study import Study
from analysis.report.parts import numbers
from analysis.report.parts.tables import Column, Table

_SOURCE = "A trial that was not held, written down as if it had been: Hernán & Robins, Am J Epidemiol 2016;183:758."


def trial_table(study: Study, found: ObservationalComparison) -> Table:
    """Write down the trial that the comparison stands for, part by part."""
    rows = [
        ("Who", _who(study, found)),
        ("Start", _start(study)),
        ("Protocols", _protocols(found)),
        ("Made alike", _alike(study, found)),
        ("Not made alike", _not_alike(study, found)),
        ("Outcome", _outcome(study, found)),
        ("Compared", _compared(found)),
    ]
    return Table(
        pd.DataFrame(rows, columns=["part", "words"]),
        "The trial that this comparison stands for.",
        (Column("part", "Part"), Column("words", "In this report")),
        (_SOURCE,),
        name="trial",
    )


def _who(study: Study, found: ObservationalComparison) -> str:
    n, every = len(found.weighting.weights), len(study.cohort.patients)
    some = "All" if n == every else f"{n:,} of"
    patients = f"{some} {numbers.plural(every, 'patient')} of the cohort"
    return f"{patients}; the answer is about {target_in_words(found.target)}."


def _start(study: Study) -> str:
    week_0 = study.cohort.counted_from
    when = f" ({WEEK_0_IS[week_0]})" if week_0 is not None else ""
    return f"Week 0{when}. Only what was known until then makes patients alike."


def _protocols(found: ObservationalComparison) -> str:
    others = [name for name in found.weighting.protocols if name != found.reference]
    return f"{numbers.listed(others)} against {found.reference}, as given, whatever was done at home. Nobody drew lots."


def _alike(study: Study, found: ObservationalComparison) -> str:
    stands = "; ".join(
        f"{name} {numbers.count(n)} stand for {numbers.number(ess, 1)}"
        for name, n, ess in zip(found.overlap["protocol"], found.overlap["n"], found.overlap["ess"], strict=True)
    )
    return f"By weights, and by the model of the outcome, in {balanced_for_words(study.found)}. Patients of {stands}."


def _not_alike(study: Study, found: ObservationalComparison) -> str:
    known = not_balanced(study.cohort, list(found.balance["covariate"].astype("str").unique()))
    listed = f"Known and left out: {numbers.listed([name.replace('_', ' ') for name in known])}. " if known else ""
    return f"{listed}Why a patient was given a protocol is not in the data, nor whatever else was not measured."


def _outcome(study: Study, found: ObservationalComparison) -> str:
    weeks = numbers.listed([numbers.week_or_day(week) for week in found.weeks])
    missed, expected = int(found.filled["filled"].sum()), int(found.filled["n"].sum())
    return (
        f"{study.measure_in_words} ({study.measure.unit}) at {numbers.moment(study.primary_week or 0.0)}; other weeks are secondary "
        f"(compared: weeks {weeks}). Of {numbers.plural(expected, 'visit')} {missed} were missed; each has the mean that the mixed model "
        "expects of the patient."
    )


def _compared(found: ObservationalComparison) -> str:
    return (
        f"By differences of means: {found.differences['method'].iloc[0]}. An association: it would be what the protocols bring about only if "
        "nothing unlisted went with both protocol and outcome."
    )

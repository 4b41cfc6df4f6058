"""The methods of a quarter say what was done for this report and nothing else, sentence by sentence, where the truth is planted."""

import numpy as np
import pandas as pd
import pytest

from analysis.quarter.periods import every_period
from analysis.report import quarter

from . import test_quarter_truths as of_quarter


def methods_of(study):
    (passage,) = quarter.methods(study)
    return "\n".join(passage.paragraphs)


def aggregates(folder, *, quarters=14, sites=("a", "b", "c"), n=200, share=0.6, expected=False, kind="share"):
    rows = [
        ("Walking", kind, period, site, round(n * share) + (-1) ** q * 3 + 2 * s, n, *([n * share] if expected else []))
        for q, period in enumerate(every_period(["2022-Q1", "2029-Q4"])[:quarters])
        for s, site in enumerate(sites)
    ]
    columns = ["indicator", "kind", "period", "site", "numerator", "denominator", *(["expected"] if expected else [])]
    pd.DataFrame(rows, columns=columns).to_csv(folder / "aggregates.csv", index=False)
    return quarter.prepare_quarter(folder)


def cohort(folder, **options):
    return of_quarter.prepared(of_quarter.plant(**options), folder)


def with_age(folder):
    made = of_quarter.plant(quarters=13)
    made.patients["age_years"] = np.random.default_rng(1).integers(20, 60, len(made.patients)).astype(float)
    return of_quarter.prepared(made, folder)


#: How the study is made, what its methods must say, and what they must not.
CASES = {
    "a cohort of one site": (
        lambda folder: cohort(folder, sites=("only",), each=160),
        ["No funnel of sites was drawn.", "No case-mix model was fitted.", "p chart of patients improved", "u chart of harms",
         "Control charts follow one rule set"],
        ["Limits are exact", "over-dispersion", "was fitted on", "adjusts for", "Run charts follow"],
    ),
    "a cohort without anything to adjust for": (
        lambda folder: cohort(folder, quarters=13),
        ["Limits are exact; over-dispersion was tested", "they were not widened",
         "No case-mix model was fitted, as nothing of the case mix is on record; shares are shrunk and not adjusted."],
        ["was fitted on", "adjusts for"],
    ),
    "a cohort with ages": (
        with_age, ["The case-mix model was fitted on all patients up to the quarter. It adjusts for age years."],
        ["body mass", "No case-mix model", "expected counts"],
    ),
    "sites that differ": (
        lambda folder: cohort(folder, improved=lambda q, site: 0.35 if site == "west" else 0.6),
        ["they were widened, as sites differ by more than chance"], ["they were not widened"],
    ),
    "all hidden": (
        lambda folder: cohort(folder, sites=("a", "b"), each=2, quarters=5),
        ["No chart was drawn", "No funnel of sites was drawn.", "No case-mix model was fitted.", "Small counts: every sum"],
        ["Centre lines", "Medians", "Control charts follow", "Run charts follow", "Sites are compared", "over-dispersion", "was fitted on"],
    ),
    "a short series": (
        lambda folder: cohort(folder, quarters=6), ["Medians come from a baseline", "run chart of patients improved", "Run charts follow"],
        ["Control charts follow", "p' and u' charts", "p chart"],
    ),
    "aggregates with expected counts": (
        lambda folder: aggregates(folder, expected=True),
        ["Sites are held against expected counts that came with their counts; no case-mix model was fitted here.", "Limits are exact"],
        ["adjusts for", "was fitted on"],
    ),
    "aggregates without expected counts": (
        aggregates, ["No case-mix model was fitted.", "Limits are exact", "p chart of Walking"],
        ["adjusts for", "was fitted on", "u chart", "XmR"],
    ),
    "aggregates of means": (
        lambda folder: aggregates(folder, kind="mean"), ["XmR chart of Walking", "No funnel of sites was drawn."],
        ["p' and u' charts", "Limits are exact", "adjusts for", "Run charts follow"],
    ),
    "aggregates that vary more than chance": (
        lambda folder: aggregates_that_vary(folder), ["p' chart of Walking", "(p' and u' charts, Laney, Qual Eng 2002;14:531): Walking."],
        ["in none of"],
    ),
}  # fmt: skip


def aggregates_that_vary(folder):
    """Quarters of 9,600 that lie 4 points from 60 % in turn: 8 standard deviations of chance."""
    rows = [
        ("Walking", period, site, round(4800 * (0.6 + 0.04 * (-1) ** q)), 4800)
        for q, period in enumerate(every_period(["2022-Q1", "2029-Q4"])[:14])
        for site in ("a", "b")
    ]
    columns = ["indicator", "period", "site", "numerator", "denominator"]
    pd.DataFrame(rows, columns=columns).to_csv(folder / "aggregates.csv", index=False)
    return quarter.prepare_quarter(folder)


@pytest.mark.parametrize("case", list(CASES))
def test_the_methods_say_only_what_was_done(case, tmp_path):
    make, must, must_not = CASES[case]
    study = make(tmp_path)
    said = methods_of(study)
    assert [words for words in must if words not in said] == []
    assert [words for words in must_not if words in said] == []
    # Against what the study holds, whatever was planted.
    charts = [one.chart for one in study.charts.values() if one.chart is not None and not one.indicator.is_completeness]
    assert ("Charts drawn" in said) == bool(charts)
    assert ("Sites are compared over" in said) == (study.funnel is not None)
    assert ("was fitted on all patients" in said) == (study.case_mix is not None and bool(study.case_mix.covariates))
    assert ("they were widened" in said) == (study.funnel is not None and study.funnel.over_dispersed)

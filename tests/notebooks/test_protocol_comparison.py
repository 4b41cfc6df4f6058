"""The protocol comparison on invented cohorts: whole, and with parts of the data missing."""

import re
from dataclasses import replace

import pandas as pd
import pytest

from analysis.cohort import Cohort, Provenance
from synthetic_cohort import generate_cohort

SECTIONS = [
    "In short", "Recovery curves", "Differences by week", "Patients who reached the threshold",
    "Other outcomes and groups of patients", "Patients", "Harms",
    "Home programme", "Missing data", "Cautions", "Appendix",
]  # fmt: skip
IN_THE_APPENDIX = [
    "What is estimated", "The findings as a table", "The measurements, week by week", "Methods in words", "Does it hang on who was missing?",
    "Responders, counted in other ways", "Responders, the error of measurement counted in", "Limb symmetry",
    "The gap to the other limb", "Home sessions in detail", "Home sessions and recovery", "Does the model fit?",
    "Reporting checklist", "Provenance",
]  # fmt: skip


def visible(page):
    return re.sub(r"<style.*?</style>|<[^>]+>", " ", page, flags=re.DOTALL)


def test_the_whole_report_keeps_the_rules_and_has_every_section(quick_report_of, page_rules):
    cohort = generate_cohort(patients=90, seed=3).observed
    made = quick_report_of(cohort, imputations=4)
    assert page_rules.problems(made.page) == []
    assert re.findall(r"<h2 id=\"[^\"]*\">(.*?)</h2>", made.page) == SECTIONS
    folded = r"<details class=\"section\"><summary><h3 id=\"[^\"]*\">(.*?)</h3></summary>"
    assert re.findall(folded, made.page) == IN_THE_APPENDIX
    first_page = re.sub(r"<details class=\"section\">.*", "", made.page, flags=re.DOTALL)
    assert len(visible(re.sub(r"<details>.*?</details>", "", first_page, flags=re.DOTALL)).split()) <= 3500
    answer = " ".join(made.sentences("answer"))
    assert "home stimulation" in answer
    assert "Mean quadriceps torque at week 26" in answer
    for cell in (
        "flow",
        "measurements",
        "recovery",
        "differences",
        "responders",
        "harms",
        "missing",
        "model-checks",
    ):
        assert made.figures(cell)
    assert [row[0] for row in made.tables("differences")[0]["rows"]] == cohort.protocols[1:]
    assert not any("p value" in column["label"].lower() for column in made.tables("baseline")[0]["columns"])
    assert any("Kenward and Roger" in text for text in made.sentences("methods"))
    assert any("No number in this report is a finding" in text for text in made.sentences("provenance"))
    assert any(
        "kneecurve report protocol_comparison cohort --out report" in text for text in made.sentences("provenance")
    )
    assert not any(one.get("kind") == "absent" for cell in made.cells.values() for one in cell)


@pytest.mark.slow
def test_markup_and_formulas_in_names_are_shown_as_text(quick_report_of, page_rules):
    cohort = generate_cohort(patients=60, seed=2).observed
    names = {"exercise only": "<script>alert(1)</script>", "home stimulation": "=cmd('x')!A1"}
    patients = cohort.patients.assign(protocol=cohort.patients["protocol"].cat.rename_categories(names))
    events = cohort.events.assign(event=cohort.events["event"].astype("str") + " <img src=x onerror=alert(1)>")
    made = quick_report_of(replace(cohort, patients=patients, events=events, reference=names["exercise only"]))
    assert page_rules.problems(made.page) == []
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in made.page
    assert "=cmd(" in made.page
    assert "<script" not in made.page


@pytest.fixture
def bare():
    """Give a function that makes a cohort of a score of its own, with patients and visits only."""

    def make(weeks, n=24, protocols=("usual", "early")):
        observed = generate_cohort(patients=60, seed=4).observed
        chosen = observed.patients.head(n)
        people = pd.DataFrame(
            {"patient_id": chosen["patient_id"], "protocol": [protocols[i % len(protocols)] for i in range(n)]}
        )
        visits = observed.visits[
            observed.visits["patient_id"].isin(people["patient_id"])
            & (observed.visits["measure"] == "pain")
            & observed.visits["week"].isin(weeks)
        ]
        visits = visits.astype({"measure": "str"})
        return Cohort(people, visits, provenance=Provenance(steps=("Cut down for a test.",)))

    return make


def test_without_baseline_sessions_and_events_each_section_says_so(quick_report_of, page_rules, bare):
    made = quick_report_of(bare([6, 12, 26]), imputations=5)
    assert page_rules.problems(made.page) == []
    for cell in ("responders", "programme", "harms"):
        assert made.absent(cell), cell
    assert "adjusted for the baseline" not in " ".join(made.sentences("answer"))
    assert made.figures("recovery")


def test_one_protocol_shows_curves_and_no_differences(quick_report_of, page_rules, bare):
    made = quick_report_of(bare([0, 6, 12, 26], protocols=("usual",)), imputations=5)
    assert page_rules.problems(made.page) == []
    assert "All patients followed one protocol, usual" in " ".join(made.sentences("answer"))
    assert made.figures("recovery")
    assert "a second protocol" in made.absent("differences")[0]["paragraphs"][0]


def test_three_patients_give_a_report_that_says_what_cannot_be_said(quick_report_of, page_rules, bare):
    made = quick_report_of(bare([0, 6, 12], n=3), imputations=5)
    assert page_rules.problems(made.page) == []
    assert any("Few patients" in text for text in made.sentences("cautions"))


def test_one_visit_only_has_no_curve(quick_report_of, page_rules, bare):
    made = quick_report_of(bare([0]))
    assert page_rules.problems(made.page) == []
    assert made.absent("recovery")
    assert "No recovery curves could be fitted" in " ".join(made.sentences("answer"))


@pytest.mark.slow
def test_parameters_reach_the_report(quick_report_of):
    cohort = generate_cohort(patients=90, seed=3).observed
    made = quick_report_of(
        cohort, measure="pain", primary_week=12, reference="home stimulation", threshold=1.5, criterion="improvement", missing="non-response",
        design="observational", level=0.9,
    )  # fmt: skip
    answer = " ".join(made.sentences("answer"))
    assert "Mean pain at week 12" in answer
    assert "home stimulation" in answer
    assert any("an association between protocol and outcome" in row[1] for row in made.tables("estimand")[0]["rows"])
    assert not re.search(
        r"\b(effects?|favou?rs?|number needed|due to|because of|leads? to|caused)\b", visible(made.page), re.IGNORECASE
    )
    assert "90 % interval" in answer
    assert "1.5 points" in answer
    assert "not allocated at random" in answer


@pytest.mark.slow
def test_many_protocols_keep_the_answer_short(quick_report_of, page_rules, bare):
    names = tuple(f"protocol {number}" for number in range(9))
    made = quick_report_of(bare([0, 6, 12, 26], n=60, protocols=names))
    assert page_rules.problems(made.page) == []
    answer = " ".join(made.sentences("answer"))
    assert len(answer) < 1700  # every kind of doubt is there
    assert "8 comparisons" in answer
    assert " to " in answer
    assert len(made.tables("flow")[0]["rows"]) == 9

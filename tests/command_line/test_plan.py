"""A comparison is planned, reported by its plan and repeated, from the command line; what cannot be is refused before it runs."""

import json
import re

import pytest

from analysis.cohort import write_cohort
from synthetic_cohort import generate_cohort


@pytest.fixture
def place(tmp_path, monkeypatch):
    """Work in a folder with a small cohort."""
    monkeypatch.chdir(tmp_path)
    write_cohort(generate_cohort("patellofemoral pain", patients=48, seed=3).observed, "cohort")
    return tmp_path


@pytest.mark.slow
def test_a_report_by_a_plan_lists_what_was_named_otherwise_and_is_repeated(kneecurve, place):
    words = ("--set", "imputations=2", "--format", "docx")
    assert kneecurve("plan-analysis", "cohort", "--out", "plan.toml", *words).code == 0
    assert (place / "plan.docx").read_bytes()[:2] == b"PK"
    made = kneecurve(
        "report", "protocol_comparison", "cohort", "--out", "R", "--plan", "plan.toml", "--set", "level=0.9"
    )
    assert made.code == 0, made.err
    page = (place / "R" / "protocol_comparison.html").read_text(encoding="utf-8")
    record = json.loads((place / "R" / "protocol_comparison.json").read_text(encoding="utf-8"))
    assert record["plan"]["sha256"] in page
    assert "planned 0.95; in this report 0.9. It was named so for this report." in page
    assert "of the analysis plan" in page
    assert record["command"].endswith("--out report --plan plan.toml --set level=0.9")
    (place / "plan.toml").unlink()
    assert kneecurve("repeat", "R/protocol_comparison.json").code == 0


def test_what_cannot_be_planned_or_followed_is_refused_and_nothing_is_written(kneecurve, place):
    (place / "no.toml").write_text("nothing = at all")
    kneecurve("plan-analysis", "cohort", "--out", "good.toml")
    text = (place / "good.toml").read_text(encoding="utf-8")
    (place / "late.toml").write_text(re.sub(r"(?m)^primary_week = \S+", "primary_week = 104", text), encoding="utf-8")
    before = sorted(place.rglob("*"))
    report = ("report", "protocol_comparison", "cohort", "--out", "R", "--plan")
    for words, said in (
        ((*report, "no.toml"), "no valid TOML"),
        ((*report, "there.toml"), "There is no such plan"),
        (("report", "cohort_check", *report[2:], "good.toml"), "follows no analysis plan"),
        ((*report, "late.toml"), "The cohort lacks what the plan compares"),
        (("plan-analysis", "no.toml", "--out", "plan.toml"), "The design is no valid TOML"),
        (("plan-analysis", "cohort", "--out", "plan.toml", "--set", "weak=3"), "there is no parameter 'weak'"),
        (("plan-analysis", "cohort", "--out", "no.toml"), "There is a file of that name already"),
        (("plan-analysis", "cohort", "--out", "plan.toml", "--format", "odt"), "form of the document 'odt'"),
        (("plan-analysis", "cohort", "--out", "plan.txt"), "A plan is a TOML file"),
    ):
        answer = kneecurve(*words)
        assert answer.code == 1
        assert said in answer.err.replace("\n", " ")
        assert "what to do:" in answer.err
    assert sorted(place.rglob("*")) == before

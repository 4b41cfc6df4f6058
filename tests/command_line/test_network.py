"""kneecurve aggregate and combine: from two sites' cohorts to a folder that a quarter's report takes."""

import json

import pandas as pd
import pytest

from analysis.cohort import Cohort, write_cohort
from analysis.report.quarter.study import prepare_quarter

SETTING = ("--set", "measure=pain", "--set", "week=12", "--set", "threshold=2")


def cohort_of(site, n, *, better):
    """Give patients of four quarters, every second of whom improves, or more."""
    ids = [f"{site}{i:03d}" for i in range(n)]
    quarters = [f"2025-Q{1 + i % 4}" for i in range(n)]
    patients = pd.DataFrame(
        {
            "patient_id": ids,
            "protocol": "usual",
            "site": site,
            "quarter": quarters,
            "age_years": [40.0 + i % 31 for i in range(n)],
        }
    )
    visits = pd.DataFrame(
        [
            (one, week, "pain", "none", value)
            for i, one in enumerate(ids)
            for week, value in ((0, 7), (12, 3 if i % better else 7))
        ],
        columns=["patient_id", "week", "measure", "limb", "value"],
    )
    return Cohort(patients, visits, privacy="limited", as_of="2026-06-30")


@pytest.fixture
def sites(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    write_cohort(cohort_of("clinic 1", 120, better=2), tmp_path / "one")
    write_cohort(cohort_of("clinic 2", 80, better=3), tmp_path / "two")
    return tmp_path


def test_from_two_cohorts_to_the_report_of_a_network(kneecurve, sites):
    first = kneecurve("aggregate", "one", "--out", "one.json", *SETTING, "--write-case-mix", "model.json")
    assert first.code == 0, first.err
    assert "for the combining office only, under an agreement" in first.out
    assert "Fitted by clinic 1 on 120 patients." in first.out
    second = kneecurve("aggregate", "two", "--out", "two.json", *SETTING, "--case-mix", "model.json")
    assert second.code == 0, second.err
    both = kneecurve("combine", "one.json", "two.json", "--out", "network")
    assert both.code == 0, both.err
    assert "2 sites, 2025-Q1 to 2025-Q4" in both.out
    study = prepare_quarter(sites / "network", small_counts="shown")
    improved = study.released.of(study.compared, ["2025-Q1", "window"])
    # i = 0, 4, 8, ... of 120 and of 80: none of the 30 (even) and 13 of 20 (no multiple of 3); 60 of 120 and 53 of 80 in the year
    assert improved[["numerator", "denominator"]].to_numpy().tolist() == [[13, 50], [113, 200]]
    assert study.case_mix.table["observed"].tolist() == [60, 53]
    table = pd.read_csv(sites / "network" / "combined_counts_not_for_release.csv")
    assert table.loc[0, ["numerator", "denominator"]].tolist() == [13, 50]


def test_hidden_counts_are_said_as_limits(kneecurve, sites):
    kneecurve("aggregate", "one", "--out", "one.json", *SETTING)
    hidden = kneecurve("aggregate", "two", "--out", "two.json", *SETTING, "--small-counts", "hidden")
    assert '"<11"' in hidden.out
    both = kneecurve("combine", "one.json", "two.json", "--out", "network")
    assert both.code == 0, both.err
    assert "known within limits only: missing in charts, never guessed" in both.out
    assert "from" in (sites / "network" / "combined_counts_not_for_release.csv").read_text()


def test_what_is_wrong_is_said_before_anything_is_written(kneecurve, sites):
    for words, said in (
        (("--set", "quarter=2025-Q1"), "There is no parameter 'quarter'"),
        (("--small-counts", "rounded"), "--small-counts is shown or hidden, not 'rounded'"),
        (("--case-mix", "a.json", "--write-case-mix", "b.json"), "one of them"),
        (("--case-mix", "absent.json"), "The case-mix model cannot be read"),
    ):
        answer = kneecurve("aggregate", "one", "--out", "one.json", *SETTING, *words)
        assert answer.code == 1
        assert said in answer.err
    (sites / "model.json").write_text("mine")
    answer = kneecurve("aggregate", "one", "--out", "one.json", *SETTING, "--write-case-mix", "model.json")
    assert answer.code == 1
    assert not (sites / "one.json").exists()
    assert (sites / "model.json").read_text() == "mine"


def test_a_file_that_comes_twice_is_named(kneecurve, sites):
    kneecurve("aggregate", "one", "--out", "one.json", *SETTING)
    again = kneecurve("aggregate", "one", "--out", "one.json", *SETTING)
    assert "a file of that name already" in again.err
    assert kneecurve("aggregate", "one", "--out", "one.json", "--overwrite", *SETTING).code == 0
    (sites / "copy.json").write_text((sites / "one.json").read_text())
    answer = kneecurve("combine", "one.json", "copy.json", "--out", "network")
    assert answer.code == 1
    assert "The site 'clinic 1' is in two files" in answer.err
    assert "one.json, copy.json" in answer.err
    assert not (sites / "network").exists()


def test_sites_that_counted_something_else(kneecurve, sites):
    kneecurve("aggregate", "one", "--out", "one.json", *SETTING)
    kneecurve("aggregate", "two", "--out", "two.json", *SETTING[:4], "--set", "threshold=3")
    answer = kneecurve("combine", "one.json", "two.json", "--out", "network")
    assert "different definitions of 'improved'" in answer.err
    assert "Improved by 3 points" in answer.err
    assert "two.json" in answer.err


def test_a_model_of_another_outcome_is_refused(kneecurve, sites):
    kneecurve("aggregate", "one", "--out", "one.json", *SETTING, "--write-case-mix", "model.json")
    answer = kneecurve(
        "aggregate", "two", "--out", "two.json", *SETTING[:4], "--set", "threshold=3", "--case-mix", "model.json"
    )
    assert "The case-mix model is of another outcome" in answer.err
    model = json.loads((sites / "model.json").read_text())
    assert [term["column"] for term in model["terms"]] == ["age_years"]
    (sites / "model.json").write_text(
        json.dumps(model | {"terms": [{"column": "bmi", "kind": "number", "mean": 1, "spread": 1, "coefficient": 0.1}]})
    )
    answer = kneecurve("aggregate", "two", "--out", "two.json", *SETTING, "--case-mix", "model.json")
    assert "needs the column 'bmi' of the patients" in answer.err

"""The table of findings: complete, in order, masked, safe to open."""

import numpy as np
import pandas as pd
import pytest

from analysis.cohort.findings import FINDING_COLUMNS, FindingList, looks_like_formula, values_as_text


def a_list():
    found = FindingList()
    found.counts = {"visits": 30}
    found.add("warning", "patients", "look", "Check.", column="site")
    found.add(
        "error",
        "visits",
        "out of range",
        "Correct.",
        column="value",
        rows=[23, 1],
        patients=["P2", "P1"],
        values=[99.0, 1],
    )
    found.add("error", "patients", "a name", "Remove.", rows=[0], patients=["Jane Doe"], identifier=True)
    return found


def test_errors_first_then_by_table_and_row():
    report = a_list().report()
    assert report.findings.columns.tolist() == list(FINDING_COLUMNS)
    assert report.findings[["severity", "table"]].to_numpy().tolist() == [
        ["error", "patients"], ["error", "visits"], ["error", "visits"], ["warning", "patients"]
    ]  # fmt: skip
    assert report.findings["row"].tolist()[:3] == [2, 3, 25]
    assert (report.n_errors, report.n_warnings, report.n_identifiers, report.passed) == (3, 1, 1, False)
    assert report.summary == "3 errors, 1 warning in 30 rows of visits"


def test_a_patient_whose_identifier_says_too_much_is_masked_everywhere():
    report = a_list().report(frozenset({"Jane Doe"}))
    assert "Jane Doe" not in report.to_text()
    assert report.findings["patient_id"].iloc[0] == "Aaaa Aaa"


def test_many_of_one_kind_are_counted_not_listed():
    found = FindingList()
    found.add("error", "visits", [f"the same as row {i}" for i in range(50)], "Keep one.", rows=range(1, 51))
    text = found.report().to_text()
    assert text.count("the same as row") == 20
    assert "and 30 more of this kind" in text
    assert found.report().to_text(None).count("the same as row") == 50


def test_control_characters_and_markup_are_shown_not_run():
    found = FindingList()
    found.add("error", "visits", "odd", "Mend.", column="value", rows=[1], values=["\x1b[31m<b>\u202e"])
    report = found.report()
    assert "?[99a<a>?" in report.to_text()
    assert "\x1b" not in report.to_text()
    assert "&lt;a&gt;" in report._repr_html_()


def test_written_findings_do_not_run_as_formulas(tmp_path):
    found = FindingList()
    found.add("error", "visits", "odd", "Mend.", rows=[1, 2], values=["=HYPERLINK(1)", "-5"])
    table = pd.read_csv(found.report().write(tmp_path / "findings.csv"), dtype=str)
    assert table["value"].tolist() == ["'=AAAAAAAAA(9)", "-5"]


def test_formulas():
    texts = pd.Series(["=1+1", " @x", "+44 20", "-12.5", "+1e3", "a=b", None])
    assert looks_like_formula(texts).tolist() == [True, True, True, False, False, False, False]


@pytest.mark.parametrize("sign", ["＝", "＋", "－", "＠"])
def test_full_width_signs_begin_formulas(sign, tmp_path):
    texts = pd.Series([f"{sign}1+1", f" {sign}A1", f"a{sign}b"])
    assert looks_like_formula(texts).tolist() == [True, True, False]
    found = FindingList()
    found.add("error", f"{sign}cmd.csv", "odd", "Mend.", rows=[1], values=texts[:1])
    table = pd.read_csv(found.report().write(tmp_path / "findings.csv"), dtype=str)
    assert table.loc[0, ["table", "value"]].tolist() == [f"'{sign}cmd.csv", "?9+9"]


def test_rows_of_a_source_take_the_place_of_rows_of_a_table():
    inner, outer = FindingList(), FindingList()
    inner.add("error", "visits", "odd", "Mend.", rows=[1])
    outer.extend(inner, {"visits": np.array([10, 20, 30])})
    assert outer.report().findings["row"].tolist() == [22]


def test_values_as_text_and_an_empty_report():
    assert values_as_text([1.0, 0.1, np.nan]).tolist() == ["1", "0.1", ""]
    assert len(values_as_text(["x" * 500])[0]) == 60
    assert FindingList().report().to_text() == "0 errors, 0 warnings in nothing"

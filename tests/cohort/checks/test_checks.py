"""Every problem of a cohort is found, with its row, patient and what to do."""

import numpy as np
import pandas as pd
import pytest

from analysis.cohort import Cohort, FailedCheckError, check_cohort
from analysis.cohort.catalogue import load_catalogue
from analysis.cohort.checks.checks import check_tables, raise_on_errors
from analysis.cohort.checks.table_checks import check_cells
from analysis.cohort.findings import FindingList, looks_like_formula
from analysis.errors import DeidentificationError


def found(patients, visits, **tables):
    report = check_cohort(Cohort(patients, visits, **tables))
    return report.findings


def only(findings, problem):
    hit = findings[findings["problem"].str.contains(problem, regex=False)]
    assert len(hit), findings.to_string()
    return hit


def test_a_good_cohort_has_no_error(cohort):
    report = check_cohort(cohort)
    assert report.passed
    assert report.counts["visits"] == 45


@pytest.mark.parametrize(
    ("table", "column", "row", "value", "severity", "problem"),
    [
        ("visits", "value", 1, 20.0, "error", "quadriceps_torque looks like N·m where N·m/kg is declared"),
        ("visits", "value", 0, 45.0, "error", "pain looks like mm of a 100 mm scale"),
        ("visits", "value", 3, 175.0, "error", "knee_flexion outside the plausible range, 0 to 170 deg"),
        ("visits", "value", 3, np.inf, "error", "the number is infinite"),
        ("visits", "week", 3, -60.0, "error", "outside -52 to 5200 weeks"),
        ("visits", "week", 3, 45000.0, "error", "a date written as a number, (C) dates"),
        ("visits", "limb", 3, "left", "error", "the label is not a known one"),
        ("visits", "limb", 0, "involved", "error", "pain is not taken on this limb"),
        ("visits", "measure", 0, "shoe size", "error", "the measure is not known"),
        ("visits", "measure", 0, "limb_symmetry_index", "error", "is computed from quadriceps_torque"),
        ("visits", "patient_id", 0, "P9", "error", "the patient is not in the table patients"),
        ("visits", "patient_id", 0, None, "error", "the cell is empty"),
        ("patients", "protocol", 1, None, "error", "the cell is empty"),
        ("patients", "protocol", 1, " ", "error", "the cell is empty"),
        ("patients", "patient_id", 1, "P1", "error", "the same patient_id as row 2"),
        ("patients", "age_years", 0, 95.0, "error", "an age over 89 must be pooled, (C)"),
        ("patients", "age_years", 0, 205.0, "error", "outside 0 to 90 years"),
        ("patients", "body_mass_kg", 0, 5.0, "error", "outside 20 to 350 kg"),
        ("patients", "site", 0, "=SUM(A1)", "warning", "would run as a formula"),
        ("patients", "site", 0, "no\x07rth", "warning", "control characters"),
    ],
)
def test_one_bad_cell(patients, visits, table, column, row, value, severity, problem):
    frames = {"patients": patients, "visits": visits}
    frame = frames[table].astype({column: "object"})
    patient = frame.loc[row, "patient_id"]
    frame.loc[row, column] = value
    hit = only(found(**(frames | {table: frame})), problem).iloc[0]
    assert (hit["severity"], hit["table"], hit["column"]) == (severity, table, column)
    assert hit["what_to_do"]
    if not pd.isna(hit["row"]):
        assert hit["row"] == row + 2
        assert hit["patient_id"] in (patient, "", value)


@pytest.mark.parametrize("label", ["nan", "NaN", " ", "<NA>", "NaT"])
def test_a_label_that_stands_for_no_protocol(patients, visits, label):
    """As a table holds it that another program wrote; a cohort made in Python has no such protocol at all."""
    raw = patients.assign(protocol=["early", label, "usual"])
    good = Cohort(patients, visits)
    people = good.patients.assign(protocol=raw["protocol"], site=["north", "north", label]).astype(
        {"protocol": "category"}
    )
    tables = {"patients": people.astype({"site": "category"}), "visits": good.visits}
    findings = check_tables(tables, load_catalogue(), "safe-harbor", FindingList()).findings
    hit, site = only(findings, "stands for no protocol"), only(findings, "stands for no site")
    assert site[["severity", "row", "patient_id", "column"]].to_numpy().tolist() == [["warning", 4, "P3", "site"]]
    assert hit[["severity", "row", "patient_id", "column"]].to_numpy().tolist() == [["error", 3, "P2", "protocol"]]
    assert Cohort(raw, visits).protocols == ["early", "usual"]


def test_values_at_the_ends_of_a_range_are_inside_it(patients, visits):
    """Pain goes from 0 to 10 points; on a scale of 100 mm the worst pain, 100, is still one of millimetres."""
    pain = visits["measure"] == "pain"
    ends = visits.assign(value=visits["value"].mask(pain, np.resize([0.0, 10.0], len(visits))))
    assert ends.loc[pain, "value"].nunique() == 2
    assert check_cohort(Cohort(patients, ends)).passed
    visits.loc[visits.index[pain][0], "value"] = 100.0
    assert len(only(found(patients, visits), "pain looks like mm of a 100 mm scale")) == 1


def test_inches_in_place_of_centimetres(patients, visits):
    findings = found(patients.assign(height_cm=[70.0, 66.5, 72.0]), visits)
    hit = only(findings, "it looks like inches")
    assert hit["row"].tolist() == [2, 3, 4]
    assert hit["what_to_do"].unique().tolist() == ["Multiply by 2.54."]


def test_pounds_in_place_of_kilograms(patients, visits):
    row = pd.DataFrame({"patient_id": ["P1"], "week": [0], "measure": "body_mass", "limb": "none", "value": [400.0]})
    assert only(found(patients, pd.concat([visits, row])), "looks like lb")["what_to_do"].tolist() == [
        "Divide by 2.205."
    ]


def test_duplicates_name_the_first_row(patients, visits):
    hit = only(found(patients, pd.concat([visits, visits.iloc[[4, 4]]])), "the same patient_id, week, measure, limb")
    assert hit["row"].tolist() == [47, 48]
    assert hit["problem"].str.endswith("as row 6").all()


def test_a_protocol_that_changes(patients, visits):
    other = pd.concat([patients, patients.iloc[[0]].assign(protocol="usual")])
    assert only(found(other, visits), "the protocol changes within the patient")["patient_id"].tolist() == ["P1"]


def test_a_patient_without_a_baseline_and_one_without_a_visit(patients, visits):
    left = visits[~((visits["patient_id"] == "P2") & (visits["week"] == 0)) & (visits["patient_id"] != "P3")]
    findings = found(patients, left)
    hit = only(findings, "no baseline value of these measures")
    assert hit["patient_id"].tolist() == ["P2"]
    assert hit["value"].item().startswith("pain, quadriceps_torque (involved), quad")
    assert only(findings, "the patient has no visit")["patient_id"].tolist() == ["P3"]


def test_too_little_to_compare_is_a_warning(patients, visits):
    one = found(patients.iloc[[0]], visits[(visits["patient_id"] == "P1") & (visits["week"] == 6)])
    problems = set(one["problem"])
    assert {
        "there is one patient only",
        "there is one protocol only, 'early'",
        "there is one week only, week 6",
    } <= problems
    assert "no measure has a value at or before week 0" in problems
    assert (one["severity"] == "warning").all()


def test_missing_values_of_one_measure_and_of_all(patients, visits):
    pain = visits.assign(value=visits["value"].mask(visits["measure"] == "pain"))
    assert only(found(patients, pain), "all 9 values of pain are missing")["severity"].tolist() == ["warning"]
    assert (
        "error" in only(found(patients, visits.assign(value=np.nan)), "all 45 values are missing")["severity"].tolist()
    )


def test_calendar_years_as_weeks(patients, visits):
    assert only(found(patients, visits.assign(week=2019.0)), "look like calendar years, (C) dates") is not None


def test_a_safe_harbor_cohort_pools_old_ages_and_a_limited_one_need_not(patients, visits):
    old = patients.assign(age_years=[31.0, 95.0, 90.0])
    assert not check_cohort(Cohort(old, visits)).passed
    assert check_cohort(Cohort(old, visits, privacy="limited")).passed


def test_tables_that_are_no_cohort():
    tables = {"patients": pd.DataFrame({"patient_id": pd.Series(["P1"], dtype="str"), "x\x1b": [1.0]})}
    report = check_tables(tables, load_catalogue(), "safe-harbor", FindingList())
    problems = report.findings["problem"].tolist()
    assert any("the column is missing; columns there: patient_id" in one for one in problems)
    assert "the table is missing" in problems
    assert "the name of the column holds control characters" in problems


def test_unknown_columns_of_other_tables_are_a_warning(patients, visits):
    hit = only(found(patients, visits.assign(room=1)), "not a known one and is not used")
    assert (hit["severity"].item(), hit["column"].item()) == ("warning", "room")


def test_errors_raise_with_every_finding(patients, visits):
    report = check_cohort(Cohort(patients, visits.assign(value=999.0)))
    with pytest.raises(FailedCheckError, match="The cohort has 45 errors") as caught:
        raise_on_errors(report, "here", "Mend it.")
    assert caught.value.report is report
    assert not isinstance(caught.value, DeidentificationError)
    raise_on_errors(check_cohort(Cohort(patients, visits)), "here", "Mend it.")


def test_rows_in_another_order_give_the_same_findings(patients, visits):
    visits.loc[[3, 10, 20], "value"] = 999.0
    key = ["patient_id", "column", "value", "problem"]
    left = found(patients, visits)[key].sort_values(key).reset_index(drop=True)
    right = found(patients, visits.sample(frac=1, random_state=3))[key].sort_values(key).reset_index(drop=True)
    pd.testing.assert_frame_equal(left, right)


@pytest.mark.parametrize("missing", ["measure", "limb"])
def test_visits_without_a_measure_or_limb_are_named_and_do_not_stop_the_other_checks(missing):
    visits = pd.DataFrame({"patient_id": "P1", "week": [0, 6], "measure": "pain", "limb": "none", "value": [5.0, 3.0]})
    visits[missing] = None
    patients = pd.DataFrame({"patient_id": ["P1"], "protocol": ["usual"]})
    report = check_cohort(Cohort(patients, visits))
    assert not report.passed
    assert missing in report.to_text()
    assert "no baseline value" not in report.to_text()


def test_no_formula_after_a_space_of_any_kind_and_no_control_character_is_overlooked():
    """A formula after every character that a spreadsheet skips: there are 29 spaces, and the signs themselves, in two widths."""
    texts = pd.Series([chr(code) + "=A1" for code in (*range(0x3100), *range(0xFF00, 0xFF70))])
    formulas = texts[looks_like_formula(texts)].tolist()
    assert len(formulas) == 37
    for text in [*formulas, "a\x07b", "a\x00b", "two\n=lines"]:
        findings = FindingList()
        check_cells({"patients": pd.DataFrame({"patient_id": ["P1"], "site": [text]})}, findings, "safe-harbor")
        assert findings.report(frozenset()).findings.empty is (text == "two\n=lines"), repr(text)


@pytest.mark.parametrize(
    ("values", "asked"),
    [
        ([1, 2, 3, 4, 5] * 4, True),
        ([1, 2, 3, 4, 5] * 3, False),  # too few to tell
        ([0, 2, 3, 4, 5] * 4, False),  # nobody can answer 0 on a scale from 1
        ([1, 2, 3, 4, 6] * 4, False),
        ([1, 2, 3.5, 4, 5] * 4, False),
        ([1, 2, 3, 4, None] * 5, False),
    ],
)
def test_a_scale_from_1_to_5_under_pain_is_questioned(values, asked):
    ids = [f"P{i}" for i in range(len(values))]
    patients = pd.DataFrame(
        {"patient_id": ids, "protocol": ["usual", "early"] * (len(ids) // 2) + ["usual"] * (len(ids) % 2)}
    )
    visits = pd.DataFrame({"patient_id": ids, "week": 0, "measure": "pain", "limb": "none", "value": values})
    found = check_cohort(Cohort(patients, visits)).findings
    told = found[found["problem"].str.contains("is it a scale from 1 to 5")]
    assert (told["severity"].tolist() == ["warning"]) is asked
    assert not asked or "20 values of pain" in told["problem"].item()


def test_a_day_is_shown_as_a_day():
    patients = pd.DataFrame({"patient_id": ["P1", "P2"], "protocol": ["usual", "early"]})
    visits = pd.DataFrame(
        {"patient_id": ["P1", "P2"], "week": 10 / 7, "measure": "pain", "limb": "none", "value": [4, 5]}
    )
    assert "there is one week only, day 10" in set(check_cohort(Cohort(patients, visits)).findings["problem"])


def test_a_patient_who_comes_twice_and_was_seen_has_visits():
    patients = pd.DataFrame({"patient_id": ["P1", "P2", "P1"], "protocol": ["usual", "early", "usual"]})
    visits = pd.DataFrame({"patient_id": ["P1", "P2"], "week": 0, "measure": "pain", "limb": "none", "value": [4, 5]})
    report = check_cohort(Cohort(patients, visits))
    assert report.findings[["table", "row"]].iloc[0].tolist() == ["patients", 4]
    assert not report.findings["problem"].str.contains("no visit").any()

"""What clinics' files hold, in one import: several header rows, visits by name, sides, baselines, limits and reasons."""

from __future__ import annotations

import openpyxl
import pytest

from analysis.cohort import FailedCheckError, import_cohort, load_cohort, write_cohort
from analysis.errors import CohortError

PATIENTS = '[patients]\npatient_id = "id"\nprotocol = "arm"\n'
LONG = PATIENTS + '[week]\ncolumn = "visit"\n[[values]]\nmeasure = "pain"\ncolumn = "nrs"\n'


@pytest.fixture
def imported(tmp_path):
    """Import a text, or a file that is there, by a map."""

    def run(text, map_text, name="data.csv"):
        path = tmp_path / name
        if text is not None:
            path.write_text(text, encoding="utf-8")
        (tmp_path / "map.toml").write_text(map_text, encoding="utf-8")
        return import_cohort(path, tmp_path / "map.toml")

    return run


def values(one):
    return one.cohort.visits[["patient_id", "week", "limb", "value"]].to_numpy().tolist()


def findings(one, severity="warning"):
    table = one.findings if hasattr(one, "findings") else one.checked.findings
    return table[table["severity"] == severity]


def refused(imported, text, map_text):
    with pytest.raises(FailedCheckError) as caught:
        imported(text, map_text)
    found = findings(caught.value.report, "error")
    assert found["what_to_do"].str.len().min() > 0
    return found


WIDE = (
    'layout = "wide"\n[file]\nheader_rows = 2\n' + PATIENTS + '[[values]]\nmeasure = "pain"\npattern = "{time} pain"\n'
)


def test_two_header_rows_with_merged_cells_and_rows_numbered_as_in_the_file(imported):
    text = "id,arm,pre,,6 weeks,,1 year,\n,,pain,mood,pain,mood,pain,mood\na,x,6,1,3,1,2,1\nb,y,7,1,zz,1,,1\n"
    found = refused(imported, text, WIDE)
    assert found[["row", "column"]].to_numpy().tolist() == [[4, "6 weeks pain"]]
    one = imported(text.replace("zz", "4"), WIDE)
    assert values(one) == [
        ["a", 0, "none", 6], ["a", 6, "none", 3], ["a", pytest.approx(365.25 / 7), "none", 2], ["b", 0, "none", 7], ["b", 6, "none", 4]
    ]  # fmt: skip


def test_a_row_that_does_not_fit_is_told_with_its_row_below_two_header_rows(imported):
    text = "id,arm,pre,6 weeks\n,,pain,pain\na,x,6,3\nb,y,7\nc,y,7,5\n"
    found = refused(imported, text, WIDE)
    assert found["row"].tolist() == [4]


def test_a_workbook_with_merged_cells(imported, tmp_path):
    book = openpyxl.Workbook()
    for row in (["id", "arm", "Pain", None], [None, None, "pre", "6 weeks"], ["a", "x", 6, 3], ["b", "y", 7, 4]):
        book.active.append(row)
    book.active.merge_cells("C1:D1")
    book.save(tmp_path / "book.xlsx")
    one = imported(None, WIDE.replace("{time} pain", "Pain {time}"), "book.xlsx")
    assert [row[3] for row in values(one)] == [6, 3, 7, 4]


def test_names_of_visits_are_times(imported):
    text = "id,arm,visit,nrs\na,x,Screening,7\na,x,Baseline,6\na,x,Week 6,4\na,x,3 mo post-op,2\na,x,Unscheduled,9\na,x,26,1\nb,y,Day 1,5\n"
    names = '[week.names]\n"Screening" = -2\n"Unscheduled" = "leave out"\n"Day 1" = 0\n[[values]]'
    one = imported(text, LONG.replace("[[values]]", names))
    assert [row[1] for row in values(one)] == [-2, 0, 6, pytest.approx(365.25 / 4 / 7), 26, 0]


def test_a_name_that_tells_no_time_is_an_error_and_days_must_be_said(imported):
    found = refused(imported, "id,arm,visit,nrs\na,x,Baseline,7\na,x,Later,6\na,x,Day 14,6\nb,y,Week 1,5\n", LONG)
    assert found["row"].tolist() == [3, 4]
    assert "[week.names]" in found["what_to_do"].iloc[0]


SIDED = LONG.replace(
    "[week]", 'involved_side = { column = "op", recode = { R = "right", L = "left" } }\n[week]'
).replace(
    'measure = "pain"\ncolumn = "nrs"\n',
    'measure = "knee_flexion"\nlimb = "right"\ncolumn = "fr"\n[[values]]\nmeasure = "knee_flexion"\nlimb = "left"\ncolumn = "fl"\n',
)


def test_right_and_left_become_involved_and_uninvolved(imported):
    one = imported("id,arm,op,visit,fr,fl\na,x,R,0,90,130\nb,y,L,0,131,95\n", SIDED)
    assert values(one) == [
        ["a", 0, "involved", 90], ["a", 0, "uninvolved", 130], ["b", 0, "uninvolved", 131], ["b", 0, "involved", 95]
    ]  # fmt: skip


@pytest.mark.parametrize("side", ["both", ""])
def test_a_patient_without_one_operated_side_is_an_error(imported, side):
    found = refused(imported, f"id,arm,op,visit,fr,fl\na,x,{side},0,90,130\nb,y,L,0,131,95\n", SIDED)
    told = found[found["problem"].str.contains("operated side")]
    assert told[["row", "patient_id"]].to_numpy().tolist() == [[2, "a"]] * 2
    assert "involved and uninvolved" in told["what_to_do"].iloc[0]


def test_the_limb_stands_in_the_labels_of_the_measure(imported):
    map_text = SIDED.split("[[values]]")[0] + (
        '[[values]]\nmeasure_column = "what"\ncolumn = "v"\n'
        'measures = { "Flex R" = "knee_flexion right", "Flex L" = "knee_flexion left", NRS = "pain", Mood = "leave out" }\n'
    )
    one = imported(
        "id,arm,op,visit,what,v\na,x,R,0,Flex R,90\na,x,R,0,Flex L,130\na,x,R,0,NRS,4\na,x,R,0,Mood,1\nb,y,L,0,NRS,5\n",
        map_text,
    )
    assert values(one) == [
        ["a", 0, "involved", 90],
        ["a", 0, "uninvolved", 130],
        ["a", 0, "none", 4],
        ["b", 0, "none", 5],
    ]


BASELINE = LONG + 'baseline = "base"\n'


def test_a_baseline_column_is_one_visit_more_where_no_row_has_it(imported):
    text = "id,arm,visit,nrs,base\na,x,6,4,7\na,x,12,3,7\nb,y,0,8,8\nb,y,6,5,8\n"
    assert values(imported(text, BASELINE)) == [
        ["a", 0, "none", 7], ["a", 6, "none", 4], ["a", 12, "none", 3], ["b", 0, "none", 8], ["b", 6, "none", 5]
    ]  # fmt: skip
    earlier = imported(text, BASELINE + "baseline_week = -1\n")
    assert [row[1] for row in values(earlier)] == [-1, 6, 12, -1, 0, 6]


@pytest.mark.parametrize(
    ("row", "said"),
    [
        ("a,x,12,3,6", "differs from the first one of the patient"),
        ("a,x,0,5,7", "is not the value of the visit of that week"),
    ],
)
def test_a_baseline_that_contradicts_itself_or_a_visit_is_an_error(imported, row, said):
    found = refused(imported, f"id,arm,visit,nrs,base\na,x,6,4,7\n{row}\nb,y,6,5,8\n", BASELINE)
    assert found["problem"].str.contains(said).any()
    assert set(found["column"]) == {"base"}


def test_limits_are_values_that_say_that_they_are_limits_and_stay_so_on_disk(imported, tmp_path):
    text = "id,arm,visit,nrs\na,x,0,7\na,x,6,<2\nb,y,0,>= 8\nb,y,6,5\n"
    one = imported(text, LONG)
    assert one.cohort.visits["value"].tolist() == [7, 2, 8, 5]
    assert one.cohort.visits["bound"].astype("str").fillna("").tolist() == ["", "below", "above", ""]
    assert "2 of 4 values are limits (column bound); the limit is taken as the value." in one.cohort.provenance.steps
    told = findings(one)
    assert told["problem"].tolist() == ["2 cells with a limit in the place of a value (<2: 1, >= 8: 1)"]
    write_cohort(one.cohort, tmp_path / "cohort")
    again = load_cohort(tmp_path / "cohort").visits["bound"].astype("str").fillna("").tolist()
    assert again == ["", "below", "above", ""]


def test_without_limits_there_is_no_column_of_them_and_a_negative_factor_turns_them_round(imported):
    text = "id,arm,visit,nrs\na,x,0,7\nb,y,0,8\n"
    assert "bound" not in imported(text, LONG).cohort.visits
    turned = imported(
        "id,arm,visit,e\na,x,0,<5\nb,y,0,3\n",
        LONG.replace('"pain"\ncolumn = "nrs"', '"knee_extension"\nlimb = "involved"\ncolumn = "e"\nmultiply = -1'),
    )
    assert turned.cohort.visits["bound"].iloc[0] == "above"
    assert turned.cohort.visits["value"].iloc[0] == -5


def test_reasons_in_the_place_of_a_value_are_counted_and_hide_what_may_say_too_much(imported):
    text = "id,arm,visit,nrs\na,x,0,7\na,x,6,not done\na,x,12,not done\nb,y,0,not done: Dr Amberg away\nb,y,6,5\n"
    one = imported(text, LONG)
    assert len(one.cohort.visits) == 2
    assert findings(one)["problem"].tolist()[1:] == [
        "3 cells with a reason in the place of a value (not done: 2, aaa aaaa: Aa Aaaaaa aaaa: 1)"
    ]


def test_other_texts_are_errors_as_before(imported):
    found = refused(imported, "id,arm,visit,nrs\na,x,0,7\na,x,6,much\nb,y,0,<x\n", LONG)
    assert found["row"].tolist() == [3, 4]


def test_nothing_is_written_where_a_map_key_is_wrong(imported):
    with pytest.raises(CohortError, match="header_rows should be the number of rows"):
        imported("id,arm,visit,nrs\na,x,0,7\n", "[file]\nheader_rows = 9\n" + LONG)


def test_a_visit_has_no_time_of_the_day_and_the_day_of_surgery_is_week_0(imported):
    dated = LONG.replace('column = "visit"', 'date = "seen"\nstart = "op"\ndate_format = "%d/%m/%Y"')
    rows = "a,x,03/04/2024,03/04/2024 18:05,5\na,x,03/04/2024,15/05/2024 07:30,2\n"
    assert values(imported("id,arm,op,seen,nrs\n" + rows, dated)) == [["a", 0, "none", 5], ["a", 6, "none", 2]]


@pytest.mark.parametrize(
    ("row", "said"),
    [
        ("b,y,45010,45020,3\n", "no date as %d/%m/%Y"),
        ("b,y,03/04/2024,03/04/2024 25:70,3\n", "no date as %d/%m/%Y"),
        ("b,y,03/04/2024,04/25/2024,3\n", "no date as %d/%m/%Y"),
        ("b,y,,03/04/2024,3\n", "no date of surgery or start"),
    ],
)
def test_dates_that_are_none_in_the_stated_order(imported, row, said):
    dated = LONG.replace('column = "visit"', 'date = "seen"\nstart = "op"\ndate_format = "%d/%m/%Y"')
    found = refused(imported, "id,arm,op,seen,nrs\na,x,03/04/2024,03/04/2024,5\n" + row, dated)
    assert found["row"].iloc[0] == 3
    assert said in found["problem"].iloc[0]


@pytest.mark.parametrize("week", ["inf", "-inf", "1e300", "-5000", "soon"])
def test_a_week_that_is_none_is_a_finding_and_no_traceback(imported, week):
    assert len(refused(imported, f"id,arm,visit,nrs\na,x,0,5\na,x,{week},4\n", LONG))


def test_a_side_that_changes_within_a_patient_is_an_error(imported):
    sided = LONG.replace('protocol = "arm"\n', 'protocol = "arm"\ninvolved_side = "side"\n')
    found = refused(imported, "id,arm,side,visit,nrs\na,x,left,0,5\na,x,right,6,4\n", sided)
    assert found[["row", "problem"]].to_numpy().tolist() == [[3, "the operated side changes within the patient"]]


def test_a_value_of_the_patient_in_the_rows_of_both_limbs_counts_once(imported):
    limbs = LONG.replace('protocol = "arm"\n', 'protocol = "arm"\ninvolved_side = "side"\n') + (
        '[[values]]\nmeasure = "knee_flexion"\nlimb_column = "limb"\ncolumn = "flex"\n'
    )
    head = "id,arm,side,visit,limb,flex,nrs\n"
    found = imported(head + "a,x,left,0,left,90,5\na,x,left,0,right,130,5\n", limbs)
    assert values(found) == [["a", 0, "none", 5], ["a", 0, "involved", 90], ["a", 0, "uninvolved", 130]]
    assert "1 value repeated in another row of the same visit" in "\n".join(findings(found)["problem"])
    differing = refused(imported, head + "a,x,left,0,left,90,5\na,x,left,0,right,130,6\n", limbs)
    assert differing["problem"].str.contains("the same patient_id, week, measure, limb").any()

"""Files of any shape become cohorts by a map: long, wide, folders, dates, logs; real data with published numbers."""

import pandas as pd
import pytest

from analysis.cohort import FailedCheckError, import_cohort, visit_frame
from analysis.errors import CohortError, DeidentificationError

from .one_measure import DATA, LONG


def values(cohort):
    return cohort.visits[["patient_id", "week", "value"]].to_numpy().tolist()


def test_beat_the_blues_wide_with_months(real_files):
    # HSAUR BtheB: 100 patients, 380 scores (280 after the start); half of the visits at 8 months lost
    cohort = import_cohort(*real_files["BtheB"]).cohort
    assert len(cohort.patients) == 100
    assert cohort.visits.groupby("week").size().to_dict() == {0: 100, 9: 97, 17: 73, 26: 58, 35: 52}
    assert cohort.protocols == ["usual care", "computer programme"]


def test_wong_long_with_days(real_files):
    cohort = import_cohort(*real_files["Wong"]).cohort  # 331 rows of 200 patients, carData
    assert (len(cohort.patients), len(cohort.visits)) == (200, 2 * 331)
    assert cohort.visits["week"].min() == pytest.approx(13 / 7)


def test_orthodont_long_with_years(real_files):
    cohort = import_cohort(*real_files["Orthodont"]).cohort
    frame = visit_frame(cohort, "distance")
    boys_at_8 = frame[(frame["protocol"] == "Male") & (frame["week"] == 0)]["value"].mean()
    assert boys_at_8 == pytest.approx(22.875)  # Pinheiro & Bates 2000, from memory


def test_wide_long_and_long_with_empty_cells_give_the_same_cohort(files):
    long = files(LONG, data__csv=DATA)
    rows = [line for line in DATA.splitlines() if not line.endswith(",")]
    without = files(LONG, data__csv="\n".join(rows))
    wide_map = (
        'layout = "wide"\n[patients]\npatient_id = "id"\nprotocol = "arm"\n[[values]]\nmeasure = "pain"\n'
        'pattern = "pain_{week}"\n'
    )
    wide = files(wide_map, data__csv="id,arm,pain_0,pain_6\nP1,usual,6,3\nP2,early,5,\n")
    for other in (without, wide):
        pd.testing.assert_frame_equal(other.patients, long.patients)
        pd.testing.assert_frame_equal(other.visits, long.visits)


def test_recodes_order_constants_units_and_own_measures(files):
    cohort = files(
        '[file]\ndelimiter = ";"\ndecimal = ","\nmissing = ["-9"]\n'
        '[patients]\npatient_id = "id"\nprotocol = { column = "arm", recode = { 1 = "usual", 2 = "early" }, order = ["usual"] }\n'
        'site = { constant = "north" }\nscore = { column = "s", kind = "number" }\n'
        '[week]\ncolumn = "d"\nunit = "days"\norigin = 1\nround_to = 1\n'
        '[[values]]\nmeasure_column = "what"\ncolumn = "v"\nmeasures = { VAS = "pain", Quad = "own" }\nmultiply = 0.1\n'
        'limb_column = "leg"\nlimbs = { x = "none", op = "involved" }\n'
        '[measures.own]\nunit = "N·m"\ndirection = "higher is better"\nlimbs = ["involved", "uninvolved"]\n',
        data__csv="id;arm;d;s;what;leg;v\n1;2;1;1,5;VAS;x;55,5\n1;2;43;1,5;Quad;op;900\n2;1;1;;VAS;x;-9\n2;1;1;;VAS;x;40\n",
    )
    assert cohort.protocols == ["usual", "early"]
    assert cohort.patients["score"].tolist()[0] == 1.5
    assert cohort.visits[["week", "measure", "limb", "value"]].to_numpy().tolist() == [
        [0, "pain", "none", pytest.approx(5.55)], [6, "own", "involved", 90], [0, "pain", "none", 4]
    ]  # fmt: skip


@pytest.mark.parametrize("date_format", ["", 'date_format = "%Y-%m-%dT%H:%M%z"\n'])
def test_dates_of_several_time_zones_count_by_the_clock_of_their_place(files, date_format):
    cohort = files(
        LONG.replace('column = "week"', f'date = "seen"\nstart = "surgery"\n{date_format}'),
        data__csv="id,arm,surgery,seen,pain\nP1,a,2024-01-01T00:30+01:00,2024-01-01T12:30+01:00,7\n"
        "P1,a,2024-01-01T00:30+01:00,2024-06-03T12:00+02:00,3\nP2,b,2024-01-01T23:00-05:00,2024-01-08T00:00Z,1\n",
    )
    assert cohort.visits["week"].tolist() == [0, 22, 1]  # in whole days


def test_times_in_several_time_zones_are_a_warning_with_their_counts(files):
    imported = files(
        LONG.replace('column = "week"', 'date = "seen"\nstart = "surgery"'),
        import_cohort,
        data__csv="id,arm,surgery,seen,pain\nP1,a,2024-01-01,2024-01-08T12:30+01:00,7\nP1,a,2024-01-01,2024-06-03T12:00+02:00,3\n"
        "P2,b,2024-01-01,2024-01-15T09:00+01:00,1\nP2,b,2024-01-01,2024-01-22T09:00,1\nP3,b,2024-01-01,2024-01-15,1\n",
    )
    found = imported.checked.findings
    told = found[found["problem"].str.contains("time zone")]
    assert told[["severity", "column"]].to_numpy().tolist() == [["warning", "seen"]]
    assert told["problem"].iloc[0] == (
        "the times are in several time zones (offset from UTC +01:00: 2 cells, +02:00: 1 cell, none: 1 cell)"
    )


def test_dates_of_one_time_zone(files):
    cohort = files(
        LONG.replace('column = "week"', 'date = "seen"\nstart = "surgery"'),
        data__csv="id,arm,surgery,seen,pain\nP1,a,2024-01-01,2024-01-08T00:00Z,7\nP2,b,2024-01-01,2024-01-15T00:00Z,1\n",
    )
    assert cohort.visits["week"].tolist() == [1, 2]


def test_dates_become_weeks_and_no_date_is_kept(files):
    cohort = files(
        LONG.replace('column = "week"', 'date = "seen"\nstart = "surgery"\ndate_format = "%d.%m.%Y"'),
        data__csv="id,arm,surgery,seen,pain\nP1,a,01.03.2024,26.02.2024,7\nP1,a,01.03.2024,12.04.2024,3\nP2,b,01.03.2024,05.03.2024,1\n",
    )  # fmt: skip
    assert cohort.visits["week"].tolist() == [pytest.approx(-4 / 7), 6, pytest.approx(4 / 7)]
    assert not cohort.patients.select_dtypes("datetime").columns.tolist()
    assert list(cohort.patients.columns) == ["patient_id", "protocol"]


def test_dates_in_a_wide_file_with_visit_windows(files):
    imported = files(
        'layout = "wide"\n[patients]\npatient_id = "id"\nprotocol = "arm"\n'
        '[week]\nstart = "op"\ndates = { 0 = "d0", 6 = "d6" }\n[schedule]\nweeks = [0, 6]\n'
        '[[values]]\nmeasure = "pain"\npattern = "pain_{week}"\n',
        import_cohort,
        data__csv="id,arm,op,d0,d6,pain_0,pain_6\nP1,a,2024-03-01,2024-02-28,2024-04-20,7,3\nP2,b,2024-03-01,2024-03-01,2024-07-01,6,2\n",
    )  # fmt: skip
    assert values(imported.cohort) == [
        ["P1", 0, 7], ["P1", 6, 3], ["P2", 0, 6], ["P2", pytest.approx(122 / 7), 2]
    ]  # fmt: skip
    assert imported.schedule.counts == {"on time": 1, "moved": 2, "unscheduled": 1, "dropped": 0}
    assert imported.schedule.sentence in imported.cohort.provenance.steps


def test_a_date_that_is_none_and_a_patient_without_a_start(files):
    with pytest.raises(FailedCheckError) as caught:
        files(
            LONG.replace('column = "week"', 'date = "seen"\nstart = "op"'),
            data__csv="id,arm,op,seen,pain\nP1,a,2024-03-01,2024-03-01,7\nP1,a,2024-03-01,12/04/2024,3\nP2,b,,2024-03-05,1\n",
        )
    table = caught.value.report.findings
    assert table[table["problem"] == "no date as year-month-day"][["row", "value"]].to_numpy().tolist() == [
        [3, "99/99/9999"]
    ]
    assert table[table["problem"].str.contains("no date of surgery")]["row"].tolist() == [4]


@pytest.mark.parametrize(
    ("data", "column", "row", "problem"),
    [
        (DATA.replace("6,3", "six,3"), "week", 3, "text where a week is expected"),
        (DATA.replace("6,3", "2024-03-01,3"), "week", 3, "a date where a week is expected, (C) dates"),
        (DATA.replace("0,6", "0,bad"), "pain", 2, "text where a number is expected"),
        (DATA.replace("0,6\n", '0,"6,5"\n'), "pain", 2, "a decimal comma where a decimal point is expected"),
        (DATA.replace("0,6\n", "0,inf\n"), "value", 2, "the number is infinite"),
        (DATA.replace("P2,early,0", ",early,0"), "id", 4, "the row has no patient"),
        (DATA.replace("early,6", "usual,6"), "arm", 5, "the protocol changes within the patient"),
        (DATA.replace("P1,usual,6,3", "P1,usual,6"), "", 3, "the row has 3 cells where the header has 4"),
        (DATA.replace("P1,usual,6", "P1,usual,0"), "value", 3, "the same patient_id, week, measure, limb as row 2"),
        (DATA.replace("0,6", "0,60"), "value", 2, "outside 0 to 10 points; pain looks like mm"),
        (DATA.replace(",6,3", ",6000,3"), "week", 3, "outside -52 to 5200 weeks"),
        (DATA.replace("P1", "Maria Miller"), "patient_id", 2, "the identifier looks like a person's name"),
    ],
)
def test_every_problem_has_its_place_and_nothing_is_imported(files, data, column, row, problem):
    with pytest.raises(FailedCheckError) as caught:
        files(LONG, data__csv=data)
    found = caught.value.report.findings
    hit = found[found["problem"].str.contains(problem, regex=False)]
    assert len(hit), found.to_string()
    assert (hit["column"].iloc[0], row) == (column, hit["row"].iloc[0])
    assert hit["what_to_do"].all()


def test_a_covariate_that_changes_is_a_warning_and_the_first_value_stays(files):
    cohort = files(LONG.replace('protocol = "arm"', 'protocol = "arm"\nbmi = "bmi"'),
                   data__csv="id,arm,week,pain,bmi\nP1,a,0,5,22\nP1,a,6,5,25\nP2,b,0,4,30\n")  # fmt: skip
    assert cohort.patients["bmi"].tolist() == [22, 30]


def test_columns_that_the_file_lacks_are_listed_with_those_that_are_there(files):
    with pytest.raises(CohortError, match="lacks: pain") as caught:
        files(LONG, data__csv=DATA.replace("pain", "Pain"))
    assert "id, arm, week, Pain" in caught.value.where
    wide = 'layout = "wide"\n[patients]\npatient_id = "id"\nprotocol = "arm"\n[[values]]\nmeasure = "pain"\npattern = "w{week}"\n'
    with pytest.raises(CohortError, match=r"No column fits the pattern 'w\{week\}'"):
        files(wide, data__csv=DATA)


def test_identifiers_raise_their_own_error(files):
    with pytest.raises(DeidentificationError):
        files(
            LONG.replace('protocol = "arm"', 'protocol = "arm"\nmail = "mail"'),
            data__csv="id,arm,week,pain,mail\nP1,a,0,5,a@b.org\n",
        )


@pytest.mark.parametrize("rows", [1, 2])
def test_one_patient_one_visit_one_protocol_load_with_warnings(files, rows):
    cohort = files(LONG, data__csv="".join(DATA.splitlines(keepends=True)[: rows + 1]))
    assert (len(cohort.patients), len(cohort.visits)) == (1, rows)


def test_all_values_missing_is_an_error(files):
    with pytest.raises(FailedCheckError, match="all 4 values are missing"):
        files(LONG, data__csv="id,arm,week,pain\nP1,a,0,\nP1,a,6,\nP2,b,0,\nP2,b,6,\n")

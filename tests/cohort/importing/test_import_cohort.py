"""Files of any shape become cohorts by a map: long, wide, folders, dates, logs; real data with published numbers."""

import pandas as pd
import pytest

from analysis.cohort import FailedCheckError, import_cohort, visit_frame
from analysis.cohort.modalities import TENS
from analysis.errors import CohortError, DeidentificationError

LONG = """
[patients]
patient_id = "id"
protocol = "arm"
[week]
column = "week"
[[values]]
measure = "pain"
column = "pain"
"""
DATA = "id,arm,week,pain\nP1,usual,0,6\nP1,usual,6,3\nP2,early,0,5\nP2,early,6,\n"


def cohort_of(file, map_file):
    return import_cohort(file, map_file).cohort


@pytest.fixture
def files(tmp_path):
    """Write files and a map, import them."""

    def run(map_text, call=cohort_of, /, path="data.csv", **contents):
        for name, content in contents.items():
            target = tmp_path / "in" / name.replace("__", ".")
            target.parent.mkdir(exist_ok=True)
            if isinstance(content, pd.DataFrame):
                content.to_csv(target, index=False)
            else:
                target.write_text(content, encoding="utf-8")
        (tmp_path / "map.toml").write_text(map_text, encoding="utf-8")
        return call(tmp_path / "in" / path, tmp_path / "map.toml")

    return run


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
    assert cohort.visits["week"].tolist() == [pytest.approx(12.5 / 24 / 7), 22 + 0.5 / 7, 1]


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


FOLDER = """
[files]
patients = "people.csv"
visits = { file = "visits.csv", delimiter = ";" }
session_log = "log.csv"
brace_limits = "brace.csv"
events = "events.csv"
[patients]
patient_id = "id"
protocol = "arm"
[visits]
patient_id = "subject"
[week]
date = "seen"
start = "op"
[[values]]
measure = "pain"
column = "pain"
[[values]]
measure = "ikdc"
column = "score"
file = "scores.csv"
[session_log]
patient_id = "who"
start = "from"
end = "to"
modality = "kind"
minutes = "min"
level_knee = "level"
prescribed = { exercise = 2 }
weeks = [1, 2]
[brace_limits]
date = "on"
flexion_limit_deg = "lateral"
flexion_limit_other_hinge_deg = "medial"
[events]
date = "on"
event = { column = "what", recode = { rash = "skin irritation" } }
"""
TABLES = {
    "people__csv": "id,arm,op\nP1,usual,2024-01-01\nP2,early,2024-01-08\n",
    "visits__csv": "subject;seen;pain\nP2;2024-01-08;6\nP1;2024-01-01;5\n",
    "scores__csv": "subject,seen,score\nP1,2024-02-12,60\n",
    "log__csv": "who,from,to,kind,min,level\nP1,2024-01-02 08:00,2024-01-02 08:30,exercise,30,\n"
    "P1,2024-01-09 08:00,2024-01-09 08:30,exercise,20,\n",
    "brace__csv": "id,on,lateral,medial\nP1,2024-01-01,60,60\nP1,2024-01-15,90,80\n",
    "events__csv": "id,on,what\nP2,2024-01-22,rash\n",
}


def test_a_folder_of_tables(files):
    cohort = files(FOLDER, path="", **TABLES)
    assert cohort.visits[["patient_id", "week", "measure", "value"]].to_numpy().tolist() == [
        ["P1", 0, "pain", 5], ["P1", 6, "ikdc", 60], ["P2", 0, "pain", 6]
    ]  # fmt: skip
    done = cohort.sessions.set_index(["patient_id", "week"])["sessions_done"]
    assert done.to_dict() == {("P1", 1): 1, ("P1", 2): 1, ("P2", 1): 0, ("P2", 2): 0}
    assert cohort.brace_limits[["week", "flexion_limit_deg", "both_hinges_agree"]].to_numpy().tolist() == [
        [0, 60, True],
        [2, 90, False],
    ]
    assert cohort.events[["patient_id", "week", "event"]].to_numpy().tolist() == [["P2", 2, "skin irritation"]]
    assert [source.name for source in cohort.provenance.sources] == [
        "people.csv", "visits.csv", "scores.csv", "brace.csv", "events.csv", "log.csv", "map.toml"
    ]  # fmt: skip


BY_PROTOCOL = FOLDER.replace("prescribed = { exercise = 2 }\nweeks = [1, 2]\n", """
[[session_log.prescribed]]
protocol = ["usual", "early"]
modality = "exercise"
sessions = 2
weeks = [1, 2]
[[session_log.prescribed]]
protocol = "early"
modality = "transcutaneous electrical nerve stimulation (TENS)"
sessions = 7
weeks = [1, 3]
""")  # fmt: skip


def test_sessions_are_prescribed_by_protocol(files):
    sessions = files(BY_PROTOCOL, path="", **TABLES).sessions
    asked = sessions.set_index(["patient_id", "modality", "week"])[["sessions_prescribed", "sessions_done"]]
    assert {key: tuple(row) for key, row in zip(asked.index, asked.to_numpy(), strict=True)} == {
        ("P1", "exercise", 1): (2, 1), ("P1", "exercise", 2): (2, 1), ("P2", "exercise", 1): (2, 0),
        ("P2", "exercise", 2): (2, 0), ("P2", TENS, 1): (7, 0), ("P2", TENS, 2): (7, 0),
        ("P2", TENS, 3): (7, 0),
    }  # fmt: skip


def test_a_prescription_to_a_protocol_that_nobody_has_stops_the_import(files):
    with pytest.raises(FailedCheckError) as caught:
        files(BY_PROTOCOL.replace('protocol = "early"', 'protocol = "Early"'), path="", **TABLES)
    row = caught.value.report.findings.iloc[0]
    assert (row["severity"], row["table"], row["value"]) == ("error", "map.toml", "Early")
    assert row["problem"] == "sessions are prescribed to a protocol that no patient has"
    assert row["what_to_do"] == "Write it as in the protocols of the patients: usual, early."


def test_prescribed_to_all_asks_about_a_protocol_without_a_session(files):
    """P2, early, logged nothing: the simple form counts two weeks of none done, and the check asks."""
    imported = files(FOLDER, import_cohort, path="", **TABLES)
    asked = imported.checked.findings.query("column == 'sessions_prescribed'")
    assert asked[["severity", "table", "problem"]].to_numpy().tolist() == [
        ["warning", "sessions", ("no session of exercise was done under early, though some are prescribed (1 patient): was it "
         "prescribed to them?")]
    ]  # fmt: skip
    assert "[[session_log.prescribed]]" in asked["what_to_do"].item()


def test_prescribed_to_all_leaves_out_five_patients_without_a_session_and_says_so(files):
    others = "".join(f"Q{k},early,2024-01-08\n" for k in range(4))
    imported = files(FOLDER, import_cohort, path="", **TABLES | {"people__csv": TABLES["people__csv"] + others})
    assert imported.cohort.sessions["patient_id"].unique().tolist() == ["P1"]
    asked = imported.checked.findings.query("column == 'prescribed'")
    assert asked[["severity", "problem"]].to_numpy().tolist() == [
        [
            "warning",
            "exercise is taken as not prescribed to early: none of its 5 patients has a session on record",
        ]
    ]


def test_impossible_sessions_of_a_log_stop_the_import_with_file_and_row(files):
    log = "who,from,to,kind,min,level\nP1,2024-01-02 08:00,2024-01-02 08:10,exercise,30,120\n"
    with pytest.raises(FailedCheckError) as caught:
        files(FOLDER, path="", **TABLES | {"log__csv": log + log.splitlines()[1] + "\n"})
    found = caught.value.report.findings
    logged = found[found["table"] == "log.csv"]
    assert set(logged["problem"]) == {
        "a stimulation level outside 0 to 100 %", "more minutes than from the start to the end of the session",
        "the same session twice: patient, start and modality",
    }  # fmt: skip
    assert set(logged["row"]) == {2, 3}


def test_the_week_in_which_braces_came_off_is_a_row_without_limits(files):
    brace = "id,week,bend,open\nP1,0,90,0\nP1,8,110,0\nP2,2,90,0\n"
    section = (
        '[brace_limits]\nworn_until = 6\nweek = "week"\nflexion_limit_deg = "bend"\nlocked = { constant = false }\n'
    )
    text = '[files]\npatients = "data.csv"\nvisits = "data.csv"\nbrace_limits = "brace.csv"\n' + LONG + section
    cohort = files(text, path="", data__csv=DATA, brace__csv=brace)
    table = cohort.brace_limits.astype("object").where(cohort.brace_limits.notna(), None)
    assert table[["patient_id", "week", "flexion_limit_deg", "locked"]].to_numpy().tolist() == [
        ["P1", 0, 90, False], ["P1", 8, 110, False], ["P2", 2, 90, False], ["P2", 6, None, None]
    ]  # fmt: skip


def test_a_link_in_a_folder_is_refused(files, tmp_path):
    (tmp_path / "elsewhere.csv").write_text(TABLES["events__csv"])
    (tmp_path / "in").mkdir()
    (tmp_path / "in" / "events.csv").symlink_to(tmp_path / "elsewhere.csv")
    rest = {name: content for name, content in TABLES.items() if "events" not in name}
    with pytest.raises(CohortError, match="The folder holds a link") as caught:
        files(FOLDER, path="", **rest)
    assert "events.csv" in caught.value.where


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('"people.csv"', '"persons.csv"', "names the file 'persons.csv', which is not there"),
        ('"people.csv"', '"../people.csv"', "is not the name of a file in the folder"),
        ('"people.csv"', "{ }", "does not say which file holds the patients"),
        ('visits = { file = "visits.csv", delimiter = ";" }', "", "does not say which file holds the visits"),
        (
            'patients = "people.csv"\nvisits = { file = "visits.csv", delimiter = ";" }',
            "",
            "the patients and the visits",
        ),
        ('session_log = "log.csv"', "", "does not say which file holds the session_log"),
    ],
)
def test_files_that_the_map_names_wrongly(files, old, new, said):
    with pytest.raises(CohortError, match=said):
        files(FOLDER.replace(old, new, 1), path="", **TABLES)


def test_what_to_do_where_the_map_names_no_file_of_visits(files):
    with pytest.raises(CohortError) as caught:
        files(FOLDER.replace('visits = { file = "visits.csv", delimiter = ";" }', ""), path="", **TABLES)
    assert caught.value.where.startswith("map.toml, [files]; in holds: brace.csv, ")
    assert caught.value.what_to_do == 'Add under [files]: visits = "name of the file".'


def test_where_no_date_of_a_visit_can_be_read_only_that_is_said(files):
    """Every cell of the table of visits was said to be empty too."""
    with pytest.raises(FailedCheckError) as caught:
        files(LONG.replace('column = "week"', 'date = "seen"\nstart = "op"'),
              data__csv="id,arm,op,seen,pain\nP1,a,2024-03-01,1.3.24,7\nP2,b,2024-03-01,1.4.24,3\n")  # fmt: skip
    found = caught.value.report.findings.query("severity == 'error'")
    assert found[["table", "row", "problem"]].fillna(0).to_numpy().tolist() == [
        ["visits", 0, "the table has no row"],
        ["data.csv", 2, "no date as year-month-day"], ["data.csv", 3, "no date as year-month-day"],
    ]  # fmt: skip


@pytest.mark.parametrize("table", ["events", "log"])
def test_dates_in_an_unfitting_form_with_the_start_in_another_file(files, table):
    """They ended in a TypeError."""
    with pytest.raises(FailedCheckError) as caught:
        files(
            """
            [files]
            patients = "people.csv"
            visits = "visits.csv"
            events = "events.csv"
            session_log = "log.csv"
            [patients]
            patient_id = "id"
            protocol = "arm"
            [week]
            column = "week"
            start = "op"
            [[values]]
            measure = "pain"
            column = "pain"
            [TABLE]
            START = "seen"
            """.replace("TABLE", "events" if table == "events" else "session_log")
            .replace("START", "date" if table == "events" else "start")
            + ('event = "what"\n' if table == "events" else 'modality = { constant = "exercise" }\nminutes = "what"\n'),
            path="", people__csv="id,arm,op\nP1,a,01.02.2024\nP2,b,03.02.2024\n", visits__csv="id,week,pain\nP1,0,4\nP2,0,5\n",
            **{f"{table}__csv": f"id,seen,what\nP1,2024-02-05,{'flare' if table == 'events' else 20}\n"},
        )  # fmt: skip
    found = caught.value.report.findings
    wrong = found[found["problem"] == "no date as year-month-day"]
    assert wrong[["table", "row", "column", "value"]].to_numpy().tolist() == [
        ["people.csv", 2, "op", "99.99.9999"], ["people.csv", 3, "op", "99.99.9999"]
    ]  # fmt: skip
    assert wrong["what_to_do"].str.contains("date_format").all()


def test_a_folder_that_is_a_cohort_already_and_one_file_where_the_map_names_two(files, tmp_path):
    with pytest.raises(CohortError, match="but one file is imported"):
        files(FOLDER, path="people.csv", **TABLES)
    (tmp_path / "in" / "datapackage.json").write_text("{}")
    with pytest.raises(CohortError, match="a data package already"):
        files(FOLDER, path="", **TABLES)


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

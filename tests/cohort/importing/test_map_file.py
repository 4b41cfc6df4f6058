"""The map file is read strictly: what is wrong is named, with what is allowed."""

import re
from pathlib import Path

import pytest

from analysis.cohort.importing.map_file import read_map
from analysis.cohort.importing.map_reference import map_sections
from analysis.cohort.importing.map_visits import WeekColumn
from analysis.cohort.modalities import NMES
from analysis.cohort.prescriptions import Prescription
from analysis.errors import CohortError

LONG = """
[patients]
patient_id = "id"
protocol = { column = "arm", recode = { 1 = "usual" }, order = ["usual", "early"] }
[week]
column = "day"
unit = "days"
[[values]]
measure = "pain"
column = "vas"
multiply = 0.1
"""
WIDE = """
layout = "wide"
[patients]
patient_id = "id"
protocol = { constant = "all" }
[[values]]
measure = "pain"
pattern = "pain_w{week}"
"""


def read(tmp_path, text):
    path = tmp_path / "map.toml"
    path.write_text(text, encoding="utf-8")
    return read_map(path)


def test_a_long_map(tmp_path):
    mapped = read(tmp_path, LONG)
    assert (mapped.layout, mapped.privacy, mapped.week.unit) == ("long", "safe-harbor", "days")
    assert mapped.patients[1].recode == {"1": "usual"}
    assert mapped.patients[1].order == ("usual", "early")
    assert (mapped.value_columns[0].multiply, mapped.value_columns[0].limb) == (0.1, "none")


def test_a_pattern_finds_the_weeks_in_the_names(tmp_path):
    names = ["pain_w0", "pain_w6.5", "pain_w-2", "pain_wx", "xpain_w6"]
    times = read(tmp_path, WIDE).value_columns[0].times_in(names, WeekColumn())
    assert times == {"pain_w0": 0, "pain_w6.5": 6.5, "pain_w-2": -2}


def test_files_sheets_schedule_and_home(tmp_path):
    mapped = read(
        tmp_path,
        LONG.replace('column = "day"\nunit = "days"', 'date = "when"\nstart = "surgery"')
        + '[file]\ndelimiter = ";"\n[files]\npatients = "p.sav"\nvisits = { sheet = "v", decimal = "," }\n'
        '[visits]\npatient_id = "subject"\n[schedule]\nweeks = [0, 6, 12]\ntwo_in_window = "last"\n'
        '[session_log]\nstart = "at"\nmodality = { constant = "exercise" }\nminutes = "min"\nweeks = [1, 12]\n'
        'prescribed = { exercise = 7 }\n[brace_limits]\nweek = "w"\nflexion_limit_deg = "f"\n'
        '[events]\ndate = "d"\nevent = "what"\n',
    )
    assert mapped.format_of("patients").file == "p.sav"
    assert (mapped.format_of("visits").sheet, mapped.format_of("visits").delimiter) == ("v", ";")
    assert mapped.format_of("sessions") == mapped.file
    assert mapped.visit_patient == "subject"
    assert mapped.schedule.two_in_window == "last"
    assert [window.week for window in mapped.schedule.windows] == [0, 6, 12]
    assert mapped.session_log.prescribed == {"exercise": 7}
    assert [(entry.table, entry.date) for entry in mapped.home] == [("brace_limits", None), ("events", "d")]


PRESCRIBED = """[session_log]
week = "w"
modality = "kind"
minutes = "min"
prescribed = [
  { protocol = "early", modality = "neuromuscular electrical stimulation (NMES)", sessions = 5, weeks = [1, 8] },
  { protocol = ["usual", "early"], modality = "exercise", sessions = 6, weeks = [1, 12] },
]
[week]"""


def test_prescriptions_by_protocol_modality_and_weeks(tmp_path):
    prescribed = read(tmp_path, LONG.replace("[week]", PRESCRIBED, 1)).session_log.prescribed
    assert prescribed == (
        Prescription(NMES, 5, (1, 8), ("early",)),
        Prescription("exercise", 6, (1, 12), ("usual", "early")),
    )


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("weeks = [1, 8]", "weeks = [1]", "weeks should be the first and the last week"),
        ("weeks = [1, 8]", "weeks = [8, 1]", "cannot go from week 8 to week 1"),
        (", weeks = [1, 8]", "", "The key 'weeks' is missing"),
        ("sessions = 5", 'sessions = "5"', "sessions should be a number, not '5'"),
        ("sessions = 5", "sessions = 5, times = 2", "The key 'times' does not exist"),
        ('protocol = "early"', "protocol = []", "protocol should be a protocol or a list of protocols"),
        (
            '"neuromuscular electrical stimulation (NMES)"',
            '"stimulation"',
            "modality should be one of 'exercise', .*, not 'stimulation'",
        ),
        ("[session_log]", "[session_log]\nweeks = [1, 12]", "weeks stands in each prescription"),
        ("sessions = 6", "sessions = 0", "0 sessions a week are no prescription"),
    ],
)
def test_what_is_wrong_in_a_prescription(tmp_path, old, new, said):
    assert old in PRESCRIBED
    with pytest.raises(CohortError, match=said) as caught:
        read(tmp_path, LONG.replace("[week]", PRESCRIBED.replace(old, new, 1), 1))
    assert "map.toml" in caught.value.where
    assert caught.value.what_to_do


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('column = "day"', 'colunm = "day"', "The key 'colunm' does not exist"),
        ("[week]", "[weeks]", "The key 'weeks' does not exist"),
        ('unit = "days"', 'unit = "fortnights"', "unit should be one of 'days', 'weeks', 'months', 'years'"),
        ('unit = "days"', "round_to = 0", "round_to should be above 0"),
        ('unit = "days"', 'date = "when"', "column or date must be given, one of them"),
        ('column = "day"\nunit = "days"', 'date = "when"', "start is missing"),
        ('patient_id = "id"\n', "", "The key 'patient_id' is missing"),
        ('patient_id = "id"', "patient_id = 5", "patient_id should be the name of a column, or a table of keys, not 5"),
        ('patient_id = "id"', 'patient_id = { column = "a", constant = "b" }', "column or constant must be given"),
        ("multiply = 0.1", 'multiply = "0.1"', "multiply should be a number, not '0.1'"),
        ("multiply = 0.1", "multiply = 0", "multiply should not be 0, which would make every value 0"),
        ('unit = "days"', "origin = inf", "origin should be a number, not inf"),
        ('unit = "days"', "origin = 1e308", "origin should be a number, not 1e\\+308"),
        (
            "[week]",
            '[brace_limits]\nweek = "w"\nflexion_limit_deg = "f"\nworn_until = nan\n[week]',
            "worn_until should be a number, not nan",
        ),
        (
            "[week]",
            '[files]\nsession_log = "log.csv"\n[week]',
            r"session_log is named, and the map has no section \[session_log\]",
        ),
        (
            "[week]",
            '[files]\nevents = { file = "e.csv" }\n[week]',
            r"events is named, and the map has no section \[events\]",
        ),
        (
            "[[values]]",
            '[measures.mood]\nunit = 5\ndirection = "higher is better"\n[[values]]',
            "unit should be a text, not 5",
        ),
        (
            "[[values]]",
            '[measures.mood]\nunit = ""\ndirection = "higher is better"\n[[values]]',
            "unit should be a text, not ''",
        ),
        (
            "[[values]]",
            '[measures.mood]\nunit = "points"\nlabel = []\ndirection = "higher is better"\n[[values]]',
            r"label should be a text, not \[\]",
        ),
        ("multiply = 0.1", 'limb = "both"', "limb should be one of 'involved'"),
        ('measure = "pain"', "", "measure or measure_column must be given"),
        ('measure = "pain"', 'measure = "pain"\npattern = "x"', "The key 'pattern' does not exist"),
        ("[[values]]", "[values]", "list of tables"),
        ("[week]", "[week", "no valid TOML"),
        ("[week]", '[file]\ndelimiter = "::"\n[week]', "delimiter should be one of"),
        ("[week]", "[schedule]\nweeks = []\n[week]", "should be a list"),
        ("[week]", "[schedule]\nwindows = [{ week = 6, from = 7, to = 8 }]\n[week]", "week 6 is not inside its window"),
        ("[week]", '[schedule]\nweeks = [0]\ntie = "best"\n[week]', "tie should be one of"),
        ("[week]", '[events]\nweek = "w"\n[week]', "The key 'event' is missing"),
        ("[week]", '[session_log]\nmodality = "m"\nminutes = "x"\n[week]', "start or week must be given"),
        (
            "[week]",
            '[session_log]\nweek = "w"\nmodality = "m"\nminutes = "x"\nprescribed = { sauna = 5 }\n[week]',
            "prescribed should name modalities, .*, not 'sauna'",
        ),
        (
            "[week]",
            "[file]\nheader_rows = 0\n[week]",
            "header_rows should be the number of rows with names at the top, 1 to 5",
        ),
        ("[week]", '[file]\nheader_rows = "2"\n[week]', "header_rows should be the number"),
        (
            "[[values]]",
            '[week.names]\n"Later" = "..."\n[[values]]',
            "Later in names should be a number, or a time with its unit",
        ),
        ("[[values]]", "[week.names]\nLater = true\n[[values]]", "Later in names should be a number"),
        ('unit = "days"', 'names = "usual"', "names should be a table of visits and their weeks"),
        (
            'column = "day"\nunit = "days"',
            'date = "when"\nstart = "s"\nnames = { a = 1 }',
            "names are of visits that a column names",
        ),
        ("multiply = 0.1", 'limb = "right"', r"limb says right or left, and \[patients\] has no involved_side"),
        ("multiply = 0.1", 'limb_column = "l"\nlimbs = { R = "right" }', "limbs says right or left"),
        (
            "multiply = 0.1",
            'limb_column = "l"\nlimbs = { R = "rechts" }',
            "limbs should become one of 'involved', .*not 'rechts'",
        ),
        ("multiply = 0.1", "baseline_week = -1", "baseline_week needs baseline"),
        (
            'measure = "pain"',
            'measure_column = "m"\nlimb_column = "l"\nmeasures = { F = "knee_flexion involved" }',
            "measures and limb_column both say the limb",
        ),
        ("[week]", '[files]\npictures = "x.csv"\n[week]', "The key 'pictures' does not exist"),
        ("[week]", '[measures.own]\nunit = "m"\n[week]', "The key 'direction' is missing"),
    ],
)
def test_what_is_wrong_in_a_map(tmp_path, old, new, said):
    assert old in LONG
    with pytest.raises(CohortError, match=said) as caught:
        read(tmp_path, LONG.replace(old, new, 1))
    assert "map.toml" in caught.value.where
    assert caught.value.what_to_do


@pytest.mark.parametrize(
    ("new", "said"),
    [
        ('pattern = "pain"', "should hold {week} once"),
        ('pattern = "p{week}"\ncolumns = { a = 1 }', "columns or pattern must be given"),
        ('pattern = "p{week}{time}"', "should hold {week} once"),
        ('columns = ["a"]', "columns should be a table of columns and times"),
        ('columns = { a = "six" }', "a in columns should be a number"),
    ],
)
def test_what_is_wrong_in_a_wide_map(tmp_path, new, said):
    with pytest.raises(CohortError, match=said):
        read(tmp_path, WIDE.replace('pattern = "pain_w{week}"', new))


def test_a_map_that_names_no_measure_or_is_not_there(tmp_path):
    with pytest.raises(CohortError, match="names no outcome measure"):
        read(tmp_path, LONG.split("[[values]]")[0])
    with pytest.raises(CohortError, match="map file cannot be read"):
        read_map(tmp_path / "none.toml")
    (tmp_path / "m.toml").write_bytes(b"\xff\xfe\x00a")
    with pytest.raises(CohortError, match="it is not UTF-8"):
        read_map(tmp_path / "m.toml")


def test_the_maps_in_the_readme_can_be_read(tmp_path):
    readme = (Path(__file__).resolve().parents[3] / "README.md").read_text(encoding="utf-8")
    maps = [text for text in re.findall(r"```toml\n(.*?)```", readme, re.DOTALL) if "[[values]]" in text]
    assert len(maps) == 2
    wide, clinic = (read(tmp_path, text) for text in maps)
    assert wide.layout == "wide"
    assert clinic.format_of("visits").sheet == "visits"
    assert len(clinic.schedule.windows) == 3


HOME_SECTIONS = {
    "[sessions]": 'week = "w"\nmodality = "k"\nsessions_done = "n"\n',
    "[brace_limits]": 'week = "w"\nflexion_limit_deg = "f"\n',
    "[events]": 'week = "w"\nevent = "what"\n',
    "[session_log]": 'week = "w"\nmodality = "k"\nminutes = "min"\n',
}
#: Sections with what they must have, and the section as the map reference heads it.
WHOLE = {
    "At the top": ("", ""), "[file]": ("[file]", ""), "[files]": ("[files]", ""), "[week]": ("[week]", 'column = "day"\n'),
    "[patients]": ("[patients]", 'patient_id = "id"\nprotocol = "arm"\n'), "[visits]": ("[visits]", ""),
    "[[values]], long file": ("[[values]]", 'measure = "pain"\ncolumn = "vas"\n'), "[schedule]": ("[schedule]", "weeks = [0, 6]\n"),
    "[[schedule.windows]]": ("[schedule]\n[[schedule.windows]]", "week = 6\nfrom = 5\nto = 7\n"),
    "[measures.NAME]": ("[measures.mood]", 'unit = "points"\ndirection = "higher is better"\n'),
    "[[session_log.prescribed]]": ("[session_log]\nweek = \"w\"\nmodality = \"k\"\nminutes = \"m\"\n[[session_log.prescribed]]",
                                   'protocol = "usual"\nmodality = "exercise"\nsessions = 5\nweeks = [1, 8]\n'),
    "[[programme]]": ("[[programme]]", 'modality = "exercise"\nminutes = 20\n'),
    **{name: (name, lines) for name, lines in HOME_SECTIONS.items()},
}  # fmt: skip
#: Values that no key takes.
NO_VALUES = ("nan", "inf", "2024-01-01", '[{ x = 1 }, "a"]', "{ x = { y = 1 } }")


def test_every_key_of_the_reference_refuses_what_no_key_takes(tmp_path):
    parts = {
        "[patients]": WHOLE["[patients]"][1],
        "[week]": WHOLE["[week]"][1],
        "[[values]]": WHOLE["[[values]], long file"][1],
    }
    wrong, taken = 0, []
    for section in map_sections():
        head, needed = WHOLE.get(section.heading, (None, ""))
        if head is None:
            continue
        for key in section.keys:
            for value in NO_VALUES:
                if (section.heading, value) == ("[measures.NAME]", "inf"):
                    continue  # a range may be open
                if key.name == "as_of" and value[:4].isdigit():
                    continue  # a date
                lines = [line for line in needed.splitlines() if not line.startswith(f"{key.name} =")]
                own = "\n".join([*lines, f"{key.name} = {value}"]) + "\n"
                whole = parts | ({head: own} if head else {})
                text = ("" if head else own) + "".join(f"{name}\n{body}" for name, body in whole.items())
                try:
                    read(tmp_path, text)
                    taken.append((section.heading, key.name, value))
                except CohortError as error:
                    wrong += 1
                    if not (error.what and error.where and error.what_to_do):
                        taken.append((section.heading, key.name, value))
    assert taken == []
    assert wrong > 500

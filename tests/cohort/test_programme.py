"""What a session usually is: common practice, what a map says, and what is kept with the cohort."""

import json

import pandas as pd
import pytest

from analysis.cohort import (
    FailedCheckError,
    UsualSession,
    check_cohort,
    check_folder,
    import_cohort,
    load_cohort,
    write_cohort,
)
from analysis.cohort.deidentification.deidentify import deidentify
from analysis.cohort.findings import FindingList
from analysis.cohort.importing.map_file import read_map
from analysis.cohort.modalities import MODALITIES
from analysis.cohort.programme import COMMON_PRACTICE, check_once, check_usual
from analysis.cohort.tables import Cohort
from analysis.errors import CohortError

_, NMES, TENS = MODALITIES
ARMS = {"a": "usual", "b": "early"}


def problems(programme=(), sessions=None, **columns):
    found = FindingList()
    rows = pd.DataFrame({"patient_id": "a", "modality": NMES} | columns)
    number = None if sessions is None else pd.Series(sessions, index=rows.index)
    check_usual("log.csv", rows, found, programme, ARMS, number)
    findings = found.report().findings
    assert set(findings["severity"]) <= {"warning"}
    return findings[["row", "column", "problem"]].to_numpy().tolist()


def test_a_device_that_runs_on_a_little_or_stops_early_needs_no_look():
    """20 and 30 minutes, and 5 more: common practice, no source. 528 sessions of 20.2 minutes were errors."""
    assert [(one.minutes, one.longest) for one in COMMON_PRACTICE] == [(20, 25), (30, 35)]
    assert problems(minutes=[20.2, 25.0, 7.5, None]) == []
    assert problems(modality=TENS, minutes=[35.0]) == []
    assert problems(modality="exercise", minutes=[300.0]) == []
    assert problems(minutes=[20.0, 25.1]) == [
        [3, "minutes", f"longer than a session of {NMES} takes, 20 min and 5 let pass"]
    ]


def test_a_protocol_of_its_own_comes_before_all_and_all_before_common_practice():
    programme = [UsualSession(NMES, 60, 0, protocols=("early",)), UsualSession(NMES, 40, 2)]
    columns = {"patient_id": ["a", "a", "b", "b"], "minutes": [42.0, 43.0, 60.0, 61.0]}
    assert problems(programme, **columns) == [
        [3, "minutes", f"longer than a session of {NMES} takes, 40 min and 2 let pass"],
        [5, "minutes", f"longer than a session of {NMES} takes, 60 min and 0 let pass"],
    ]
    assert problems([UsualSession(NMES)], minutes=[300.0]) == []  # no set length


def test_pauses_and_levels_that_a_programme_names():
    programme = [UsualSession(NMES, 20, most_pauses=3, levels=(10, 60))]
    found = problems(programme, minutes=20.0, pauses=[3, 4, 0], level_knee=[60, 50, 61], level_thigh=[9, 10, None])
    assert found == [
        [2, "level_thigh", f"outside the levels of {NMES}, 10 to 60 %"],
        [3, "pauses", f"more pauses than a session of {NMES} has, 3"],
        [4, "level_knee", f"outside the levels of {NMES}, 10 to 60 %"],
    ]
    assert problems(minutes=20.0, pauses=99, level_knee=[0]) == []


def test_weeks_of_several_sessions():
    programme = [UsualSession(NMES, 20, 5, most_pauses=2)]
    found = problems(programme, [5, 5, 0], minutes_done=[125.0, 126.0, 0.0], pauses=[11.0, 10.0, 0.0])
    assert found == [
        [2, "pauses", f"more pauses than the sessions of {NMES} have, 2 each"],
        [3, "minutes_done", f"longer than the sessions of {NMES} take, 20 min each and 5 let pass"],
    ]


@pytest.mark.parametrize(
    ("session", "said"),
    [
        ({"modality": "sauna"}, "There is no modality 'sauna'"),
        ({"minutes": 0}, "cannot take 0 minutes"),
        ({"minutes": 1441}, "cannot take 1441 minutes"),
        ({"tolerance": -1}, "tolerance cannot be -1 minutes"),
        ({"most_pauses": -1}, "cannot be -1 pauses"),
        ({"levels": (60, 10)}, "cannot go from 60 to 10"),
        ({"levels": (0, 101)}, "cannot go from 0 to 101"),
    ],
)
def test_sessions_that_cannot_be(session, said):
    with pytest.raises(CohortError, match=said) as caught:
        UsualSession(**{"modality": NMES} | session)
    assert caught.value.what_to_do


def test_two_descriptions_of_one_session():
    check_once([UsualSession(NMES, 20), UsualSession(NMES, 40, protocols=("early",))], "here")
    with pytest.raises(CohortError, match="described twice for early"):
        check_once(
            [UsualSession(NMES, 20, protocols=("early",)), UsualSession(NMES, 40, protocols=("usual", "early"))], "here"
        )


MAP = f"""
[patients]
patient_id = "id"
protocol = "arm"
[week]
column = "week"
[[values]]
measure = "pain"
column = "pain"
[session_log]
week = "week"
modality = {{ constant = "{NMES}" }}
minutes = "minutes"
[[programme]]
modality = "{NMES}"
protocol = "early"
minutes = 45
tolerance = 10
most_pauses = 2
levels = [5, 80.5]
"""
DATA = "id,arm,week,pain,minutes\nP1,usual,0,6,20.2\nP1,usual,6,3,25.5\nP2,early,0,5,55\nP2,early,6,2,55.5\n"


@pytest.fixture
def source(tmp_path):
    (tmp_path / "data.csv").write_text(DATA)
    (tmp_path / "map.toml").write_text(MAP)
    return tmp_path


def test_a_map_says_it_a_log_is_held_against_it_and_it_is_kept_with_the_cohort(source):
    imported = import_cohort(source / "data.csv", source / "map.toml")
    found = imported.checked.findings.query("column == 'minutes' or column == 'minutes_done'")
    assert found[["severity", "table", "row"]].to_numpy().tolist() == [
        ["warning", "data.csv", 3], ["warning", "data.csv", 5]
    ]  # fmt: skip
    assert imported.cohort.programme == (
        UsualSession(NMES, 45, 10, most_pauses=2, levels=(5, 80.5), protocols=("early",)),
    )
    folder = write_cohort(imported.cohort, source / "cohort")
    assert load_cohort(folder).programme == imported.cohort.programme
    again = check_folder(folder).findings.query("column == 'minutes_done'")
    assert again[["table", "patient_id"]].to_numpy().tolist() == [["sessions", "P1"], ["sessions", "P2"]]
    deidentify(folder, source / "clean", keep=["protocol"])
    assert load_cohort(source / "clean").programme == imported.cohort.programme


def test_a_folder_written_before_there_was_a_programme_has_none(source):
    folder = write_cohort(import_cohort(source / "data.csv", source / "map.toml").cohort, source / "cohort")
    descriptor = json.loads((folder / "datapackage.json").read_text())
    del descriptor["kneecurve"]["programme"]
    (folder / "datapackage.json").write_text(json.dumps(descriptor))
    assert load_cohort(folder).programme == ()
    for damaged in ([{"modality": NMES}], [[]], 5, [{"modality": NMES, "minutes": 0, "tolerance": 0, "most_pauses": None,
                                                     "levels": None, "protocols": []}]):  # fmt: skip
        descriptor["kneecurve"]["programme"] = damaged
        (folder / "datapackage.json").write_text(json.dumps(descriptor))
        with pytest.raises(CohortError, match=r"cannot be read|cannot take 0"):
            load_cohort(folder)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("minutes = 45", "minutes = 0", "A session cannot take 0"),
        ("minutes = 45", 'minutes = "45"', "minutes should be a number"),
        ("levels = [5, 80.5]", "levels = 5", "levels should be the lowest and the highest level"),
        ("levels = [5, 80.5]", 'levels = ["5", 6]', "levels should be the lowest and the highest level"),
        ('protocol = "early"', "protocol = 3", "should be a protocol or a list"),
        ("most_pauses", "pauses", "'pauses' does not exist"),
        (f'[[programme]]\nmodality = "{NMES}"', "[[programme]]", "'modality' is missing"),
        (f'[[programme]]\nmodality = "{NMES}"', '[[programme]]\nmodality = "sauna"', "modality should be one of"),
        ("[[programme]]", "[programme]", "should be a list of tables"),
        (
            "[[programme]]",
            f'[[programme]]\nmodality = "{NMES}"\nprotocol = "early"\n[[programme]]',
            "described twice for early",
        ),
    ],
)
def test_a_map_that_says_it_wrongly(tmp_path, old, new, said):
    assert old in MAP
    (tmp_path / "map.toml").write_text(MAP.replace(old, new))
    with pytest.raises(CohortError, match=said) as caught:
        read_map(tmp_path / "map.toml")
    assert "map.toml" in caught.value.where


def test_a_programme_of_a_protocol_that_no_patient_has(source):
    (source / "map.toml").write_text(MAP.replace('protocol = "early"', 'protocol = ["early", "late"]'))
    with pytest.raises(FailedCheckError, match="the programme is that of a protocol that no patient has"):
        import_cohort(source / "data.csv", source / "map.toml")


def test_a_programme_of_a_cohort_in_memory():
    patients = pd.DataFrame({"patient_id": ["a", "b"], "protocol": ["usual", "early"]})
    visits = pd.DataFrame({"patient_id": ["a", "b"], "week": 0, "measure": "pain", "limb": "none", "value": 4})
    sessions = pd.DataFrame(
        {"patient_id": ["a", "b"], "week": 1, "modality": NMES, "sessions_done": 1, "minutes_done": 40}
    )
    longer = UsualSession(NMES, 40, protocols=("early",))
    for programme, rows in (((), [2, 3]), ((longer,), [2])):
        found = check_cohort(Cohort(patients, visits, sessions=sessions, programme=programme)).findings
        assert found[found["column"] == "minutes_done"]["row"].tolist() == rows

"""Sessions and brace settings that cannot have been, and flexion beyond the limit of that week."""

import pandas as pd
import pytest

from analysis.cohort import Cohort, check_cohort
from analysis.cohort.modalities import NMES, TENS


def findings(cohort, table):
    found = check_cohort(cohort).findings
    return found[found["table"] == table][["severity", "row", "column", "problem"]].to_numpy().tolist()


def with_tables(cohort, *, flexion=None, sessions=None, brace=None):
    rows = [("P1", week, "knee_flexion", "involved", value) for week, value in flexion or [(0, 90)]]
    visits = pd.DataFrame(rows, columns=["patient_id", "week", "measure", "limb", "value"])
    return Cohort(cohort.patients, visits, sessions=sessions, brace_limits=brace)


def test_a_week_of_sessions(cohort):
    sessions = pd.DataFrame(
        {
            "patient_id": "P1", "week": [1, 2, 3, 4], "sessions_done": [5, 0, 5, 5], "minutes_done": [125, 10, 126, 900],
            "modality": [NMES] * 3 + ["exercise"], "level_knee": [100, 0, 101, 50],
        }
    )  # fmt: skip
    found = findings(with_tables(cohort, sessions=sessions), "sessions")
    assert ["error", 3, "minutes_done", "minutes in a week without a session"] in found
    assert ["error", 4, "level_knee", "outside 0 to 100 %"] in found
    assert [one for one in found if one[2] == "minutes_done" and one[0] == "warning"] == [
        [
            "warning",
            4,
            "minutes_done",
            f"longer than the sessions of {NMES} take, 20 min each and 5 let pass",
        ]
    ]


def programme(done_by_protocol, *, weeks=12, prescribed=5.0):
    """A cohort in which each protocol did sessions of TENS until a week; None: it has no entry of it."""
    people, rows = [], []
    for protocol, (n, until) in done_by_protocol.items():
        for number in range(n):
            name = f"{protocol}{number}"
            people.append((name, protocol))
            if until is not None:
                rows += [(name, week, TENS, prescribed, float(week <= until)) for week in range(1, weeks + 1)]
    columns = ["patient_id", "week", "modality", "sessions_prescribed", "sessions_done"]
    patients = pd.DataFrame(people, columns=["patient_id", "protocol"])
    visits = pd.DataFrame(
        {"patient_id": patients["patient_id"], "week": 0.0, "measure": "pain", "limb": "none", "value": 5.0}
    )
    return Cohort(patients, visits, sessions=pd.DataFrame(rows, columns=columns))


def asked(cohort):
    found = check_cohort(cohort).findings
    return found.loc[found["column"] == "sessions_prescribed", "problem"].tolist()


def test_a_protocol_that_never_did_what_is_prescribed_is_asked_about():
    said = f"no session of {TENS} was done under {{}}, though some are prescribed ({{}}): was it prescribed to them?"
    assert asked(programme({"usual": (6, 0), "early": (6, 12), "none": (6, None)})) == [
        said.format("usual", "6 patients")
    ]
    assert asked(programme({"usual": (1, 0), "early": (6, 12)})) == [said.format("usual", "1 patient")]
    assert asked(programme({"usual": (6, 0), "early": (6, 12)}, prescribed=0.0)) == []
    unknown = programme({"usual": (6, 0), "early": (6, 12)})
    sessions = unknown.sessions.assign(
        sessions_done=unknown.sessions["sessions_done"].where(unknown.sessions["sessions_done"] > 0)
    )
    assert asked(Cohort(unknown.patients, unknown.visits, sessions=sessions)) == []


def test_weeks_in_which_nobody_did_what_is_prescribed_are_asked_about():
    assert asked(programme({"early": (6, 4), "usual": (6, 11)})) == [
        (
            f"nobody under early did a session of {TENS} after week 4, though some are prescribed until week 12: was it "
            "prescribed so long?"
        )
    ]
    assert asked(programme({"early": (4, 4)})) == []  # too few to tell from patients who stopped


def test_brace_settings(cohort):
    brace = pd.DataFrame(
        {
            "patient_id": "P1", "week": [0, 1, 2, 3], "flexion_limit_deg": [90, 140, 30, 135],
            "extension_limit_deg": [0, -16, 40, -15], "both_hinges_agree": [True, None, False, True],
        }
    )  # fmt: skip
    found = findings(with_tables(cohort, brace=brace), "brace_limits")
    assert ["error", 3, "flexion_limit_deg", "outside -15 to 135 deg"] in found
    assert ["error", 3, "extension_limit_deg", "outside -15 to 135 deg"] in found
    assert ["warning", 4, "both_hinges_agree", "both hinges were set differently"] in found
    assert ["error", 4, "extension_limit_deg", "the extension limit is beyond the flexion limit"] in found
    assert not [one for one in found if one[1] in (2, 5)]


@pytest.mark.parametrize(
    ("flexion", "beyond"),
    [
        ([(2, 91)], [2]),  # the limit of 90 set in week 1 holds
        ([(2, 90)], []),
        ([(4, 110)], []),  # opened in week 4, on the day of the visit
        ([(4, 111)], [2]),
        ([(0, 120)], []),  # a baseline is measured before there is a brace
        ([(8, 150)], []),  # 135 is the end of the hinge, no limit
        ([(0.5, 60), (2, 95)], [3]),  # before the first setting there is none
    ],
)
def test_flexion_beyond_the_limit_in_force(cohort, flexion, beyond):
    brace = pd.DataFrame({"patient_id": "P1", "week": [1, 4, 6], "flexion_limit_deg": [90, 110, 135]})
    found = findings(with_tables(cohort, flexion=flexion, brace=brace.sample(frac=1, random_state=1)), "visits")
    assert [one[1] for one in found if "brace" in one[3]] == beyond


def test_each_finding_names_its_own_patient(cohort):
    """Limits and flexion of two patients, in other orders in the two tables."""
    people = pd.concat(
        [cohort.patients.iloc[:1].assign(patient_id=name) for name in ("P2", "P1", "P3")], ignore_index=True
    )
    visits = pd.DataFrame(
        {
            "patient_id": ["P3", "P1", "P2"],
            "week": 3,
            "measure": "knee_flexion",
            "limb": "involved",
            "value": [100, 80, 120],
        }
    )
    brace = pd.DataFrame({"patient_id": ["P1", "P2", "P3"], "week": 1, "flexion_limit_deg": [70, 125, 90]})
    found = check_cohort(Cohort(people, visits, brace_limits=brace)).findings
    beyond = found[found["problem"].str.contains("beyond the brace's limit")]
    assert beyond[["patient_id", "row", "value"]].to_numpy().tolist() == [["P3", 2, "100"], ["P1", 3, "80"]]


@pytest.mark.parametrize(
    ("settings", "flexion", "beyond"),
    [
        (
            [(1, 90)],
            [(6, 100), (6.5, 100), (12, 130)],
            [2],
        ),  # after week 6 nobody wears it (common practice, no source)
        ([(1, 90), (7, 100)], [(9, 110), (9.5, 110)], [2]),  # set in week 7: it is worn two weeks more
        ([(1, 90), (4, None)], [(3, 100), (4, 100), (5, 100)], [2]),  # it came off in week 4
        ([(1, 90), (12, None)], [(11, 100), (12, 100)], [2]),  # it was worn until week 12
        ([(1, 90), (3, None), (5, 100)], [(2, 95), (4, 120), (6, 101)], [2, 4]),  # off, and on again
        ([(1, None)], [(2, 150)], []),
    ],
)
def test_limits_are_carried_on_only_while_the_brace_is_worn(cohort, settings, flexion, beyond):
    """31 false warnings after week 6."""
    brace = (
        pd.DataFrame(settings, columns=["week", "flexion_limit_deg"])
        .assign(patient_id="P1")
        .astype({"flexion_limit_deg": float})
    )
    found = findings(with_tables(cohort, flexion=flexion, brace=brace), "visits")
    assert [one[1] for one in found if "brace" in one[3]] == beyond


def test_a_limit_of_another_patient_does_not_count(cohort):
    brace = pd.DataFrame({"patient_id": "P2", "week": [0], "flexion_limit_deg": [10]})
    assert not [
        one for one in findings(with_tables(cohort, flexion=[(6, 90)], brace=brace), "visits") if "brace" in one[3]
    ]


def test_the_uninvolved_limb_has_no_brace(cohort):
    brace = pd.DataFrame({"patient_id": ["P1"], "week": [0], "flexion_limit_deg": [10]})
    plain = with_tables(cohort, flexion=[(6, 90)], brace=brace)
    other = Cohort(plain.patients, plain.visits.assign(limb="uninvolved"), brace_limits=brace)
    assert "brace" in str(check_cohort(plain))
    assert "brace's limit" not in str(check_cohort(other))

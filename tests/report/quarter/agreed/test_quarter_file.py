"""The quarter file: read whole or refused with what to do, beside the cohort, carried from release to release."""

import datetime

import pytest

from analysis.errors import CohortError, ReportError
from analysis.quarter import Indicator
from analysis.report.quarter.actions import _too_early
from analysis.report.quarter.agreed.changes import changes_in
from analysis.report.quarter.agreed.quarter_file import QUARTER_FILE, Action, QuarterFile, read_quarter_file
from analysis.report.quarter.beside import file_beside

WHOLE = """
[targets]
improved = 0.7
harms = 15

[[changes]]
period = "2025-Q2"
words = "new  garment"

[[changes]]
period = "2025-08"
words = "calls before week 26"

[[actions]]
action = "Call everybody before week 26"
owner = "clinic lead"
due = 2026-03-31
indicator = "improved"

[[actions]]
action = "Teach again at week 2"
state = "done"
"""


def file(folder, text):
    path = folder / "quarters.quarter.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_quarter_file_is_read_whole(tmp_path):
    found = read_quarter_file(file(tmp_path, WHOLE))
    assert found.targets == (("improved", 0.7), ("harms", 15.0))
    assert found.changes == (("2025-Q2", "new garment"), ("2025-08", "calls before week 26"))
    assert found.actions == (
        Action("Call everybody before week 26", "clinic lead", datetime.date(2026, 3, 31), "open", "improved"),
        Action("Teach again at week 2", state="done"),
    )


def test_without_a_file_nothing_is_agreed_and_one_that_was_named_must_be_there(tmp_path):
    path = file_beside(tmp_path / "quarters", None, QUARTER_FILE)
    assert path.name == "quarters.quarter.toml"
    assert path.parent == tmp_path
    assert read_quarter_file(path) == QuarterFile()
    with pytest.raises(CohortError, match="quarter file"):
        read_quarter_file(path, needed=True)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("target = 1", "'target' is no part"),
        ('[targets]\nimproved = "much"', "no number"),
        ("[targets]\nimproved = true", "no number"),
        ('changes = "new"', "no list of tables"),
        ('[[changes]]\nperiod = "spring"\nwords = "new"', "'spring' is no period"),
        ('[[changes]]\nperiod = "2025-Q2"', "words is ''"),
        ('[[actions]]\naction = "Call"\nwho = "lead"', "'who' is no key of an action"),
        ('[[actions]]\naction = "Call"\nstate = "late"', "state 'late'"),
        ('[[actions]]\naction = "Call"\ndue = "2026-03-31"', "no date"),
        ("[[actions]]\naction = 7", "action is 7"),
        ('[[actions]]\naction = "Call"\n[[actions]]\naction = "Call"', "stands twice"),
        ("improved", "no valid TOML"),
    ],
)
def test_what_a_quarter_file_cannot_hold_is_refused_by_name(tmp_path, text, said):
    with pytest.raises((ReportError, CohortError), match=said) as caught:
        read_quarter_file(file(tmp_path, text))
    assert "quarters.quarter.toml" in str(caught.value)
    assert "what to do" in str(caught.value)


def test_targets_of_a_parameter_take_the_place_of_those_of_the_file():
    agreed = QuarterFile(targets=(("improved", 0.7), ("harms", 15.0)))
    assert agreed.targets_beside(["Improved: 0.6"]) == ["Improved: 0.6", "harms: 15.0"]


def test_changes_are_told_from_their_period_on_and_months_within_quarters():
    agreed = QuarterFile(changes=(("2024-Q4", "before"), ("2025-08", "in summer"), ("2026-Q3", "later")))
    quarters = ["2025-Q1", "2025-Q2", "2025-Q3", "2025-Q4"]
    assert agreed.changes_until(quarters) == ["2025-Q3: in summer"]
    assert changes_in([*agreed.changes_until(quarters), "2025-Q3: in summer"], quarters) == (("2025-Q3", "in summer"),)
    assert agreed.changes_until(["2025-07", "2025-08"]) == ["2025-08: in summer"]
    early = QuarterFile(changes=(("2023-Q4", "one"), ("2025-Q1", "two"), ("2026-Q1", "later")))
    assert [early.changes_before([first]) for first in ("2023-Q4", "2024-Q1", "2025-05")] == [0, 1, 2]
    assert _too_early(early, ["2025-Q2"]) == [
        "2 changes of the quarter file were made before 2025-Q2, where the data begin, and no chart shows them."
    ]
    assert _too_early(early, ["2024-Q1"])[0].startswith("1 change of the quarter file was made before 2024-Q1")
    assert _too_early(early, ["2023-Q4"]) == []


def test_an_action_is_about_an_indicator_that_there_is():
    harms = Indicator("harms", "Harms", "rate", "balancing", "lower", "harms", "started", "harms", "patients")
    agreed = QuarterFile(actions=(Action("Look at skin", indicator="harm"),))
    with pytest.raises(ReportError, match="'harm', which is no indicator"):
        agreed.actions_of([harms])
    kept = QuarterFile(actions=(Action("Look at skin", indicator="harms"), Action("Meet")))
    assert kept.actions_of([harms]) == kept.actions

"""Progress of long work: a line on a terminal after a while, nothing anywhere else, one line for nested work."""

import io
import sys
import time
from contextlib import suppress

import pytest

from analysis import progress
from analysis.progress import in_portions, steps


class Terminal(io.StringIO):
    def isatty(self):
        return True


@pytest.fixture
def terminal(monkeypatch):
    """A terminal whose user is impatient; pytest sets its own stderr after this, so a test asks for it."""
    monkeypatch.setattr(progress, "PATIENCE", 0.05)
    monkeypatch.setattr(progress, "RENEWED_AFTER", 0.05)

    def connect():
        stream = Terminal()
        monkeypatch.setattr(sys, "stderr", stream)
        return stream

    return connect


def test_a_long_step_is_named_on_a_terminal_and_the_line_ends(terminal):
    shown = terminal()
    with steps("Importing data.csv") as step:
        step("reading")
        time.sleep(0.4)
    assert "\rImporting data.csv: reading, 0 s" in shown.getvalue()
    assert shown.getvalue().endswith("\n")


def test_nothing_is_written_where_it_is_quick_or_not_on_a_terminal(terminal, monkeypatch):
    shown = terminal()
    monkeypatch.setattr(progress, "PATIENCE", 60.0)
    with steps("Importing data.csv") as step:
        step("reading")
    assert shown.getvalue() == ""
    monkeypatch.setattr(progress, "PATIENCE", 0.0)
    file = io.StringIO()
    monkeypatch.setattr(sys, "stderr", file)
    with steps("Importing data.csv") as step:
        step("reading")
        time.sleep(0.2)
    assert file.getvalue() == ""


def test_steps_and_portions_inside_other_steps_share_their_line(terminal):
    shown = terminal()
    with steps("De-identifying") as step:
        step("reading")
        with steps("Writing cohort") as inner:
            time.sleep(0.3)
            inner("patients")
            time.sleep(0.3)
        for _ in in_portions(2, 1, "columns"):
            time.sleep(0.3)
        step("checking")
        time.sleep(0.3)
    assert "\rDe-identifying: Writing cohort, 0 s" in shown.getvalue()
    assert "\rDe-identifying: Writing cohort: patients, 0 s" in shown.getvalue()
    assert "\rDe-identifying: columns: 1 of 2, " in shown.getvalue()
    assert "\rDe-identifying: checking, " in shown.getvalue()
    assert shown.getvalue().count("\n") == 1


def test_work_of_one_step_is_named_alone(terminal):
    shown = terminal()
    with steps("reading data.csv"):
        time.sleep(0.2)
    assert "\rreading data.csv, 0 s" in shown.getvalue()


def test_an_error_ends_the_line_and_later_work_starts_its_own(terminal):
    shown = terminal()
    with suppress(ValueError), steps("One") as step:
        step("reading")
        time.sleep(0.2)
        raise ValueError
    with steps("Two") as step:
        step("reading")
        time.sleep(0.2)
    assert "\rTwo: reading" in shown.getvalue()
    assert shown.getvalue().count("\n") == 2


def test_a_shorter_line_covers_a_longer_one_and_none_is_wider_than_the_terminal(terminal, monkeypatch):
    shown = terminal()
    monkeypatch.setenv("COLUMNS", "40")
    with steps("Importing a_file_of_a_very_long_name_indeed.csv") as step:
        step("reading")
        time.sleep(0.2)
    lines = shown.getvalue().strip("\n").split("\r")
    assert max(len(line) for line in lines) == 39
    monkeypatch.setenv("COLUMNS", "80")
    shown.truncate(0)
    with steps("Importing") as step:
        step("reading everything there is")
        time.sleep(0.2)
        step("end")
        time.sleep(0.2)
    assert len(shown.getvalue().strip("\n").split("\r")[-1]) == len("Importing: reading everything there is, 0 s")


def test_control_characters_of_a_name_are_shown_not_sent(terminal):
    shown = terminal()
    with steps("Importing \x1b[31mred.csv") as step:
        step("reading")
        time.sleep(0.2)
    assert "\x1b" not in shown.getvalue()


def test_steps_are_told_to_a_function_where_there_is_one(terminal):
    shown = terminal()
    said = []
    with steps("Importing", said.append) as step:
        step("reading")
        time.sleep(0.2)
    assert said == ["reading"]
    assert shown.getvalue() == ""

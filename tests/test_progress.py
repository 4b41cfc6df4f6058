"""Progress of long work: a line on a terminal after a while, nothing anywhere else, one line for nested work."""

import io
import re
import sys
import time
from contextlib import suppress

import pytest

from analysis import progress
from analysis.progress import in_portions, steps


class Terminal(io.StringIO):
    def isatty(self):
        return True

    def plain(self):
        """Give what was written without what moves the cursor or colours."""
        return re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", self.getvalue())


@pytest.fixture
def terminal(monkeypatch):
    """A terminal whose user is impatient; pytest sets its own stderr after this, so a test asks for it."""
    monkeypatch.setattr(progress, "PATIENCE", 0.05)
    monkeypatch.setenv("TERM", "xterm")

    def connect(wide=120):
        monkeypatch.setenv("COLUMNS", str(wide))
        stream = Terminal()
        monkeypatch.setattr(sys, "stderr", stream)
        return stream

    return connect


def test_a_long_step_is_named_on_a_terminal_and_the_line_ends(terminal):
    shown = terminal()
    with steps("Importing data.csv") as step:
        step("reading")
        time.sleep(0.4)
    assert "Importing data.csv: reading, 0 s" in shown.plain()
    assert shown.plain().endswith("\n")


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
    assert "De-identifying: Writing cohort, 0 s" in shown.plain()
    assert "De-identifying: Writing cohort: patients, 0 s" in shown.plain()
    assert "De-identifying: columns: 1 of 2" in shown.plain()
    assert "De-identifying: checking" in shown.plain()
    assert shown.getvalue().count("\n") == 1


def test_work_of_one_step_is_named_alone(terminal):
    shown = terminal()
    with steps("reading data.csv"):
        time.sleep(0.2)
    assert "reading data.csv, 0 s" in shown.plain()


def test_an_error_ends_the_line_and_later_work_starts_its_own(terminal):
    shown = terminal()
    with suppress(ValueError), steps("One") as step:
        step("reading")
        time.sleep(0.2)
        raise ValueError
    with steps("Two") as step:
        step("reading")
        time.sleep(0.2)
    assert "Two: reading" in shown.plain()
    assert shown.getvalue().count("\n") == 2


def test_no_line_is_wider_than_the_terminal(terminal):
    shown = terminal(40)
    with steps("Importing a_file_of_a_very_long_name_indeed.csv") as step:
        step("reading")
        time.sleep(0.3)
    lines = shown.plain().replace("\r", "\n").splitlines()
    assert max(len(line) for line in lines) <= 40
    assert any(line.startswith("Importing a_file_of_a_very_long_name") for line in lines)


def test_control_characters_of_a_name_are_shown_not_sent(terminal):
    shown = terminal()
    with steps("Importing \x1b[31mred.csv") as step:
        step("reading")
        time.sleep(0.2)
    assert "\x1b[31m" not in shown.getvalue()
    assert "Importing \\x1b[31mred.csv" in shown.plain()


def test_steps_are_told_to_a_function_where_there_is_one(terminal):
    shown = terminal()
    said = []
    with steps("Importing", said.append) as step:
        step("reading")
        time.sleep(0.2)
    assert said == ["reading"]
    assert shown.getvalue() == ""

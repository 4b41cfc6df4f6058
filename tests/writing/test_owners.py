"""A dead process is told from a live one, two never hold one lock, and what the dead left goes."""

import logging
import os
import subprocess
import sys
import tempfile
import time

import pytest

from analysis.errors import ReportError
from analysis.writing import owners


@pytest.fixture(scope="module")
def dead():
    """Give the token of a process that has ended."""
    code = "from analysis.writing.owners import new_token; print(new_token())"
    return subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout.strip()


def test_the_dead_are_told_from_the_living_and_from_those_of_other_systems(dead):
    mark = owners.mark_in(dead)
    assert owners.is_dead(mark)
    assert not owners.is_dead(owners.own_mark())
    assert not owners.is_dead("0" * 6 + mark[6:])  # another system: nothing is known
    system, process, _ = owners.own_mark().split("-")
    assert owners.is_dead(f"{system}-{process}-1") == (
        owners._start_of(os.getpid()) != "0"
    )  # the number was used again
    assert not owners.is_dead("no mark")


def test_a_lock_is_held_once_and_gone_afterwards(tmp_path):
    file = tmp_path / ".r.lock"
    with owners.lock(file, "The report", error=ReportError):
        assert file.is_file()
        with (
            pytest.raises(ReportError, match=r"The report is being written there by another process") as caught,
            owners.lock(file, "The report", error=ReportError),
        ):
            pass
        assert caught.value.where == str(file)
        assert file.is_file()
    with pytest.raises(KeyboardInterrupt), owners.lock(file, "The report", error=ReportError):
        raise KeyboardInterrupt
    assert list(tmp_path.iterdir()) == []


def test_the_lock_of_a_dead_process_is_taken_away_with_a_note(tmp_path, dead, caplog):
    file = tmp_path / ".r.lock"
    file.write_text(dead)
    with caplog.at_level(logging.WARNING), owners.lock(file, "The report", error=ReportError):
        assert file.read_text() != dead
    assert "by a process that is gone; its lock" in caplog.text
    assert list(tmp_path.iterdir()) == []


def test_a_lock_that_nobody_signed_is_left_for_a_minute(tmp_path):
    file = tmp_path / ".r.lock"
    file.touch()
    with pytest.raises(ReportError), owners.lock(file, "The report", error=ReportError):
        pass
    long_ago = time.time() - 100
    os.utime(file, (long_ago, long_ago))
    with owners.lock(file, "The report", error=ReportError):
        assert file.read_text() != ""


def test_a_lock_that_another_took_meanwhile_is_given_back(tmp_path, dead, monkeypatch):
    file = tmp_path / ".r.lock"
    file.write_text(dead)
    living = owners.new_token()
    rename = type(file).rename

    def others_are_quicker(path, target):
        file.write_text(living)
        return rename(path, target)

    monkeypatch.setattr(type(file), "rename", others_are_quicker)
    with pytest.raises(ReportError), owners.lock(file, "The report", error=ReportError):
        pass
    assert [(path.name, path.read_text()) for path in tmp_path.iterdir()] == [(".r.lock", living)]


def test_temporary_folders_of_the_dead_go_and_others_stay(tmp_path, dead, monkeypatch):
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    for name in (f"kneecurve-{dead}", f"kneecurve-{owners.new_token()}", "kneecurve-mine", f"other-{dead}"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "file").touch()
    stay = {path.name for path in tmp_path.iterdir()} - {f"kneecurve-{dead}"}
    with owners.temporary_folder() as folder:
        assert {path.name for path in tmp_path.iterdir()} == stay | {folder.name}
        (folder / "file").touch()
    assert {path.name for path in tmp_path.iterdir()} == stay

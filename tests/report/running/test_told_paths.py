"""No report tells the folders of the person who made it."""

from pathlib import Path

import pytest

from analysis.report.running.told_paths import told_way, way_to, without_home


@pytest.fixture(autouse=True)
def home(tmp_path, monkeypatch):
    place = tmp_path / "people" / "amberg"
    place.mkdir(parents=True)
    monkeypatch.setattr(Path, "home", lambda: place)
    monkeypatch.setattr("getpass.getuser", lambda: "amberg")
    return place


def test_a_way_beside_the_report_is_told_and_one_through_a_home_is_not(home, tmp_path):
    assert told_way(way_to(home / "study" / "cohort", home / "study" / "report")) == "../cohort"
    assert told_way(way_to(home / "study" / "cohort", tmp_path / "shared" / "report")) == "cohort"
    assert told_way("/mnt/cohort") == "cohort"


def test_a_person_without_a_name_has_none_to_hide(monkeypatch):
    def nobody():
        raise KeyError

    monkeypatch.setattr("getpass.getuser", nobody)
    assert told_way("../cohort") == "../cohort"


def test_a_home_folder_is_written_short(home):
    assert without_home(f"rules = {str(home)!r}/rules.toml") == "rules = '~'/rules.toml"
    assert without_home("nothing of it") == "nothing of it"

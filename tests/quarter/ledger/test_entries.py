"""The release ledger as a file: what was shown and nothing else, whole or not at all, the same release once."""

import json

import pytest

from analysis.errors import CohortError
from analysis.quarter.ledger.entries import Ledger, Release, read_ledger, write_ledger

ONE = Release(
    "2026-Q1", "2026-09-01", ("2026-Q1",), ("2025-Q1", "2025-Q2"),
    {(("2026-Q1",), ""): {"seen": 90.0, "better": 42.0}, (("2026-Q1",), "north"): {"seen": 40.0}},
    {(("2026-Q1",), "north"): ("better",)}, (("seen", "due", 0.8, True),), (("harms", "higher", "2025-Q4"),),
)  # fmt: skip


def test_a_ledger_comes_back_as_it_was(tmp_path):
    path = tmp_path / "releases.json"
    ledger = Ledger((ONE,), ONE.baseline, {"improved": {"centre": 0.25, "sigma_z": 1.0}})
    write_ledger(path, ledger)
    assert read_ledger(path) == ledger
    assert [one.name for one in tmp_path.iterdir()] == ["releases.json"]


def test_a_release_that_shows_the_same_is_not_written_twice():
    ledger = Ledger().with_release(ONE).with_release(ONE)
    assert len(ledger.releases) == 1


@pytest.mark.parametrize(
    "text", ["", "{}", "[]", '{"format": 1, "releases": [{"quarter": "x"}], "baseline": [], "lines": {}}', "\x00"]
)
def test_a_damaged_ledger_is_refused(tmp_path, text):
    path = tmp_path / "releases.json"
    path.write_text(text)
    with pytest.raises(CohortError, match="cannot be read, so what was shown before is not known") as caught:
        read_ledger(path)
    assert "earlier releases are not protected" in caught.value.what_to_do


def test_a_ledger_of_a_later_kit_is_refused(tmp_path):
    path = tmp_path / "releases.json"
    write_ledger(path, Ledger())
    data = json.loads(path.read_text()) | {"format": 99}
    path.write_text(json.dumps(data))
    with pytest.raises(CohortError, match="format 99"):
        read_ledger(path)


def test_a_ledger_that_cannot_be_written_leaves_nothing(tmp_path):
    (tmp_path / "releases.json").mkdir()
    with pytest.raises(CohortError, match="cannot be written"):
        write_ledger(tmp_path / "releases.json", Ledger((ONE,)))
    assert [one.name for one in tmp_path.iterdir()] == ["releases.json"]

"""Indicators and signals of a quarter as other programs read them; the exit code of a new signal, and the record."""

import io
import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from analysis.cohort import write_cohort
from analysis.report import quarter

from .planted_quarters import plant, prepared

ROOT = Path(__file__).parents[4]


def low(q, site):
    return 0.35 if q >= 13 else 0.6


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "cohort").mkdir()
    return tmp_path / "cohort"


def signals_of(study):
    (table,) = quarter.signals(study)
    return pd.read_csv(io.StringIO(table.to_csv()), keep_default_na=False), table


def test_indicators_are_there_not_rounded_and_hidden_ones_are_empty(folder):
    study = prepared(plant(quarters=14, improved=low), folder)
    table = pd.read_csv(io.StringIO(quarter.indicators(study).items[0].to_csv())).set_index("indicator")
    improved, found = table.loc["improved"], study.found.of("improved")
    assert (improved["numerator"], improved["denominator"]) == (found.numerator, found.denominator)
    assert improved["value"] == found.numerator / found.denominator
    assert (improved["lower"], improved["upper"], improved["level"]) == (found.lower, found.upper, 0.95)
    assert (improved["verdict"], improved["way"], improved["direction"]) == ("signal", "lower", "worse")
    assert np.isnan(table.loc["gain", "lower"])
    assert len(table) == len(study.found.followed)
    hidden = prepared(plant(sites=("a", "b"), each=2, quarters=5), folder.parent)
    rows = pd.read_csv(io.StringIO(quarter.indicators(hidden).items[0].to_csv())).set_index("indicator")
    assert rows.loc["improved", "verdict"] == "hidden"
    assert rows.loc["improved", ["numerator", "value", "lower"]].isna().all()


def test_signals_have_their_state(folder):
    states = []
    for n in (13, 14, 15):
        study = prepared(plant(quarters=n, improved=low), folder)
        rows, table = signals_of(study)
        states.append(dict(zip(rows["indicator"], rows["state"], strict=True)))
        quarter.record_release(study)
    assert states == [{}, {"improved": "new", "gain": "new"}, {"improved": "goes on", "gain": "goes on"}]
    assert table.notes == (
        "Of 4 indicators 4 could be judged, and 12 comparisons of sites. New: not in the last release, or there was none.",
    )
    first, table = signals_of(prepared(plant(quarters=13), folder.parent))
    assert first.empty
    assert table.notes == (
        "Of 4 indicators 4 could be judged, and 12 comparisons of sites. None of those judged has a signal.",
    )


def test_a_site_with_a_signal_stands_in_the_same_list(folder):
    """A site far below the others, in two releases, and as good as they are in the third."""
    states, told = [], []
    for n in (13, 14, 20):
        cohort = plant(quarters=n, each=60, improved=lambda q, site: 0.3 if site == "west" and q < 14 else 0.6)
        study = prepared(cohort, folder)
        rows, _ = signals_of(study)
        states.append([tuple(one) for one in rows[["indicator", "site", "state", "way"]].to_numpy() if one[1]])
        told.append("\n".join(text for one in quarter.since_last_release(study) for text in one.paragraphs))
        assert rows.loc[rows["site"].ne(""), "label"].eq("Patients improved at west").all()
        quarter.record_release(study)
    assert [[one for one in state if one[0] == "improved"] for state in states] == [
        [("improved", "west", "new", "below")],
        [("improved", "west", "goes on", "below")],
        [("improved", "west", "none now", "below")],
    ]
    assert "Signals that go on (1): Patients improved at west: below the whole." in told[1]
    assert "The signal of the last release in patients improved at west is none now." in told[2]


def test_where_too_many_were_lost_nothing_is_a_signal_anywhere(folder):
    """Half of a quarter is lost and those seen did better: no list, file, action or picture says more than In short."""
    half = {"seen": lambda q, site: 0.5 if q == 15 else 0.9, "improved": lambda q, site: 0.8 if q >= 14 else 0.6}
    study = prepared(plant(**half), folder)
    rows, table = signals_of(study)
    assert rows["indicator"].tolist() == ["complete ikdc"]
    assert table.notes[0].startswith("Of 4 indicators 2 could be judged, ")
    told = pd.read_csv(io.StringIO(quarter.indicators(study).items[0].to_csv())).set_index("indicator")
    assert told.loc["improved", "verdict"] == "too many lost"
    assert (
        told.loc["improved", ["way", "direction", "since"]].isin(["not run", ""]).all()
        or told.loc["improved", ["way", "direction", "since"]].isna().all()
    )
    assert "1 signal without one" in quarter.actions(study).items[-1].message
    (summary,) = quarter.summary(study)
    assert summary.data["verdict"].tolist()[0] == "cannot say: too many were lost"
    before = prepared(plant(**(half | {"quarters": 15})), folder)
    assert "improved" in signals_of(before)[0]["indicator"].tolist()
    quarter.record_release(before)
    after = prepared(plant(**half), folder)
    rows, _ = signals_of(after)
    assert rows.set_index("indicator").loc["improved", "state"] == "cannot be judged now"
    words = " ".join(text for one in quarter.since_last_release(after) for text in one.paragraphs)
    assert "The signal of the last release in patients improved cannot be judged now (too many lost to tell)." in words


def kneecurve(*words):
    return subprocess.run([sys.executable, "-m", "analysis", *words], check=False, capture_output=True, text=True)


@pytest.mark.slow
def test_a_scheduler_is_told_of_a_new_signal_and_of_an_old_one_not_again(tmp_path, monkeypatch):
    monkeypatch.setenv("PYTHONPATH", str(ROOT))
    monkeypatch.chdir(tmp_path)
    codes = []
    for n in (14, 15):
        write_cohort(plant(quarters=n, improved=low), tmp_path / f"cohort {n}")
        ledger = f"releases={str(tmp_path / 'board.json')!r}"
        made = kneecurve(
            "report", "quarter_outcomes", f"cohort {n}", "--out", f"report {n}", "--format", "csv", "--set", ledger
        )
        codes.append(made.returncode)
    assert codes == [3, 0], made.stderr
    record = json.loads((tmp_path / "report 15" / "quarter_outcomes.json").read_text())
    assert [(one["indicator"], one["state"]) for one in record["signals"]] == [
        ("improved", "goes on"),
        ("gain", "goes on"),
    ]
    assert (tmp_path / "report 14" / "quarter_outcomes.tables" / "signals.csv").is_file()
    again = kneecurve("repeat", "report 14/quarter_outcomes.json")
    assert again.returncode == 0, again.stdout

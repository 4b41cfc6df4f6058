"""kneecurve sites: from the cohorts of three sites to the report of their comparison, open and masked."""

import json
from itertools import combinations

import numpy as np
import pytest

from analysis.cohort import write_cohort
from analysis.report.sites.study import prepare_sites
from synthetic_cohort import generate_cohort

NAMES = ("north", "south", "west")
SETTING = ("--set", "measure=ikdc", "--set", "week=26")
SITES = [text for name in NAMES for text in ("--site", name)]


@pytest.fixture
def places(tmp_path, monkeypatch):
    from dataclasses import replace

    monkeypatch.chdir(tmp_path)
    cohort = generate_cohort(patients=150, seed=5).observed
    of = np.array(NAMES)[np.arange(150) % 3]
    for name in NAMES:
        people = cohort.patients[of == name]
        tables = {
            one: table[table["patient_id"].isin(set(people["patient_id"]))]
            for one in ("visits", "events", "sessions", "brace_limits")
            if (table := getattr(cohort, one)) is not None
        }
        write_cohort(replace(cohort, patients=people, **tables), tmp_path / name)
    write_cohort(cohort, tmp_path / "like theirs")
    return tmp_path


def done(kneecurve, *words):
    found = kneecurve("sites", *words)
    assert found.code == 0, found.err
    return found.out


@pytest.mark.slow
def test_from_cohorts_to_a_report(kneecurve, places):
    told = done(kneecurve, "plan", "like theirs", *SITES, *SETTING, "--out", "plan.json", "--also", "events=fall")
    assert "send it to every site" in told
    assert "fall" in json.loads((places / "plan.json").read_text())["events"]
    for name in NAMES:
        told = done(
            kneecurve, "summarise", name, "--plan", "plan.json", "--site", name, "--out", f"{name}.json", "--trusted"
        )
        assert f"Sums of {name}: 50 patients" in told
        assert told.count("for the combining office only") == 1
        assert "Cells of few patients are in the moments" in told
    files = [f"{name}.json" for name in NAMES]
    told = done(kneecurve, "combine", *files, "--plan", "plan.json", "--out", "network")
    assert "3 sites, 150 patients" in told
    assert prepare_sites(places / "network").compared.n_patients == 150
    lacking = kneecurve("sites", "combine", *files[:2], "--plan", "plan.json", "--out", "two")
    assert lacking.code == 1
    assert "1 site of the plan sent nothing: west." in lacking.err
    assert not (places / "two").exists()
    done(kneecurve, "combine", *files[:2], "--plan", "plan.json", "--out", "two", "--without", "west")
    again = kneecurve("sites", "summarise", "north", "--plan", "plan.json", "--site", "north", "--out", "north.json")
    assert again.code == 1
    assert "a file of that name" in again.err


def test_all_names_that_a_plan_lacks_are_told_at_once(kneecurve, places):
    done(kneecurve, "plan", "north", *SITES, *SETTING, "--out", "plan.json")
    found = kneecurve("sites", "summarise", "like theirs", "--plan", "plan.json", "--site", "south", "--out", "x.json")
    assert found.code == 1
    assert "event 'operation for stiffness'" in found.err
    assert "--also" in found.err
    assert "(0, " not in found.err


@pytest.mark.slow
def test_two_rounds_with_masks(kneecurve, places):
    done(kneecurve, "plan", "like theirs", *SITES, *SETTING, "--set", "adjust_for=[]", "--out", "plan.json")
    shared = {pair: done(kneecurve, "seed").strip() for pair in combinations(NAMES, 2)}
    assert len(set(shared.values())) == 3
    for name in NAMES:
        lines = [
            f'{other} = "{seed}"' for pair, seed in shared.items() if name in pair for other in pair if other != name
        ]
        (places / f"{name}.toml").write_text("\n".join(lines))
        of = ("--plan", "plan.json", "--site", name, "--seeds", f"{name}.toml")
        told = done(kneecurve, "summarise", name, *of, "--first-round", "--out", f"{name}.first.json")
        assert "masked" in told
    first = [f"{name}.first.json" for name in NAMES]
    told = done(kneecurve, "combine", *first, "--plan", "plan.json", "--first-round", "--out", "plan2.json")
    assert "patients with visits" in told
    for name in NAMES:
        of = ("--plan", "plan2.json", "--site", name, "--seeds", f"{name}.toml")
        told = done(kneecurve, "summarise", name, *of, "--out", f"{name}.json")
        assert "say nothing without those of all other sites" in told
    done(kneecurve, "combine", *[f"{name}.json" for name in NAMES], "--plan", "plan2.json", "--out", "network")
    study = prepare_sites(places / "network")
    assert study.pooled.masked
    assert study.compared.n_patients == 150


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--set", "measure=ikdc"), "week is not set"),
        (("--set", "colour=red", *SETTING), "There is no parameter 'colour'"),
        ((*SETTING, "--also", "colours=red"), "no names to be added under 'colours'"),
    ],
)
def test_a_plan_that_cannot_be_made_is_explained(kneecurve, places, words, said):
    found = kneecurve("sites", "plan", "north", *SITES, *words, "--out", "plan.json")
    assert found.code == 1
    assert said in found.err
    assert not (places / "plan.json").exists()


@pytest.mark.parametrize("text", ["not = toml = at all", "north = 3", ""])
def test_seeds_that_cannot_be_read_are_explained(kneecurve, places, text):
    done(kneecurve, "plan", "like theirs", *SITES, *SETTING, "--out", "plan.json")
    (places / "seeds.toml").write_text(text)
    of = ("--plan", "plan.json", "--site", "north", "--seeds", "seeds.toml", "--first-round", "--out", "x.json")
    found = kneecurve("sites", "summarise", "north", *of)
    assert found.code == 1
    assert "seed" in found.err
    assert not (places / "x.json").exists()

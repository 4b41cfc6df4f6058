"""The folders of the capstones and the commands: written once, marked beside the truth, explained where they cannot be."""

import json
import re

import pandas as pd
import pytest

from analysis import load_cohort, write_cohort
from analysis.errors import ReportError
from analysis.lessons.capstone import leave_out, mark_folder, start_report, write_capstone, write_own_data
from analysis.lessons.capstone.claims import write_claims
from analysis.lessons.capstone.page import write_marks
from analysis.lessons.capstone.self_check import QUESTIONS
from analysis.lessons.capstone.unseen import unseen_cohort
from analysis.lessons.feedback import NotAnsweredYet

from . import reports

SEED = 2


@pytest.fixture
def folder(tmp_path):
    write_capstone(tmp_path / "capstone", SEED)
    return tmp_path / "capstone"


@pytest.fixture
def kneecurve():
    """Run a command in this process."""
    from typer.testing import CliRunner

    from analysis.__main__ import app

    return lambda *words: CliRunner().invoke(app, [str(word) for word in words])


def test_the_cohort_in_the_folder_is_the_one_of_the_seed_and_no_file_tells_the_truth(folder):
    made = unseen_cohort(SEED)
    there = load_cohort(folder / "cohort")
    assert there.visits.equals(made.observed.visits)
    assert there.patients.equals(made.observed.patients)
    texts = {path.name: path.read_text(encoding="utf-8") for path in folder.rglob("*") if path.is_file()}
    assert set(texts) == {
        "capstone.ipynb", "capstone.json", "study.md", "datapackage.json", "patients.csv", "visits.csv", "sessions.csv",
        "events.csv",
    }  # fmt: skip
    assert json.loads(texts["capstone.json"]) == {"kneecurve_capstone": 1, "seed": SEED}
    tables = [text for name, text in texts.items() if not name.endswith(".csv")]
    assert not any(f"{made.difference:.1f}" in text or f"{made.difference:.3f}" in text for text in tables[1:3])
    assert "effects" not in texts["datapackage.json"]
    assert "honest" not in texts["capstone.ipynb"]


def test_a_capstone_is_written_once_and_claims_stay(folder):
    (folder / "claims.json").write_text("mine", encoding="utf-8")
    with pytest.raises(ReportError, match="writing it again would undo your report"):
        write_capstone(folder, SEED)
    write_capstone(folder, SEED, overwrite=True)
    assert (folder / "claims.json").read_text(encoding="utf-8") == "mine"
    assert [path.name for path in folder.iterdir() if path.name.startswith(".")] == []


def test_a_report_is_marked(folder):
    write_claims(reports.honest(SEED), folder, SEED)
    seed, marks = mark_folder(folder)
    assert seed == SEED
    assert {mark.grade for mark in marks} == {"right"}


def test_claims_of_the_notebook_are_kept_and_gone_on_with(folder):
    cohort = load_cohort(folder / "cohort")
    first = start_report(cohort, folder)
    assert first.claim(wording="association", allocation="not by lot").hint == "wording, allocation. 8 still open."
    again = start_report(cohort, folder)
    assert again.claims == first.claims
    assert again.claims.wording == "association"


def test_what_was_done_by_hand_is_said_and_three_dots_are_asked_for(folder):
    cohort = load_cohort(folder / "cohort")
    report = start_report(cohort, folder)
    assert report.use(cohort).hint == "250 patients. Nothing was changed by hand."
    assert report.use(leave_out(cohort, ["k0001"])).hint == "249 patients. Left out by hand: 1 patient."
    with pytest.raises(NotAnsweredYet, match="Which cohort do you trust"):
        report.use(...)
    with pytest.raises(ReportError, match="A cohort is asked for, not DataFrame"):
        report.use(cohort.visits)


def test_a_report_is_finished_when_all_is_claimed(folder):
    report = start_report(load_cohort(folder / "cohort"), folder)
    with pytest.raises(NotAnsweredYet, match="Claim it in the cell with problems, and run this cell again"):
        report.finish()
    write_claims(reports.honest(SEED), folder, SEED)
    assert "kneecurve mark" in start_report(load_cohort(folder / "cohort"), folder).finish().hint


@pytest.mark.parametrize("damage", ["value", "row", "seed", "table"])
def test_a_cohort_that_was_changed_is_not_marked(folder, damage):
    write_claims(reports.honest(SEED), folder, SEED if damage != "seed" else SEED + 1)
    visits = folder / "cohort" / "visits.csv"
    frame = pd.read_csv(visits)
    if damage == "value":
        frame.loc[5, "value"] += 1
    if damage == "row":
        frame = frame.iloc[:-1]
    frame.to_csv(visits, index=False)
    if damage == "seed":
        (folder / "capstone.json").write_text(json.dumps({"kneecurve_capstone": 1, "seed": SEED + 1}), encoding="utf-8")
    if damage == "table":
        from dataclasses import replace

        cohort = replace(unseen_cohort(SEED).observed, events=None)
        for path in (folder / "cohort").iterdir():
            path.unlink()
        (folder / "cohort").rmdir()
        write_cohort(cohort, folder / "cohort")
    with pytest.raises(ReportError, match="is not the one of this capstone"):
        mark_folder(folder)


def test_numbers_written_in_another_form_are_the_same_cohort(folder):
    write_claims(reports.honest(SEED), folder, SEED)
    visits = folder / "cohort" / "visits.csv"
    pd.read_csv(visits).to_csv(visits, index=False)
    assert mark_folder(folder)[0] == SEED


@pytest.mark.parametrize(
    ("held", "words"),
    [
        (None, "This is no folder of a capstone"),
        ("{", "cannot be read"),
        ('{"kneecurve_capstone": 1}', "cannot be read"),
        ('{"kneecurve_capstone": 1, "seed": "2"}', "cannot be read"),
        (
            '{"kneecurve_capstone": 9, "seed": 2}',
            "The capstone is of version 9; this version of the kit marks version 1",
        ),
        ('{"kneecurve_capstone": 1, "seed": null}', "Nobody knows the truth of your own data"),
        ('{"kneecurve_capstone": 1, "seed": 2}', "Nothing is claimed yet"),
    ],
)
def test_a_folder_that_cannot_be_marked_is_explained(tmp_path, kneecurve, held, words):
    if held is not None:
        (tmp_path / "capstone.json").write_text(held, encoding="utf-8")
    with pytest.raises(ReportError, match=words):
        mark_folder(tmp_path)
    assert kneecurve("mark", tmp_path).exit_code == 1


def test_own_data_get_the_template_and_fifteen_questions(tmp_path):
    written = write_own_data(tmp_path)
    text = written[1].read_text(encoding="utf-8")
    assert [int(one) for one in re.findall(r"\(error (\d+) of 15, lesson \d\)", text)] == list(range(1, 16))
    assert "treating clinician" in text
    with pytest.raises(ReportError, match="A capstone is there already"):
        write_own_data(tmp_path)


def test_the_questions_name_the_lessons_that_treat_their_error():
    from ..test_sources import ERRORS

    assert {number: lesson for number, lesson, _ in QUESTIONS} == {
        number: lesson for lesson, numbers in ERRORS.items() for number in numbers
    }


def test_the_commands_write_mark_and_say_what_comes_next(tmp_path, kneecurve):
    place = tmp_path / "mine"
    told = kneecurve("lessons", "--capstone", SEED, "--to", place)
    assert told.exit_code == 0, told.output
    assert "kneecurve mark" in told.output
    write_claims(reports.naive(SEED), place, SEED)
    marked = kneecurve("mark", place)
    assert marked.exit_code == 0, marked.output
    assert "right but too strong  The word for the difference: effect" in marked.output
    assert "11 marks: " in re.sub(r"\s+", " ", marked.output)
    page = (place / "marks.html").read_text(encoding="utf-8")
    assert "↑ right but too strong" in page
    assert "<script" not in page
    assert kneecurve("lessons", "--own-data", "--to", tmp_path / "own").exit_code == 0
    both = kneecurve("lessons", "--own-data", "--capstone", 1, "--to", tmp_path / "both")
    assert both.exit_code == 1
    assert not (tmp_path / "both").exists()


def test_without_a_folder_each_goes_to_one_of_its_own(tmp_path, kneecurve, monkeypatch):
    monkeypatch.chdir(tmp_path)
    for words in (("--capstone", SEED), ("--own-data",), ()):
        assert kneecurve("lessons", *words).exit_code == 0
    assert sorted(path.name for path in tmp_path.iterdir()) == [
        f"capstone_{SEED}",
        "capstone_own_data",
        "kneecurve_lessons",
    ]


def test_a_page_that_cannot_be_written_is_explained(tmp_path):
    with pytest.raises(ReportError, match="The page of marks cannot be written"):
        write_marks([], tmp_path / "nowhere", 1)

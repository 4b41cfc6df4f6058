"""The templates run from a fresh kernel: with an honest report to their end, and with none to a kind question."""

import re

import pytest

from analysis import write_cohort
from analysis.lessons import lesson_notebook
from analysis.lessons.capstone import mark_folder, write_capstone, write_own_data
from analysis.lessons.capstone.folder import capstone_source
from analysis.lessons.source import read_cells
from analysis.report.running.notebooks import read_notebook, run_notebook
from synthetic_cohort import generate_cohort

from ..lesson_runs import LONG

NAMES = ("capstone", "capstone_own_data")
LONGEST, LONGEST_MEAN = 30, 14
#: An honest report of own data, by the beginning of each cell that waits for an answer.
OWN = {
    "problems = ...": "problems = []",
    "mended = ...": "mended = cohort\nmy_report.use(mended)",
    "my_report.claim(estimate=": (
        "row = curves.primary_differences().iloc[0]\n"
        "my_report.claim(estimate=row['estimate'], interval=(row['lower'], row['upper']))"
    ),
    "my_report.claim(verdict=": "my_report.claim(verdict='no difference shown', gained_more=None)",
    "my_report.claim(allocation=": "my_report.claim(allocation='by lot', wording='effect')",
    "improved = ...": (
        "improved = dict(zip(counts['protocol'], zip(counts['responders'], counts['n'])))\n"
        "my_report.claim(improved=improved, of_whom='patients seen')"
    ),
    "my_report.claim(not_seen=": "my_report.claim(not_seen=(3, len(who)), lost_goes_with='nothing found')",
}


def cells(name):
    return read_cells(capstone_source(name).read_text(encoding="utf-8"))


def shown(notebook):
    """Collect what the cells print."""
    outputs = [one for cell in notebook.cells for one in cell.get("outputs", [])]
    return [str(one.get("text", "")) + str(one.get("data", {}).get("text/plain", "")) for one in outputs]


@pytest.mark.slow
@pytest.mark.parametrize("seed", [0, 2, 13])
def test_the_capstone_runs_with_an_honest_report_and_is_marked_right(tmp_path, seed):
    write_capstone(tmp_path, seed, version="instructor")
    notebook, failure = run_notebook(read_notebook(tmp_path / "capstone_instructor.ipynb"), {}, working_folder=tmp_path)
    assert failure is None, failure
    assert not [text for text in shown(notebook) if LONG.search(text)]
    assert "All claims are made" in "".join(shown(notebook))
    assert "kneecurve mark" in shown(notebook)[-1]
    assert {mark.grade for mark in mark_folder(tmp_path)[1]} == {"right"}


@pytest.mark.slow
@pytest.mark.parametrize("name", NAMES)
def test_where_nothing_is_claimed_the_template_stops_with_a_question(tmp_path, name):
    if name == "capstone":
        write_capstone(tmp_path, 2)
    else:
        write_own_data(tmp_path)
        write_cohort(generate_cohort("knee replacement", patients=60, seed=1).observed, tmp_path / "cohort")
    notebook, failure = run_notebook(read_notebook(tmp_path / f"{name}.ipynb"), {}, working_folder=tmp_path)
    assert failure.error == "NotAnsweredYet"
    assert failure.message.startswith("Your turn. Which problems have the data")
    (error,) = [one for cell in notebook.cells for one in cell.get("outputs", []) if one.output_type == "error"]
    assert " ".join(error.traceback) == failure.message
    assert not (tmp_path / "claims.json").exists()


@pytest.mark.slow
def test_own_data_run_with_an_honest_report(tmp_path):
    write_own_data(tmp_path)
    write_cohort(generate_cohort("knee replacement", patients=90, seed=1).observed, tmp_path / "cohort")
    notebook = read_notebook(tmp_path / "capstone_own_data.ipynb")
    filled = 0
    for cell in notebook.cells:
        for begins, text in OWN.items():
            if "exercise" in cell.metadata.get("tags", []) and cell.source.startswith(begins):
                claim = "\nmy_report.claim(problems=problems)" if begins == "problems = ..." else ""
                cell.source, filled = text + claim, filled + 1
    assert filled == len(OWN)
    done, failure = run_notebook(notebook, {}, working_folder=tmp_path)
    assert failure is None, failure
    assert not [text for text in shown(done) if LONG.search(text)]
    assert "self_check.md" in shown(done)[-1]


@pytest.mark.parametrize("name", NAMES)
def test_the_learner_has_no_solutions_and_every_exercise_has_one_for_the_instructor(name):
    tags = [tag for cell in cells(name) for tag in cell.tags]
    learner = [tag for cell in lesson_notebook(capstone_source(name)).cells for tag in cell.metadata.get("tags", [])]
    assert not {"solution", "teaching-note"} & set(learner)
    assert tags.count("solution") == (tags.count("exercise") if name == "capstone" else 0)
    assert all(len(cell.text.splitlines()) <= 6 for cell in cells(name) if cell.kind == "code")


@pytest.mark.parametrize("name", NAMES)
def test_every_claim_is_asked_for_once_and_in_the_vocabulary(name):
    from analysis.lessons.capstone.claims import QUESTIONS
    from analysis.lessons.capstone.study import KINDS

    exercises = "\n".join(cell.text for cell in cells(name) if "exercise" in cell.tags)
    asked = re.findall(r"(\w+)=", re.sub(r"#.*", "", "\n".join(re.findall(r"my_report\.claim\((.*)\)", exercises))))
    assert set(asked) == set(QUESTIONS)
    text = "\n".join(cell.text for cell in cells(name))
    assert all(f'"{kind}"' in text for kind in KINDS)


@pytest.mark.parametrize("name", NAMES)
def test_sentences_are_short_and_a_caution_is_given(name):
    text = "\n\n".join(cell.text for cell in cells(name) if cell.kind == "markdown")
    assert "treating clinician" in text
    text = re.sub(r"[*#>]|^- ?", " ", re.sub(r"`[^`]*`", "code", text), flags=re.MULTILINE)
    found = [one.split() for part in re.split(r"\n", text) for one in re.split(r"(?<=[.?!:])\s+", part)]
    lengths = [len(words) for words in found if words]
    assert max(lengths) <= LONGEST
    assert sum(lengths) / len(lengths) <= LONGEST_MEAN

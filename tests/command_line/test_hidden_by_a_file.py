"""A file analysis.py of the user's hides the kit: the command and the first cell of every notebook say so."""

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from analysis.report import notebook_folder
from analysis.report.running.notebooks import read_notebook

ROOT = Path(__file__).resolve().parents[2]
REPORTS = sorted((notebook_folder() / "reports").glob("*.ipynb"))
LESSONS = sorted((notebook_folder() / "lessons").glob("*.md"))


@pytest.fixture
def run(tmp_path):
    """Run Python in a folder that holds a file analysis.py; ``before`` puts the folder before the kit."""
    (tmp_path / "analysis.py").write_text("print('mine')\n", encoding="utf-8")

    def go(*words, before=False):
        path = os.pathsep.join([str(tmp_path), str(ROOT)] if before else [str(ROOT)])
        environment = os.environ | {"PYTHONPATH": path}
        return subprocess.run(
            [sys.executable, *words], cwd=tmp_path, env=environment, capture_output=True, text=True, check=False
        )

    return go


def says_so(answer, folder):
    """Whether the last line of what went wrong is the one sentence."""
    last = answer.stderr.strip().splitlines()[-1]
    return f"The file {folder / 'analysis.py'} hides the kit" in last and last.endswith("start again.")


def first_cell(path):
    """Give the first cell of a report or lesson that uses the kit."""
    if path.suffix == ".md":
        cells = re.findall(r"```python[^\n]*\n(.*?)```", path.read_text(encoding="utf-8"), re.DOTALL)
    else:
        cells = [cell.source for cell in read_notebook(path).cells if cell.cell_type == "code"]
    return next(cell for cell in cells if "analysis" in cell)


def test_the_command_says_so(run, tmp_path):
    answer = run("-m", "kneecurve", "check", "cohort")
    assert answer.returncode == 1
    assert len(answer.stderr.strip().splitlines()) == 1
    assert says_so(answer, tmp_path)


def test_the_installed_command_says_so(run, tmp_path):
    script = "from kneecurve.__main__ import main; main()"
    assert says_so(run("-c", script, before=True), tmp_path)


@pytest.mark.parametrize("path", [*REPORTS, *LESSONS], ids=lambda path: path.stem)
def test_the_first_cell_of_a_notebook_says_so(run, tmp_path, path):
    answer = run("-c", first_cell(path))
    assert answer.returncode == 1
    assert says_so(answer, tmp_path)
    assert "mine" not in answer.stdout


def test_nothing_is_said_where_nothing_is_hidden(run, tmp_path):
    (tmp_path / "analysis.py").unlink()
    answer = run("-c", "import kneecurve, analysis; print(analysis.__file__)")
    assert (answer.returncode, answer.stderr) == (0, "")
    assert Path(answer.stdout.strip()) == ROOT / "analysis" / "__init__.py"


def test_the_command_also_runs_as_a_module(run, tmp_path):
    (tmp_path / "analysis.py").unlink()
    answer = run("-m", "kneecurve", "--help")
    assert answer.returncode == 0
    assert "report" in answer.stdout

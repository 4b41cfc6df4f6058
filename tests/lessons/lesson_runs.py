"""The sources of the lessons, and a way to run their notebooks in a kernel of their own."""

import re
import tomllib
from importlib import resources

from analysis.lessons import lesson_notebook, lesson_sources
from analysis.lessons.course.lesson_list import LESSONS
from analysis.lessons.source import read_cells
from analysis.report.running.notebooks import run_notebook

SOURCES = lesson_sources()
#: More digits than a learner can read; zeros before the first digit of a small number do not count.
LONG = re.compile(r"[1-9]\d*\.\d{5,}|0\.0*[1-9]\d{4,}|\d{7,}")
NUMBERS = [int(path.name[0]) for path in SOURCES]


def source_of(number):
    return SOURCES[NUMBERS.index(number)]


def cells_of(number):
    return read_cells(source_of(number).read_text(encoding="utf-8"))


def text_of(number, *, notes=True):
    cells = [cell for cell in cells_of(number) if cell.kind == "markdown"]
    return "\n\n".join(cell.text for cell in cells if notes or "teaching-note" not in cell.tags)


def exercises_of(number):
    """Name the exercises that have words, in the order of their file."""
    file = f"{LESSONS[number].__module__.rpartition('.')[2]}.toml"
    return tuple(tomllib.loads(resources.files("analysis.lessons.course").joinpath(file).read_text(encoding="utf-8")))


def run(number, version, folder, seed=1):
    notebook = lesson_notebook(source_of(number), version)
    start = next(cell for cell in notebook.cells if "start" in cell.metadata.get("tags", []))
    start.source = re.sub(r"^seed = \d+", f"seed = {seed}", start.source, flags=re.MULTILINE)
    return run_notebook(notebook, {}, working_folder=folder)

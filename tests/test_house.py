"""The house: rooms import one way, nothing goes in circles, folders stay small, and each says what is in it."""

import ast
import subprocess
import sys
from functools import cache
from pathlib import Path

import grimp
import pytest

ROOT = Path(__file__).resolve().parent.parent
FOLDERS = sorted({file.parent for file in (ROOT / "analysis").rglob("*.py") if "__pycache__" not in file.parts})
#: Files of a folder at most, beside its table of contents.
MOST = 16


@cache
def graph():
    """Read all imports of the kit, those for types only and those within functions too."""
    return grimp.build_graph("analysis", "synthetic_cohort", cache_dir=None)


def circles(imported):
    """Give the modules that can be reached from themselves, as sets (Tarjan's strongly connected components)."""
    number, lowest, stack, found = {}, {}, [], []

    def visit(module):
        number[module] = lowest[module] = len(number)
        stack.append(module)
        for other in sorted(imported[module]):
            if other not in number:
                visit(other)
                lowest[module] = min(lowest[module], lowest[other])
            elif other in stack:
                lowest[module] = min(lowest[module], number[other])
        if lowest[module] == number[module]:
            members = stack[stack.index(module) :]
            del stack[stack.index(module) :]
            if len(members) > 1:
                found.append(set(members))

    for module in sorted(imported):
        if module not in number:
            visit(module)
    return found


def test_rooms_import_from_the_rooms_below_them_only():
    program = Path(sys.executable).with_name("lint-imports")
    done = subprocess.run([program, "--no-cache"], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout
    assert " 0 broken" in done.stdout


def test_no_module_imports_itself_by_a_detour():
    imported = {module: graph().find_modules_directly_imported_by(module) for module in graph().modules}
    assert len(imported) > 250
    assert circles(imported) == []


def test_circles_are_found():
    assert circles({"a": {"b"}, "b": {"c"}, "c": {"b"}, "d": {"a"}}) == [{"b", "c"}]


@pytest.mark.parametrize("folder", FOLDERS, ids=lambda one: one.relative_to(ROOT).as_posix())
def test_a_folder_has_few_files_and_says_what_is_in_it(folder):
    files = sorted(file.stem for file in folder.glob("*.py") if file.stem not in {"__init__", "__main__"})
    assert len(files) <= MOST
    contents = ast.get_docstring(ast.parse((folder / "__init__.py").read_text(encoding="utf-8")))
    assert contents
    if "\n- ``" in contents:
        named = [line.split("``")[1] for line in contents.splitlines() if line.startswith("- ``")]
        assert sorted(named) == files

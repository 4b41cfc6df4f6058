"""The house: rooms import one way, nothing goes in circles, folders stay small, each says what is in it, tests mirror it."""

import ast
import re
import subprocess
import sys
from functools import cache
from pathlib import Path

import grimp
import pytest

ROOT = Path(__file__).resolve().parent.parent


def folders_of(*names):
    """Give the folders below those named that hold modules."""
    return sorted({file.parent for name in names for file in (ROOT / name).rglob("*.py")})


FOLDERS = folders_of("analysis", "kneecurve", "synthetic_cohort")
#: Where the rooms are that the folders of tests mirror: a package each.
PACKAGES = {
    **{folder.name: folder for folder in (ROOT / "analysis").iterdir() if (folder / "__init__.py").is_file()},
    "synthetic_cohort": ROOT / "synthetic_cohort",
}
#: Folders of tests of no one room: what is made of all rooms, and what is compared with outside.
OF_THE_WHOLE = {
    "benchmarks", "browser", "cohort/deidentification/corpus", "cohort/suggesting/corpus",
    "notebooks", "reference", "report/truths", "report/truths/others", "simulation",
}  # fmt: skip
#: Files of a folder at most, beside its table of contents; with more than so many the contents name each.
MOST, MOST_WITHOUT_CONTENTS = 16, 5


@cache
def graph():
    """Read all imports of the kit, those for types only and those within functions too."""
    return grimp.build_graph("analysis", "kneecurve", "synthetic_cohort", cache_dir=None)


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
    if len(files) > MOST_WITHOUT_CONTENTS:
        assert "\n- ``" in contents
    if "\n- ``" in contents:
        named = [line.split("``")[1] for line in contents.splitlines() if line.startswith("- ``")]
        assert sorted(named) == files


@pytest.mark.parametrize("folder", folders_of("tests"), ids=lambda one: one.relative_to(ROOT).as_posix())
def test_a_folder_of_tests_has_few_files(folder):
    assert len(list(folder.glob("*.py"))) <= MOST


def folders_without_a_room(tests):
    """Give the folders of tests, of those below ``tests``, that mirror no room of a package."""
    rooms = {(name, *room.relative_to(package).parts) for name, package in PACKAGES.items() for room in FOLDERS
             if room.is_relative_to(package)}  # fmt: skip
    return [
        places
        for places in tests
        if places and not {places[0], "/".join(places)} & OF_THE_WHOLE and places not in rooms
    ]


def test_folders_of_tests_mirror_the_rooms():
    below = [folder.relative_to(ROOT / "tests").parts for folder in folders_of("tests")]
    assert {name for name, *_ in filter(None, below)} >= {*PACKAGES, *(one for one in OF_THE_WHOLE if "/" not in one)}
    assert folders_without_a_room(below) == []


def test_a_folder_that_mirrors_no_room_is_found():
    known = [("curves", "engine"), ("synthetic_cohort",), ("reference", "mixed_models")]
    assert folders_without_a_room([*known, ("outcomes", "quarter"), ("fits",)]) == [("outcomes", "quarter"), ("fits",)]


@pytest.mark.parametrize("text", ["DEVELOPERS.md", "README.md"])
def test_files_that_are_named_exist(text):
    named = re.findall(r"`((?:[\w.]+/)+\w+\.(?:py|toml|csv|md))`", (ROOT / text).read_text(encoding="utf-8"))
    named = [name for name in named if "N_name" not in name]
    assert named
    places = [ROOT, ROOT / "analysis", ROOT / "synthetic_cohort"]
    assert [name for name in named if not any((place / name).is_file() for place in places)] == []


def modules_mapped(text):
    """Give the rows of the module maps: the package, the rooms and the modules of each."""
    found = []
    for part in re.findall(r"^## \w+, module by module\n(.*?)(?=^## )", text, re.MULTILINE | re.DOTALL):
        package = re.search(r"`(analysis/\w+)`", part)[1]
        rows = re.findall(r"^\| (.*?) \| (.*?) \|", part, re.MULTILINE)
        found.extend((package, *(re.findall(r"`(\w+)`", cell) for cell in row)) for row in rows)
    return found


def test_modules_of_the_maps_exist_where_they_are_said_to_be():
    mapped = modules_mapped((ROOT / "DEVELOPERS.md").read_text(encoding="utf-8"))
    assert {package for package, *_ in mapped} == {
        f"analysis/{name}" for name in ("cohort", "curves", "outcomes", "report")
    }
    absent = []
    for package, rooms, modules in mapped:
        places = [ROOT / package, *(ROOT / package / room for room in rooms)]
        places = places if rooms else list((ROOT / package).rglob("."))
        absent += [name for name in modules if not any((place / f"{name}.py").is_file() for place in places)]
    assert absent == []


@pytest.mark.parametrize("package", ["curves", "outcomes"])
def test_the_map_has_every_module(package):
    files = {file.stem for file in (ROOT / "analysis" / package).rglob("*.py")} - {"__init__"}
    mapped = modules_mapped((ROOT / "DEVELOPERS.md").read_text(encoding="utf-8"))
    assert {name for at, _, modules in mapped if at == f"analysis/{package}" for name in modules} == files

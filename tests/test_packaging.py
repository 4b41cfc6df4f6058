"""The files that say what is installed agree with each other."""

import re
import tomllib
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.version import Version

ROOT = Path(__file__).resolve().parent.parent
#: conda-forge names where they differ from the name on the Python index.
CONDA_NAMES = {"matplotlib": "matplotlib-base"}


def declared():
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    tests = project["optional-dependencies"]["test"]
    return [Requirement(line) for line in project["dependencies"] + tests]


def extra(name):
    return set(tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]["optional-dependencies"][name])


def test_what_users_can_add_is_tested():
    assert extra("cluster") <= extra("test")


def pinned():
    lines = (ROOT / "constraints.txt").read_text().splitlines()
    return dict(line.split("==") for line in lines if line and not line.startswith("#"))


def conda():
    """Read the name=version lines of environment.yml, those installed by pip within it included."""
    lines = (ROOT / "environment.yml").read_text().splitlines()
    found = (re.fullmatch(r"\s*- ([A-Za-z0-9_.-]+)==?([0-9][^\s]*)", line) for line in lines)
    return {match[1]: match[2] for match in found if match}


@pytest.mark.parametrize("requirement", declared(), ids=lambda requirement: requirement.name)
def test_every_declared_package_is_pinned_to_a_version_it_admits(requirement):
    assert Version(pinned()[requirement.name]) in requirement.specifier


@pytest.mark.parametrize("requirement", declared(), ids=lambda requirement: requirement.name)
def test_conda_environment_has_the_same_versions(requirement):
    name = CONDA_NAMES.get(requirement.name, requirement.name)
    assert conda()[name] == pinned()[requirement.name]


def test_conda_environment_has_nothing_undeclared():
    names = {CONDA_NAMES.get(requirement.name, requirement.name) for requirement in declared()}
    assert set(conda()) - names == {"python", "pip"}


def test_constraints_hold_names_and_versions_only():
    lines = (ROOT / "constraints.txt").read_text().splitlines()
    assert all(line.startswith("#") or re.fullmatch(r"[A-Za-z0-9_.-]+==[0-9A-Za-z.+!]+", line) for line in lines)

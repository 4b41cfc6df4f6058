"""The page on protocols over sites: its code runs as it stands there, and every command and option that it names exists."""

import re
from pathlib import Path

import typer.main

from analysis.__main__ import app
from synthetic_cohort import generate_cohort

from .sites_of import by_site, with_sites

PAGE = Path(__file__).resolve().parents[2] / "docs" / "protocols-over-sites.md"


def test_the_code_runs_as_it_stands():
    (block,) = re.findall(r"<!-- runs -->\n```python\n(.*?)```", PAGE.read_text(encoding="utf-8"), flags=re.DOTALL)
    cohort = with_sites(generate_cohort(patients=90, seed=2).observed, 2)
    held = {"cohort": cohort, "parts": list(by_site(cohort).values())}
    exec(block, held)
    assert held["total"].n_patients == 90


def test_the_commands_and_options_exist():
    text = PAGE.read_text(encoding="utf-8").replace("\\\n", " ")
    named = re.findall(r"^kneecurve (sites \w+|report)(.*)$", text, flags=re.MULTILINE)
    assert {command for command, _ in named} == {
        "sites plan", "sites summarise", "sites combine", "sites seed", "report",
    }  # fmt: skip
    commands = typer.main.get_command(app).commands
    for command, rest in named:
        first, _, second = command.partition(" ")
        found = commands[first].commands[second] if second else commands[first]
        known = {option for one in found.params for option in one.opts}
        assert set(re.findall(r"--[\w-]+", rest)) <= known, command

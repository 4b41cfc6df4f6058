"""The command line called as a user calls it, in this process."""

import sys
from dataclasses import dataclass

import pytest

from analysis.__main__ import main


@dataclass(frozen=True)
class Answer:
    code: int
    out: str
    err: str


@pytest.fixture
def kneecurve(monkeypatch, capfd):
    """Run ``kneecurve WORDS`` and give its exit code and what it printed."""

    def run(*words):
        monkeypatch.setattr(sys, "argv", ["kneecurve", *map(str, words)])
        capfd.readouterr()
        try:
            main()
            code = 0
        except SystemExit as end:
            code = end.code or 0
        printed = capfd.readouterr()
        return Answer(code, printed.out, printed.err)

    return run

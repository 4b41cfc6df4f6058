"""Ask a person at a terminal about each line of a suggested map that is not sure, and write the answers into it."""

from __future__ import annotations

import os
import re
from collections.abc import Mapping
from pathlib import Path
from typing import NamedTuple

import pandas as pd

from analysis.cohort.files.paths import refuse_no_file
from analysis.cohort.files.settings_files import explained_toml
from analysis.cohort.importing.map_reference import LEVELS
from analysis.cohort.recognition.recognise_columns import hold_numbers
from analysis.cohort.recognition.visit_times import visit_time
from analysis.cohort.suggesting import questions
from analysis.cohort.suggesting.map_text import LEVEL_LINE, LEVEL_NOT_ASKED, QUARTER_LINE, quoted
from analysis.cohort.suggesting.questions import Answer, choose, column_of, column_or_none
from analysis.cohort.suggesting.suggest_map import read_columns, suggested_text
from analysis.foreign_text import visible
from analysis.writing.owners import new_token

_MARK = re.compile(r"(?:^|  )# not sure: (?P<why>.*)$")
_LEFT = re.compile(r"^# Lines to answer: \d+\.$", re.MULTILINE)
_REFERENCE = "# reference = ..."
_ABOUT = {
    "column": "The time of the visits", "counted_from": "Week 0",
    "unit": "The unit of the times", "protocol": "The protocol", "date_format": "The dates",
}  # fmt: skip
#: More protocols than this are not offered as a reference.
_MOST_PROTOCOLS = 8


class AnsweredMap(NamedTuple):
    """What became of the questions: how many lines are open, whether a person stopped, whether it is a part of a map."""

    left: int
    stopped: bool
    is_part: bool


def answer_map(file: str | os.PathLike[str], map_file: str | os.PathLike[str], answer: Answer) -> AnsweredMap:
    r"""Ask about each line that is not sure: of a first map of the file, or of the one that is there, where it was left.

    ``answer`` shows a question and gives what was typed. Ctrl-C and the end of the input (KeyboardInterrupt, EOFError) end
    the questions: lines that were answered are written, the others keep their mark. Without any answer nothing is written.

    Raises
    ------
    CohortError
        The file cannot be read, or the map that is there is no TOML.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as place:
    ...     data, written = Path(place) / "scores.csv", Path(place) / "scores.toml"
    ...     _ = data.write_text("id,koos_pain_pre,koos_pain_6w\nP1,44,58\nP2,51,60\n")
    ...     answer_map(data, written, lambda question: ""), 'constant = "all"' in written.read_text()
    (AnsweredMap(left=0, stopped=False, is_part=False), True)
    """
    target = Path(map_file)
    refuse_no_file(target)
    if target.exists():
        explained_toml(target, "map file", "see the maps in the documentation")
        text, cells = target.read_text(encoding="utf-8"), read_columns(Path(file))
    else:
        text, cells, _ = suggested_text(Path(file))
    asked = _Asked(text, cells, answer)
    stopped = False
    try:
        asked.all()
    except (KeyboardInterrupt, EOFError):
        stopped = True
    if asked.n_answered or not (stopped or target.exists()):
        _write(target, asked.text())
    return AnsweredMap(asked.left, stopped, asked.is_part)


class _Asked:
    """A map as blocks of lines, of which the open ones are asked and put right one after the other."""

    def __init__(self, text: str, cells: Mapping[str, pd.Series], answer: Answer) -> None:
        self.blocks = [block.split("\n") for block in text.rstrip("\n").split("\n\n")]
        self.cells, self.answer = cells, answer
        self.n_answered = 0

    @property
    def left(self) -> int:
        """Number of lines that are not answered."""
        return sum(_MARK.search(line) is not None for block in self.blocks for line in block)

    @property
    def is_part(self) -> bool:
        """Say whether the map is a part of the map of other files."""
        return any("this is a part of a map" in line for line in self.blocks[0])

    def text(self) -> str:
        """Give the map as it stands."""
        whole = "\n\n".join("\n".join(block) for block in self.blocks if block) + "\n"
        return _LEFT.sub(f"# Lines to answer: {self.left}.", whole)

    def all(self) -> None:
        """Ask every open line, in the order of the map; each answer stands before the next question is asked."""
        while (place := self._next()) is not None:
            block, i, mark = place
            lines = self._asked(block, i, mark)
            if lines is None:  # the whole block goes
                self.blocks.remove(block)
            else:
                block[i : i + 1] = lines
            self.n_answered += 1
        self._reference()
        self.level()

    def _next(self) -> tuple[list[str], int, re.Match[str]] | None:
        """Find the first open line: its block, its place in it and its mark."""
        lines = ((block, i, _MARK.search(line)) for block in self.blocks for i, line in enumerate(block))
        return next(((block, i, mark) for block, i, mark in lines if mark is not None), None)

    def _asked(self, block: list[str], i: int, mark: re.Match[str]) -> list[str] | None:
        """Ask one line and give the lines in its place; None where its block goes."""
        line, why = block[i][: mark.start()].rstrip(), visible(mark["why"])
        key, _, value = line.partition(" = ")
        key = "counted_from" if key == "# counted_from" else key
        section = next((one for one in reversed(block[: i + 1]) if one.startswith("[")), "").split("  #")[0]
        now = value[1:-1] if value.startswith('"') else None
        about = self._about(block, key, value)
        question = f"\n{about}: {why}"
        if section == "[week.names]":
            return self._visit_name(block, key, line)
        if not line.strip("#"):
            self.answer(f"\nAbout the file: {why}\n  Enter to go on: ")
            return [f"# {why}"]
        if line.startswith("[measures."):
            return self._own_measure(block, line)
        if section == "[week]" and key == "column":
            return self._week(block, question, now)
        if key == "counted_from":
            operated = any(one.startswith("procedure = ") for one in block_of(self.blocks, "[patients]"))
            return questions.week_zero(self.answer, question) if operated else []
        if key == "unit":
            return [f'unit = "{questions.time_unit(self.answer, question)}"']
        if key == "date_format" and now is not None:
            other = now.translate(str.maketrans("dm", "md"))
            forms = [now, other]
            shown = [
                f"{form.replace('%d', 'day').replace('%m', 'month').replace('%Y', 'year').replace('%y', 'year')}"
                for form in forms
            ]
            return [f"date_format = {quoted(forms[choose(self.answer, question, shown)])}"]
        if key == "protocol":
            column = column_or_none(self.answer, question, self.cells, now=now, none="none: all patients had the same")
            if column is not None and not any("reference = " in line for line in self._head()):
                self._head().append(f"{_REFERENCE}  # the protocol that the others are compared with")
            return [f"protocol = {quoted(column)}" if column is not None else 'protocol = { constant = "all" }']
        if key in ("patient_id", "date", "start", "limb_column") and now is not None and "involved_side" not in why:
            return [f"{key} = {quoted(column_of(self.answer, question, self.cells, now=now))}"]
        if key == "limb" and now is not None:
            return self._limb(question, now)
        if key == "measure" and section == "[[values]]":
            name = questions.measure_of_name(self.answer, question, now=now)
            return None if name is None else [f'measure = "{name}"']
        if key == "columns":
            return [questions.timed_columns(self.answer, line, self.cells)]
        if key == "measures":
            limbs = not any(one.startswith("limb_column") for one in block)
            return [questions.labelled_measures(self.answer, line, limbs=limbs)]
        if key == "limb_column":
            self._side(question)
            return [line]
        return self._other(question, line)

    def _about(self, block: list[str], key: str, value: str) -> str:
        """Say which column a line is about, and what it seems to be."""
        names = re.findall(r'"((?:[^"\\]|\\.)*)"', "\n".join([value, *block]))
        found = next((name for name in names if name in self.cells), None)
        if key in _ABOUT or found is None:
            return _ABOUT.get(key, key)
        return f"{visible(found)} ({questions.seems(self.cells[found])}), as {key}"

    def _visit_name(self, block: list[str], key: str, line: str) -> list[str]:
        name = key
        if not line.strip("#"):  # a name that is not shown
            column = next(
                one.split(" = ")[1].strip('"') for one in block_of(self.blocks, "[week]") if one.startswith("column")
            )
            known = {one.partition(" = ")[0] for one in block}
            labels = [str(label) for label in self.cells[column].dropna().unique()]
            name = next(
                (quoted(label) for label in labels if visit_time(label) is None and quoted(label) not in known), ""
            )
            if not name:
                return []
        shown = questions.label_text(name[1:-1])
        time = questions.time_of(self.answer, f"\nWhen is the visit {visible(shown)}?", enter="leave it out")
        return [f"{name} = {time or quoted('leave out')}"]

    def _own_measure(self, block: list[str], line: str) -> list[str] | None:
        name = line[len("[measures.") : -1]
        column = next((one.split(" = ", 1)[1] for entry in self.blocks if f'measure = "{name}"' in entry
                       for one in entry if one.startswith("column")), name)  # fmt: skip
        there = re.findall(r'"((?:[^"\\]|\\.)*)"', column)
        shown = (
            f"{visible(there[0])} ({questions.seems(self.cells[there[0]])})"
            if there and there[0] in self.cells
            else name
        )
        lines = questions.own_measure(self.answer, f"\n{shown}", [line, *block[1:]])
        if not lines:
            self.blocks = [
                one for one in self.blocks if f'measure = "{name}"' not in one or not one[0].startswith("[[values]]")
            ]
            return None
        del block[1:]
        return lines

    def _week(self, block: list[str], question: str, now: str | None) -> list[str]:
        column = column_of(self.answer, question, self.cells, now=now if now in self.cells else None)
        if column == now:
            return [f"column = {quoted(column)}"]
        block[:] = [one for one in block if not one.startswith(("unit = ", "origin = "))]
        lines = [f"column = {quoted(column)}"]
        if hold_numbers(self.cells[column]):
            return [*lines, f'unit = "{questions.time_unit(self.answer, f"The unit of {visible(column)}")}"']
        labels = [str(label) for label in self.cells[column].dropna().unique()]
        names = [
            self._visit_name(lines, quoted(label), quoted(label))[0] for label in labels if visit_time(label) is None
        ]
        return [*lines, *(["", "[week.names]", *names] if names else [])]

    def _limb(self, question: str, now: str) -> list[str]:
        limb = questions.limb_of(self.answer, question, now=now)
        if limb in ("right", "left"):
            self._side(f"\n{limb} becomes involved or uninvolved by the operated side")
        return [f'limb = "{limb}"']

    def _side(self, question: str) -> None:
        """Ask for the column with the operated side, where the map has none yet."""
        patients = block_of(self.blocks, "[patients]")
        if any(one.startswith("involved_side") for one in patients):
            return
        column = column_of(self.answer, f"{question}\n  In which column is the operated side?", self.cells, now=None)
        patients.append(f"involved_side = {quoted(column)}")

    def _other(self, question: str, line: str) -> list[str]:
        typed = (
            self.answer(f"{question}\n  {visible(line)}\n  y to take it so, or Enter to leave it out: ")
            .strip()
            .casefold()
        )
        return [line] if typed in ("y", "yes") else [f"# {line}"]

    def _head(self) -> list[str]:
        """Give the lines that stand before all sections."""
        return next((block for block in self.blocks if any(line.startswith("layout = ") for line in block)), [])

    def _reference(self) -> None:
        """Ask which protocol the others are compared with, where the map does not say it."""
        head = self._head()
        place = next((i for i, line in enumerate(head) if line.startswith(_REFERENCE)), None)
        column = next(
            (
                one[len('protocol = "') : -1]
                for one in block_of(self.blocks, "[patients]")
                if one.startswith('protocol = "')
            ),
            "",
        )
        if place is None or column not in self.cells:
            return
        labels = [str(label) for label in self.cells[column].dropna().unique()]
        shown = [questions.label_text(label) for label in labels]
        if not 2 <= len(labels) <= _MOST_PROTOCOLS or len(set(shown)) < len(shown):
            return
        options = [*shown, "not said: a report takes the first and says so"]
        chosen = choose(self.answer, "\nWhich protocol are the others compared with?", options, default=len(labels))
        said = f"reference = {quoted(labels[chosen])}" if chosen < len(labels) else f"# {options[-1]}"
        head[place] = said
        self.n_answered += 1

    def level(self) -> None:
        """Ask for the level of de-identification, where the map does not say it."""
        head = self._head()
        place = next((i for i, line in enumerate(head) if line.startswith(LEVEL_LINE)), None)
        if place is None:
            return
        options = [f"{name}: {said}" for name, said in LEVELS.items()]
        chosen = list(LEVELS)[choose(self.answer, "\nAt which level of de-identification?", options, default=0)]
        head[place : place + len(LEVEL_NOT_ASKED)] = [f"privacy = {quoted(chosen)}"]
        if chosen == "limited":
            patients = block_of(self.blocks, "[patients]")
            patients[:] = [
                line.partition("  #")[0].removeprefix("# ") if line.startswith(QUARTER_LINE) else line
                for line in patients
            ]
        self.n_answered += 1


def ask_level(map_file: str | os.PathLike[str], answer: Answer) -> None:
    r"""Ask for the level of de-identification alone and write it into a suggested map; without an answer the map stays as it is.

    Examples
    --------
    >>> import tempfile
    >>> from analysis.cohort.suggesting.suggest_map import suggest_map
    >>> with tempfile.TemporaryDirectory() as place:
    ...     data, written = Path(place) / "scores.csv", Path(place) / "scores.toml"
    ...     _ = data.write_text("id,arm,quarter,koos_pain_pre,koos_pain_6w\nP1,usual,2026-Q1,44,58\nP2,early,2026-Q2,51,60\n")
    ...     _ = suggest_map(data, written)
    ...     ask_level(written, lambda question: "2")
    ...     print(*(line for line in written.read_text().splitlines() if line.startswith(("privacy", "quarter"))), sep="\n")
    privacy = "limited"
    quarter = "quarter"
    """
    target = Path(map_file)
    asked = _Asked(target.read_text(encoding="utf-8"), {}, answer)
    try:
        asked.level()
    except (KeyboardInterrupt, EOFError):
        return
    if asked.n_answered:
        _write(target, asked.text())


def block_of(blocks: list[list[str]], section: str) -> list[str]:
    """Give the lines of a section; none where the map has no such section."""
    return next((block for block in blocks if block[0].split("  #")[0] == section), [])


def _write(target: Path, text: str) -> None:
    part = target.with_name(f".{target.name}.part-{new_token()}")
    try:
        part.write_text(text, encoding="utf-8", newline="\n")
        part.replace(target)
    finally:
        part.unlink(missing_ok=True)

"""The questions that an open line of a suggested map is: what may be answered, and the line that an answer makes of it.

Each takes the line without its mark and gives the lines in its place; nothing where the line is left out. A person types a
number of a list, a time, or a word; what cannot be read is asked again.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence

import pandas as pd

from analysis.cohort.catalogue import load_catalogue
from analysis.cohort.importing.map_reference import LEAVE_OUT
from analysis.cohort.measures import Measure
from analysis.cohort.recognition.header_words import header_words
from analysis.cohort.recognition.recognise_columns import described, fits_surely, hold_numbers
from analysis.cohort.recognition.trade_words import shown_cell
from analysis.cohort.recognition.visit_times import WEEKS_IN, visit_time
from analysis.cohort.suggesting.map_text import quoted
from analysis.foreign_text import shape, visible

Answer = Callable[[str], str]
_TIME = 'a number of weeks, or a time with its unit such as "3 days" or "6 mo"'
_PAIR = r'("(?:[^"\\]|\\.)*") = ("(?:[^"\\]|\\.)*"|[-\d.]+)'


def choose(answer: Answer, question: str, options: Sequence[str], *, default: int | None = None) -> int:
    """Show numbered options and give the place of the chosen one; Enter takes the default, where there is one."""
    lines = [f"  {i}  {visible(option)}" for i, option in enumerate(options, start=1)]
    end = "Number: " if default is None else f"Number (Enter: {default + 1}): "
    while True:
        typed = answer("\n".join([question, *lines, f"  {end}"])).strip()
        if not typed and default is not None:
            return default
        if typed.isascii() and typed.isdigit() and 1 <= int(typed) <= len(options):
            return int(typed) - 1
        question = f"{visible(typed)!r} is none of the numbers."


def column_of(answer: Answer, question: str, cells: Mapping[str, pd.Series], *, now: str | None) -> str:
    """Let a person choose a column; Enter takes the one that the map names now."""
    names = list(cells)
    default = names.index(now) if now in names else None
    return names[choose(answer, question, [f"{name}: {seems(cells[name])}" for name in names], default=default)]


def column_or_none(
    answer: Answer, question: str, cells: Mapping[str, pd.Series], *, now: str | None, none: str
) -> str | None:
    """Let a person choose a column, or none of them; ``none`` says what that means."""
    names = list(cells)
    options = [*(f"{name}: {seems(cells[name])}" for name in names), none]
    default = names.index(now) if now in names else len(names) if now is None else None
    chosen = choose(answer, question, options, default=default)
    return names[chosen] if chosen < len(names) else None


def seems(values: pd.Series) -> str:
    """Say what the cells of a column seem to be: a range, labels of the trade, or shapes; never the cell of somebody."""
    said = described(values, number=hold_numbers(values))
    texts = [shape(str(text)) for text in values.dropna().unique()[:200]]
    return f"{said} such as {texts[0]}" if said.endswith("different texts") and texts else said


def time_of(answer: Answer, question: str, *, enter: str) -> str | None:
    """Ask for a time and give it as a map writes it; None for Enter, of which ``enter`` says what it means."""
    while True:
        typed = answer(f"{question}\n  {_TIME[0].upper()}{_TIME[1:]} (Enter: {enter}): ").strip().strip('"')
        if not typed:
            return None
        if re.fullmatch(r"-?\d+(?:\.\d+)?", typed):
            return typed
        found = visit_time(typed)
        if found is not None:
            return quoted(f"{found[0]:g} {found[1]}")
        question = f"{visible(typed)!r} is no time."


def measure_of_name(answer: Answer, question: str, *, now: str | None) -> str | None:
    """Ask which known measure a column holds: y for the one that it seems to be, the name of another, Enter for none."""
    known = load_catalogue()
    seems_so = "" if now is None or now not in known else f"y for {_of(known[now])}, "
    while True:
        typed = answer(
            f"{question}\n  {seems_so}the name of another measure, ? for all names, or Enter to leave it out: "
        ).strip()
        if not typed:
            return None
        name = now if typed.casefold() in ("y", "yes") else typed.casefold().replace(" ", "_")
        if name in known:
            return name
        question = ", ".join(known) if typed == "?" else f"{visible(typed)!r} is no known measure."


def time_unit(answer: Answer, question: str) -> str:
    """Ask for the unit of times, of which none is more likely than the others."""
    units = list(WEEKS_IN)
    return units[choose(answer, question, units)]


def week_zero(answer: Answer, question: str) -> list[str]:
    """Ask what week 0 is, which decides by what a report counts responders; Enter leaves it open."""
    options = [
        "surgery, and the baseline was measured before it",
        "surgery, and the first values come after it",
        "the start of a programme, whose first visit is the baseline",
        "not said: reports then do not choose a state after surgery",
    ]
    chosen = choose(answer, question, options, default=len(options) - 1)
    lines = {
        0: ['counted_from = "surgery"'],
        1: [
            'counted_from = "surgery"',
            "# no value before surgery: a report counts change with change_from='first after start'",
        ],
        2: ['counted_from = "programme"'],
    }
    return lines.get(chosen, [f"# counted_from: {options[-1]}"])


def timed_columns(answer: Answer, line: str, cells: Mapping[str, pd.Series]) -> str:
    """Ask for the time of each column whose name says none with a unit."""

    def asked(match: re.Match[str]) -> str:
        name, now = match[1], match[2]
        header = header_words(name[1:-1])
        if header.unit is not None or header.baseline:
            return match[0]
        seen = f" ({seems(cells[name[1:-1]])})" if name[1:-1] in cells else ""
        return f"{name} = {time_of(answer, f'When is {visible(name)}{seen}?', enter=now) or now}"

    return re.sub(_PAIR, asked, line)


def labelled_measures(answer: Answer, line: str, *, limbs: bool) -> str:
    """Ask for the measure of each label that says no known one for sure."""
    known = load_catalogue()

    def asked(match: re.Match[str]) -> str:
        label, now = match[1], match[2].strip('"')
        header = header_words(label[1:-1])
        if header.measure is not None and fits_surely(header):
            return match[0]
        seen = now.split()[0] if now != LEAVE_OUT else None
        name = measure_of_name(answer, f"What is {visible(label)}?", now=seen)
        if name is None:
            return f"{label} = {quoted(LEAVE_OUT)}"
        if "involved" not in known[name].limbs or not limbs:
            return f"{label} = {quoted(name)}"
        limb = limb_of(answer, f"Which limb is {visible(label)}?")
        return f"{label} = {quoted(f'{name} {limb}')}"

    return re.sub(_PAIR, asked, line)


def limb_of(answer: Answer, question: str, *, now: str | None = None) -> str:
    """Ask which limb a column is of."""
    limbs = ["involved", "uninvolved", "right", "left"]
    return limbs[choose(answer, question, limbs, default=limbs.index(now) if now in limbs else None)]


def own_measure(answer: Answer, name: str, lines: list[str]) -> list[str]:
    """Ask for the direction, unit and range of a measure that is not known; nothing where it is left out."""
    chosen = choose(
        answer,
        f"{name} is no known measure. Which direction is the better one?",
        ["higher is better", "lower is better", "leave it out"],
        default=2,
    )
    if chosen == 2:
        return []
    answers = {"direction": quoted(["higher is better", "lower is better"][chosen])}
    now = dict(line.split(" = ", 1) for line in lines[1:])
    answers["unit"] = quoted(
        answer(f"  Its unit (Enter: {now['unit'].strip(chr(34))}): ").strip() or now["unit"].strip('"')
    )
    for key in ("lowest", "highest"):
        answers[key] = _number(
            answer, f"  The {key} value that is possible (Enter: {now[key]}, by what is seen): ", now[key]
        )
    return [lines[0], *(f"{key} = {answers.get(key, was)}" for key, was in now.items())]


def label_text(label: str) -> str:
    """Give a label as a question may show it."""
    return quoted(shown_cell(label))


def _number(answer: Answer, question: str, now: str) -> str:
    while True:
        typed = answer(question).strip().replace(",", ".")
        if not typed:
            return now
        if re.fullmatch(r"-?\d+(?:\.\d+)?", typed):
            return typed


def _of(measure: Measure) -> str:
    return f"{measure.name} ({measure.label[0].lower()}{measure.label[1:]}, {measure.unit}, {measure.lowest:g} to {measure.highest:g})"

"""Hold a suggested map against the truth of a style: each column is mapped right, wrong, or left open.

Open is what the map does not use, or marks as not sure, whatever it says there. A column that no file tells (``open`` in the
corpus) is wrong where it is mapped without a mark. The map is read as plain TOML, so that one that cannot be imported yet
counts too.
"""

from __future__ import annotations

import re
import tomllib
from collections import Counter
from typing import Any, NamedTuple

from analysis.cohort import suggest_map
from analysis.cohort.findings import FindingList
from analysis.cohort.importing.map_keys import FileFormat, Keys, read_format
from analysis.cohort.importing.map_reference import FILE
from analysis.cohort.importing.sources import Sources
from analysis.cohort.suggesting.map_text import quoted
from analysis.errors import CohortError

from .corpus import Column, Style

_UNUSED = ("unused", "identifier", "home")
_WEEKS = {"day": 1 / 7, "week": 1.0, "month": 365.25 / 12 / 7, "year": 365.25 / 7}
Use = tuple[Any, ...]


class Scored(NamedTuple):
    """The judgement of every column of a style, in the order of the file."""

    style: Style
    judged: list[tuple[str, str, list[Use]]]

    @property
    def counts(self) -> Counter[str]:
        """How many columns are right, wrong and open."""
        return Counter(said for _, said, _ in self.judged)


def scored(style: Style) -> Scored:
    """Suggest a map of the file beside it, and judge its columns."""
    target = style.path.with_suffix(".toml")
    try:
        suggest_map(style.path, target)
    except CohortError:  # no map, so that all is left open
        return Scored(style, [(" ".join(column.header), "open", []) for column in style.columns])
    text = target.read_text(encoding="utf-8")
    data = tomllib.loads(text)
    names = _names(style, data)
    uses = _uses(data)
    marked = _marked(text, data)
    judged = []
    for name, column in zip(names, style.columns, strict=True):
        found = uses.get(name, [])
        judged.append((name, _judge(column, style, found, name in marked), found))
    return Scored(style, judged)


def _names(style: Style, data: dict[str, Any]) -> list[str]:
    form = read_format(Keys(data.get("file", {}), "map", "file", FILE), FileFormat())
    return Sources(style.path, "map", FindingList()).column_names(form)


def _judge(column: Column, style: Style, found: list[Use], marked: bool) -> str:
    kind = column.truth[0]
    if not found or marked:
        return "right" if not found and kind in _UNUSED else "open"
    if column.truth[-1] == "open" or kind in _UNUSED:
        return "wrong"
    return "right" if all(_fits(column.truth, style, use) for use in found) else "wrong"


def _fits(truth: tuple[str, ...], style: Style, use: Use) -> bool:
    kind = truth[0]
    if kind != use[0]:
        return False
    if truth == ("baseline",):
        return use[1] == "value"
    if kind in ("measure", "baseline"):
        limb = "row" if use[2] == "column" else use[2]
        when = _weeks(truth[3]) if len(truth) > 3 else None
        told = use[3] if len(use) > 3 else None
        return truth[1:3] == (use[1], limb) and (when == told or abs((when or 0) - (told or 0)) < 1e-6)
    if kind == "date":
        return len(truth) == 1 or abs(_weeks(truth[1]) - use[1]) < 1
    if kind == "parameter":
        return all((measure, limb) == use[1].get(label, (None, None)) or (use[2] and use[1].get(label, ("",))[0] == measure)
                   for label, (measure, limb) in style.labels.items())  # fmt: skip
    return truth[1:2] == use[1:2] if len(use) > 1 else True


def _weeks(time: Any) -> float:
    """Give a time in weeks: of the corpus, or of a map as a number or a text with its unit."""
    text = str(time)
    match = re.fullmatch(r"(-?[\d.]+) ?(d|mo|day|week|month|year)?s?", text)
    if match is None:
        raise AssertionError(text)
    unit = {"d": "day", "mo": "month", None: "week"}.get(match[2], match[2])
    return float(match[1]) * _WEEKS[unit or "week"]


def _uses(data: dict[str, Any]) -> dict[str, list[Use]]:
    """Give what the map takes each column for."""
    uses: dict[str, list[Use]] = {}

    def use(column: Any, *what: Any) -> None:
        if isinstance(column, str):
            uses.setdefault(column, []).append(what)

    for key, given in data.get("patients", {}).items():
        known = {"patient_id": ("patient",), "protocol": ("protocol",), "involved_side": ("side",)}
        use(
            given["column"] if isinstance(given, dict) and "column" in given else given,
            *known.get(key, ("covariate", key)),
        )
    week = data.get("week", {})
    unit = _WEEKS[week.get("unit", "weeks").removesuffix("s")]
    if "names" in week:
        use(week.get("column"), "visit")
    else:
        use(week.get("column"), "week", week.get("unit", "weeks"))
    use(week.get("date"), "date")
    use(week.get("start"), "start")
    for time, column in week.get("dates", {}).items():
        use(column, "date", float(time) * unit if re.fullmatch(r"-?[\d.]+", time) else _weeks(time))
    for entry in data.get("values", []):
        _use_values(entry, unit, use)
    for section in ("sessions", "session_log", "brace_limits", "events"):
        for given in data.get(section, {}).values():
            use(given, "home")
    return uses


def _use_values(entry: dict[str, Any], unit: float, use: Any) -> None:
    limb = "column" if "limb_column" in entry else entry.get("limb", "none")
    for column, time in entry.get("columns", {}).items():
        use(
            column, "measure", entry["measure"], limb, float(time) * unit if not isinstance(time, str) else _weeks(time)
        )
    if "limb_column" in entry:
        use(entry["limb_column"], "limb")
    if "measure_column" in entry:
        labels = {
            label: tuple(what.split()) if " " in what else (what, "none") for label, what in entry["measures"].items()
        }
        use(entry["measure_column"], "parameter", labels, "limb_column" in entry)
        use(entry.get("column"), "value")
        use(entry.get("baseline"), "baseline", *("value",))
    elif "column" in entry:
        use(entry["column"], "measure", entry["measure"], limb)
        use(entry.get("baseline"), "baseline", entry["measure"], limb)


def _marked(text: str, data: dict[str, Any]) -> set[str]:
    """Give the columns of which the map says that it is not sure."""
    everything = list(_uses(data))
    marked = set()
    for block in text.split("\n\n"):
        lines = [line for line in block.splitlines() if "# not sure" in line]
        whole = block.startswith(("[[values]]", "[week", "[session", "[brace", "[events"))
        for name in everything:
            if lines and any(quoted(name) in line for line in (block.splitlines() if whole else lines)):
                marked.add(name)
        if lines and block.startswith("[week]") and 'layout = "wide"' in text:
            marked |= {name for entry in data.get("values", []) for name in entry.get("columns", {})}
        if lines and block.startswith("[week.names]"):
            marked.add(data["week"]["column"])
    for entry in data.get("values", []):
        if entry.get("measure") in data.get("measures", {}):
            marked |= {*entry.get("columns", {}), entry.get("column")}
    return marked


def table(results: list[Scored]) -> str:
    """Give one line a theme and the sum: columns right, wrong, open."""
    lines = [f"{'theme':18}{'styles':>8}{'columns':>9}{'right':>7}{'wrong':>7}{'open':>6}"]
    for theme in [*dict.fromkeys(one.style.theme for one in results), "all"]:
        some = [one for one in results if theme in (one.style.theme, "all")]
        n = sum((one.counts for one in some), Counter())
        columns = n.total()
        lines.append(f"{theme:18}{len(some):>8}{columns:>9}{n['right']:>7}{n['wrong']:>7}{n['open']:>6}"
                     f"   {n['right'] / columns:.1%} right, {n['wrong'] / columns:.1%} wrong")  # fmt: skip
    return "\n".join(lines)

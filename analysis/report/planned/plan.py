"""An analysis plan with its hash, the version of the kit and the date; written as TOML, and read strictly."""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Self

import pandas as pd

from analysis.cohort.files.paths import refuse_no_file
from analysis.cohort.files.settings_files import read_toml, toml_of
from analysis.cohort.suggesting.map_text import quoted
from analysis.errors import ReportError
from analysis.foreign_text import visible
from analysis.outcomes.unrandomised.balance_weights import TARGETS
from analysis.report.planned.parts import LISTS, PARTS, PlannedAnalysis, PlanPart
from analysis.result import Result

#: The parameter of a report that holds the plan which it follows, as text.
PLAN_PARAMETER = "plan"
#: Most letters of a plan (design choice: one has three to six thousand).
MOST_LETTERS = 200_000
#: Version of what the keys of a plan mean; a later kit that changes it counts on.
PLAN_VERSION = 1
_HEAD = (
    "# Analysis plan of a protocol comparison, made by kneecurve plan-analysis without a look at any measured value.",
    "# The document beside it says the same in sentences. The hash is over all keys but itself: a report that follows an",
    "# edited plan says so. kneecurve report protocol_comparison COHORT --out FOLDER --plan THIS_FILE",
)
_ADVICE = "Make a plan with kneecurve plan-analysis COHORT_OR_DESIGN --out plan.toml, and change it by --set."
#: What the keys beside the parts must be.
_RULES = {
    "sha256": (re.compile(r"[0-9a-f]{64}"), "64 digits from 0 to f"),
    "kit": (re.compile(r"[\w.+ -]{1,40}"), "a version"),
    "made": (re.compile(r"\d{4}-\d{2}-\d{2}"), "a date, as 2026-01-31"),
}


#: Parameters of a report by the part and key that they are taken from, where a plan may lack it.
_KEYS = {
    "design": ("design", "allocation"), "alike_in": ("model", "alike_in"), "target": ("model", "target"),
    "negative_control": ("model", "negative_control"), "adjust_for": ("model", "adjust_for"), "baseline_as": ("model", "baseline_as"),
    "enough_sessions": ("limits", "enough_sessions"), "imputations": ("missing", "imputations"),
    "subgroups": ("subgroups", "groups"), "level": ("multiplicity", "level"),
}  # fmt: skip


@dataclass(frozen=True, repr=False)
class AnalysisPlan(Result):
    """The plan of a protocol comparison; made by :func:`analysis.report.plan_analysis`, read by :func:`read_plan`.

    Attributes
    ----------
    analysis : PlannedAnalysis
        What is planned, part by part.
    kit : str
        Version of the kit that made it.
    made : str
        Date, as 2026-01-31 (UTC).
    sha256 : str
        The hash that the plan states; :attr:`digest` is the one of what it says now.
    lacking : tuple of (str, str)
        Part and key of what this kit knows and the plan does not say; such a key has an empty value in ``analysis``, a report takes
        its default, and says so.
    """

    analysis: PlannedAnalysis
    kit: str
    made: str
    sha256: str
    lacking: tuple[tuple[str, str], ...] = ()

    @classmethod
    def of(cls, analysis: PlannedAnalysis, *, kit: str, made: str) -> Self:
        """Make a plan that states its own hash."""
        plan = cls(analysis, kit, made, "")
        return replace(plan, sha256=plan.digest)

    @property
    def digest(self) -> str:
        """SHA-256 of the canonical content: all keys with version and date as JSON, keys sorted, without blanks, in UTF-8."""
        said = self.analysis.to_values()
        for name, key in self.lacking:
            del said[name][key]
        content = {"kit": self.kit, "made": self.made, **said}
        text = json.dumps(content, sort_keys=True, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
        return hashlib.sha256(text.encode()).hexdigest()

    @property
    def edited(self) -> bool:
        """Whether the plan says something else than when its hash was made."""
        return self.digest != self.sha256

    def parameters(self) -> dict[str, Any]:
        """Give the parameters of the report that follow from the plan.

        What responders are counted by is not among them: it is the report's own where that is what was planned, so that its
        source is told, and the plan's otherwise.
        """
        said = self.analysis
        given = {
            "measure": said.endpoint.measure,
            "limb": said.endpoint.limb,
            "primary_week": said.endpoint.primary_week,
            "reference": said.endpoint.reference,
            "design": said.design.allocation,
            "adjust_for": list(said.model.adjust_for),
            "alike_in": list(said.model.alike_in) or None,
            "target": said.model.target or TARGETS[0],
            "negative_control": said.model.negative_control or None,
            "baseline_as": "covariate" if said.model.baseline_as == "none" else said.model.baseline_as,
            "together": next((list(one.together) for one in said.responders if one.together), []),
            **({"missing": said.responders[0].missing} if said.responders else {}),
            "enough_sessions": said.limits.enough_sessions,
            "imputations": said.missing.imputations,
            "secondary": [one.measure for one in said.secondary],
            "subgroups": list(said.subgroups.groups),
            "level": said.multiplicity.level,
        }
        return {name: value for name, value in given.items() if _KEYS.get(name) not in self.lacking}

    def filled(self, given: Mapping[str, Any]) -> dict[str, Any]:
        """Give the parameters of a report: those of the plan, what is named otherwise, and the plan itself."""
        left_open = (None, "from the cohort")
        named = {name: value for name, value in given.items() if value not in left_open}
        return {**self.parameters(), **named, PLAN_PARAMETER: self.to_toml()}

    def to_toml(self) -> str:
        """Give the file as text, each key with its meaning."""
        lines = [
            *_HEAD,
            f"plan_version = {PLAN_VERSION}",
            f"sha256 = {quoted(self.sha256)}",
            f"kit = {quoted(self.kit)}",
            f"made = {quoted(self.made)}",
        ]
        for name in PARTS:
            found = getattr(self.analysis, name)
            for part in found if name in LISTS else (found,):
                lines += [
                    "",
                    f"[[{name}]]" if name in LISTS else f"[{name}]",
                    *_lines(part, [key for of, key in self.lacking if of == name]),
                ]
        return "\n".join(lines) + "\n"

    def _headline(self) -> str:
        said = self.analysis.endpoint
        return f"Analysis plan: {said.label} at week {said.primary_week:g}; SHA-256 {self.sha256}"

    def _shown_tables(self) -> dict[str, pd.DataFrame]:
        parts = [part for name in PARTS for part in _each(getattr(self.analysis, name))]
        none = {(PARTS[name].called, key) for name, key in self.lacking}
        rows = [
            (part.called, name, "" if (part.called, name) in none else _shown(value))
            for part in parts
            for name, value in part.to_values().items()
        ]
        return {"analysis": pd.DataFrame(rows, columns=["part", "key", "planned"])}

    def _shown_notes(self) -> tuple[str, ...]:
        edited = ("It was edited after it was made: the hash does not fit.",) if self.edited else ()
        return (f"Made {self.made} with kneecurve {self.kit}.", *edited)


def read_plan(path: Path | str) -> AnalysisPlan:
    """Read an analysis plan.

    Parameters
    ----------
    path : Path or str
        The TOML file that ``kneecurve plan-analysis`` wrote.

    Returns
    -------
    AnalysisPlan
        The plan. Whether its hash fits says ``edited``: such a plan is read, and a report that follows it says so.

    Raises
    ------
    ReportError
        It is no TOML, too large, or no plan: a key is not known, of the wrong type, or missing though nothing could be followed
        without it; all of them are listed. Or it is of a later version than this kit reads.
    CohortError
        No file can have the name, or a folder or a pipe has it.

    Examples
    --------
    >>> read_plan("none.toml")
    Traceback (most recent call last):
    ...
    analysis.errors.ReportError: There is no such plan.
      where: none.toml
      what to do: Make a plan with kneecurve plan-analysis COHORT_OR_DESIGN --out plan.toml, and change it by --set.
    """
    file = Path(path)
    refuse_no_file(file)
    if not file.exists():
        raise ReportError("There is no such plan.", where=str(file), what_to_do=_ADVICE)
    if file.stat().st_size > MOST_LETTERS:
        raise _too_large(str(file))
    try:
        return _read(read_toml(file), str(file))
    except (OSError, ValueError) as error:
        raise _no_toml(error, str(file)) from None


def plan_of_text(text: object, where: str) -> AnalysisPlan:
    """Read a plan from the text of its file, which ``where`` names in errors, as :func:`read_plan` does."""
    if not isinstance(text, str) or len(text) > MOST_LETTERS:
        raise _too_large(where)
    try:
        return _read(toml_of(text), where)
    except ValueError as error:
        raise _no_toml(error, where) from None


def refuse_lacking(plan: AnalysisPlan) -> None:
    """Refuse a plan that lacks keys, where all would have to be said, by a ReportError."""
    if plan.lacking:
        raise ReportError(
            f"The plan does not say everything that its document would: {', '.join('.'.join(one) for one in plan.lacking)}.",
            where=f"plan of {plan.made}, SHA-256 {plan.sha256}",
            what_to_do="Use the document that was made with the plan, or make a new plan.",
        )


def plan_in(parameters: Mapping[str, Any]) -> AnalysisPlan | None:
    """Give the plan that the parameters of a report hold; None where they hold none, also of a notebook that means another."""
    text = parameters.get(PLAN_PARAMETER)
    if not isinstance(text, str) or not text.startswith(_HEAD[0]):
        return None
    return plan_of_text(text, f"parameter {PLAN_PARAMETER}")


def _read(data: Mapping[str, Any], where: str) -> AnalysisPlan:
    known = tuple(_RULES)
    _refuse_later(data.get("plan_version", PLAN_VERSION), data.get("kit"), where)
    wrong = [f"{name} is not known" for name in data if name not in ("plan_version", *known, *PARTS)]
    wrong += [f"{name} is missing" for name in known if name not in data]
    wrong += [f"{name} must be a text" for name in known if name in data and not isinstance(data[name], str)]
    wrong += [
        f"{name} must be {words}"
        for name, (rule, words) in _RULES.items()
        if not wrong and not rule.fullmatch(data[name])
    ]
    read: dict[str, Any] = {}
    for name, part in PARTS.items():
        given = data.get(name, [] if name in LISTS else None)
        if name in LISTS and isinstance(given, list):
            found = [part.read(one, f"{name}[{number}]") for number, one in enumerate(given, start=1)]
            read[name] = tuple(one for one, _ in found)
            wrong += [text for _, texts in found for text in texts]
        elif name not in data:
            wrong.append(f"[{name}] is missing")
        elif name in LISTS:
            wrong.append(f"[[{name}]] must be a list of tables")
        else:
            read[name], texts = part.read(given, name)
            wrong += texts
    if wrong:
        raise ReportError(["The file is no analysis plan:", *wrong], where=where, what_to_do=_ADVICE)
    lacking = [(name, key) for name, part in PARTS.items() if name not in LISTS for key in part.lacking(data[name])]
    return AnalysisPlan(PlannedAnalysis(**read), data["kit"], data["made"], data["sha256"], tuple(lacking))


def _refuse_later(version: object, kit: object, where: str) -> None:
    if type(version) is not int or version < 1:
        raise ReportError(
            ["The file is no analysis plan:", "plan_version must be a whole number from 1"],
            where=where,
            what_to_do=_ADVICE,
        )
    if version > PLAN_VERSION:
        made = f" It was made with kneecurve {visible(kit)}." if isinstance(kit, str) else ""
        raise ReportError(
            f"The plan is of version {version}, and this kit reads plans up to version {PLAN_VERSION}.{made}",
            where=where,
            what_to_do="Install the kit that made the plan or a later one; kneecurve plan-analysis makes a plan of this version.",
        )


def _too_large(where: str) -> ReportError:
    return ReportError(
        f"The plan is too large: it has more than {MOST_LETTERS:,} letters, or is no text.",
        where=where,
        what_to_do=_ADVICE,
    )


def _no_toml(error: Exception, where: str) -> ReportError:
    return ReportError(f"The plan is no valid TOML: {error}.", where=where, what_to_do=_ADVICE)


def _each(found: PlanPart | tuple[PlanPart, ...]) -> tuple[PlanPart, ...]:
    return found if isinstance(found, tuple) else (found,)


def _lines(part: PlanPart, lacking: Sequence[str]) -> list[str]:
    meanings = part.meanings()
    said = {name: value for name, value in part.to_values().items() if name not in lacking}
    return [f"{name} = {_toml(value)}  # {meanings[name]}" for name, value in said.items()]


def _toml(value: Any) -> str:
    match value:
        case bool():
            return "true" if value else "false"
        case str():
            return quoted(value)
        case list():
            return f"[{', '.join(map(_toml, value))}]"
    return repr(value)


def _shown(value: Any) -> str:
    return (
        ", ".join(map(_shown, value))
        if isinstance(value, list)
        else f"{value:g}"
        if isinstance(value, float)
        else str(value)
    )

"""What a plan is made for: a cohort without its values, or a design file from which such a cohort is laid out."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Literal, get_args

import numpy as np
import pandas as pd

from analysis.cohort import Cohort, load_catalogue, load_cohort
from analysis.cohort.files.paths import refuse_impossible_name
from analysis.cohort.files.settings_files import explained_toml
from analysis.cohort.tables import LATEST_WEEK, CountedFrom
from analysis.curves.covariates import PATIENTS_PER_LABEL
from analysis.errors import ReportError
from analysis.outcomes.responders.states_together import TOGETHER
from synthetic_cohort import load_scenario
from synthetic_cohort.scenarios.scenario import Scenario

#: Most entries of a list of a design (design choice); patients that are laid out grow with them.
MOST_ENTRIES = 20
_ALLOCATIONS = ("randomised", "observational")
_LIMBS = ("involved", "uninvolved")
#: What a key of a design file must be, in words and as a rule.
_KEYS: dict[str, tuple[str, Callable[[Any], bool]]] = {
    "protocols": ("a list of two or more different texts", lambda one: _texts(one) and len(one) > 1),
    "reference": ("a text", lambda one: isinstance(one, str)),
    "visit_weeks": ("a list of different weeks, one after 0 or more", lambda one: _weeks(one) and max(one) > 0),
    "measures": (
        "a list of measures, or a table with the weeks of each",
        lambda one: (_texts(one) or _table(one, _weeks)) and len(one) > 0,
    ),
    "procedure": ("a text", lambda one: isinstance(one, str)),
    "counted_from": ("surgery or programme", lambda one: one in get_args(CountedFrom)),
    "allocation": ("randomised or observational", lambda one: one in _ALLOCATIONS),
    "sites": ("a list of different texts", lambda one: _texts(one)),
    "covariates": (
        "a table: of each column a list of its labels, or the lowest and the highest number",
        lambda one: _table(one, lambda labels: (_texts(labels) and len(labels) > 1) or _range(labels)),
    ),
}
_REQUIRED = ("protocols", "visit_weeks", "measures")


@dataclass(frozen=True)
class PlanDesign:
    """A cohort without its values, and the parameters of a comparison that the design itself names."""

    cohort: Cohort
    made_from: Literal["cohort", "design"] = "cohort"
    named: dict[str, Any] = field(default_factory=dict)


def design_of(source: Cohort | Path | str) -> PlanDesign:
    """Give the design of a cohort, of a cohort folder, or of a design file.

    A design file is TOML: ``protocols``, ``visit_weeks`` and ``measures`` (names, or a table with the weeks of each; of a
    measure of limbs both, or the one named: ``"quadriceps_torque involved"``), and where they are known ``reference``,
    ``procedure``, ``counted_from``, ``allocation``, ``sites`` and a table ``covariates`` (labels, or the lowest and highest
    number). A scenario file of :mod:`synthetic_cohort`, which has these things and more, is one too.

    Raises
    ------
    ReportError
        There is nothing of that name, or the file is no design; everything that is wrong with it is listed.
    CohortError
        The folder is no cohort, the scenario is wrong, or no file can have the name.
    """
    if isinstance(source, Cohort):
        return PlanDesign(without_values(source))
    path = Path(source)
    refuse_impossible_name(path)
    if path.is_dir():
        return PlanDesign(without_values(load_cohort(path)))
    if not path.exists():
        raise ReportError(
            "There is no such cohort folder or design file.",
            where=str(path),
            what_to_do="Name a cohort folder, or a design in TOML with protocols, visit_weeks and measures.",
        )
    data = explained_toml(path, "design", "kneecurve plan-analysis needs protocols, visit_weeks and measures")
    if "series" in data:
        return _of_scenario(load_scenario(path))
    wrong = [f"{name} is missing" for name in _REQUIRED if name not in data]
    wrong += [f"{name} is not known; known are {', '.join(_KEYS)}" for name in data if name not in _KEYS]
    wrong += [
        f"{name} must be {_KEYS[name][0]}"
        for name, value in data.items()
        if name in _KEYS and not _KEYS[name][1](value)
    ]
    wrong += [f"{name} has more than {MOST_ENTRIES} entries" for name, value in data.items() if _long(value)]
    wrong = wrong or _contradictions(data)
    if wrong:
        raise ReportError(
            ["The file is no design of a comparison:", *wrong],
            where=str(path),
            what_to_do="Write it as the docstring of analysis.report.plan_analysis shows.",
        )
    named = {"design": data["allocation"]} if "allocation" in data else {}
    return PlanDesign(_laid_out(data), "design", named)


def without_values(cohort: Cohort) -> Cohort:
    """Give a cohort in which the order of the rows stands for every measured value: only who was measured when is left.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> bare = without_values(generate_cohort(patients=30, seed=1).observed)
    >>> bool((bare.visits["value"].dropna().diff().dropna() > 0).all())
    True
    """
    visits = cohort.visits
    # Positive and all different, so that ratios can be computed and nothing is the same in every patient.
    order = 1 + np.arange(len(visits)) / max(len(visits), 1)
    value = pd.Series(order, index=visits.index).where(visits["value"].notna())
    return replace(cohort, visits=visits.assign(value=value))


def _contradictions(data: Mapping[str, Any]) -> list[str]:
    """List what no single key is wrong about: unknown measures, a reference that is no protocol, weeks of no visit."""
    known = load_catalogue()
    wrong = []
    for text in data["measures"]:
        name, _, limb = text.partition(" ")
        if name not in known or name == TOGETHER:
            wrong.append(f"measures: there is no measure {name!r}; kneecurve measures lists them")
        elif known[name].derived_from:
            wrong.append(f"measures: {name} is computed; name {', '.join(known[name].derived_from)}")
        elif limb and limb not in known[name].limbs:
            wrong.append(f"measures: {name} is not taken on limb {limb!r}")
    if "reference" in data and data["reference"] not in data["protocols"]:
        wrong.append("reference is not one of protocols")
    of_measures = data["measures"].values() if isinstance(data["measures"], dict) else []
    if any(week not in data["visit_weeks"] for weeks in of_measures for week in weeks):
        wrong.append("measures: a week is none of visit_weeks")
    taken = {"patient_id", "protocol", "site", "procedure"} & set(data.get("covariates", {}))
    return wrong + [f"covariates: {name} is a key or a column of its own" for name in sorted(taken)]


def _laid_out(data: Mapping[str, Any]) -> Cohort:
    """Lay out patients of every protocol, site and label, each measured at every visit; their values say nothing."""
    protocols, sites, covariates = data["protocols"], data.get("sites", []), data.get("covariates", {})
    labels = max([1, len(sites), *(len(one) for one in covariates.values() if isinstance(one[0], str))])
    each = PATIENTS_PER_LABEL * labels
    place = np.arange(each * len(protocols))
    within = place // len(protocols)
    columns: dict[str, Any] = {
        "patient_id": [f"p{one}" for one in place],
        "protocol": pd.Categorical.from_codes(place % len(protocols), protocols),
    }
    if sites:
        columns["site"] = pd.Categorical.from_codes(within % len(sites), sites)
    if "procedure" in data:
        columns["procedure"] = pd.Categorical([data["procedure"]] * len(place))
    for name, one in covariates.items():
        if isinstance(one[0], str):
            columns[name] = pd.Categorical.from_codes(within % len(one), one)
        else:
            columns[name] = one[0] + (one[1] - one[0]) * within / (each - 1)
    measured = (
        data["measures"] if isinstance(data["measures"], dict) else dict.fromkeys(data["measures"], data["visit_weeks"])
    )
    taken = [
        (name, limb, week)
        for text, weeks in measured.items()
        for name, limb in _on_limbs(text)
        for week in sorted(weeks)
    ]
    rows = pd.DataFrame(list(dict.fromkeys(taken)), columns=["measure", "limb", "week"])
    visits = pd.DataFrame({"patient_id": columns["patient_id"]}).merge(rows, how="cross").assign(value=0.0)
    return without_values(
        Cohort(pd.DataFrame(columns), visits, reference=data.get("reference"), counted_from=data.get("counted_from"))
    )


def _on_limbs(text: str) -> list[tuple[str, str]]:
    """Give a measure with each limb that is measured."""
    name, _, limb = text.partition(" ")
    return [(name, one) for one in ([limb] if limb else load_catalogue()[name].limbs)]


def _of_scenario(scenario: Scenario) -> PlanDesign:
    """Take the design out of a scenario; what is generated from it is allocated at random."""
    measures = {
        f"{one.measure}{f' {one.limb}' if one.limb in _LIMBS else ''}": list(one.weeks) for one in scenario.series
    }
    covariates = {one.name: list(one.levels) for one in scenario.covariates}
    age = [float(scenario.patients.age_lowest), float(scenario.patients.age_highest)]
    data = {
        "protocols": list(scenario.protocols), "reference": scenario.reference, "procedure": scenario.procedure,
        "sites": list(scenario.sites), "visit_weeks": list(scenario.visit_weeks), "measures": measures,
        "counted_from": scenario.counted_from, "covariates": {**covariates, "sex": ["female", "male"], "age_years": age},
    }  # fmt: skip
    named = {
        "measure": scenario.primary_measure, "limb": scenario.primary_limb, "primary_week": scenario.primary_week,
        "design": "randomised",
    }  # fmt: skip
    return PlanDesign(_laid_out(data), "design", named)


def _texts(value: Any) -> bool:
    return (
        isinstance(value, list) and len(set(map(str, value))) == len(value) > 0
        and all(isinstance(one, str) and one.strip() for one in value)
    )  # fmt: skip


def _weeks(value: Any) -> bool:
    numbers = isinstance(value, list) and all(type(one) in (int, float) for one in value)
    return numbers and len(set(value)) == len(value) > 0 and all(abs(one) <= LATEST_WEEK for one in value)


def _range(value: Any) -> bool:
    return _numbers(value) and len(value) == 2 and 0 < value[1] - value[0] < np.inf


def _numbers(value: Any) -> bool:
    return isinstance(value, list) and all(type(one) in (int, float) and np.isfinite(one) for one in value)


def _table(value: Any, rule: Callable[[Any], bool]) -> bool:
    return isinstance(value, dict) and all(map(rule, value.values()))


def _long(value: Any) -> bool:
    inner = value.values() if isinstance(value, dict) else ()
    return isinstance(value, list | dict) and (len(value) > MOST_ENTRIES or any(map(_long, inner)))

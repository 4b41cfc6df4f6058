"""Rules for values as data: read from a file, checked with pandera, every failure in one table."""

from __future__ import annotations

import math
import os
import tomllib
from collections.abc import Iterable
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import Any, Literal, get_args

import pandas as pd

from analysis.cohort.derived import measured_values
from analysis.cohort.files.settings_files import read_toml
from analysis.cohort.tables import Cohort
from analysis.errors import CohortError
from analysis.quality.completeness import site_of

Severity = Literal["impossible", "unlikely"]

#: Columns of every table of findings of the report.
FINDING_COLUMNS = ("severity", "patient_id", "site", "week", "measure", "limb", "value", "problem", "what_to_do")
_KEYS = {"measure", "limb", "lowest", "highest", "severity", "problem", "what_to_do", "source"}


@dataclass(frozen=True)
class ValueRule:
    """What the values of a measure must not be.

    Parameters
    ----------
    measure : str
        A stored or derived measure.
    problem : str
        What is wrong where the rule is broken.
    severity : {"impossible", "unlikely"}
        Whether such a value can be true at all.
    limb : str, optional
        The limb; every limb of the measure by default.
    lowest, highest : float
        What is allowed, ends included, in the unit of the measure.
    what_to_do : str
        What the site should look at.
    source : str
        Where the rule comes from.
    """

    measure: str
    problem: str
    severity: Severity = "unlikely"
    limb: str | None = None
    lowest: float = -math.inf
    highest: float = math.inf
    what_to_do: str = ""
    source: str = ""


def read_value_rules(path: str | os.PathLike[str] | None = None) -> tuple[ValueRule, ...]:
    """Read rules from a TOML file.

    Parameters
    ----------
    path : path, optional
        The file; the rules that come with the kit by default.

    Returns
    -------
    tuple of ValueRule
        In the order of the file.

    Raises
    ------
    CohortError
        The file cannot be read, or a rule lacks something or has an unknown key.

    Examples
    --------
    >>> [rule.measure for rule in read_value_rules()]
    ['limb_symmetry_index', 'arc_of_motion']
    """
    where = "value_rules.toml" if path is None else str(path)
    try:
        if path is None:
            text = resources.files("analysis.quality").joinpath(where).read_text(encoding="utf-8")
            blocks = tomllib.loads(text)["rules"]
        else:
            blocks = read_toml(Path(path).expanduser()).get("rules", [])
        if not isinstance(blocks, list):
            raise ValueError("rules are no blocks")
    except (OSError, ValueError) as error:
        raise CohortError(
            f"The rules cannot be read: {error}.", where=where, what_to_do="Give a TOML file with blocks [[rules]]."
        ) from None
    return tuple(_read_rule(block, f"{where}, rule {i}") for i, block in enumerate(blocks, 1))


def check_values(cohort: Cohort, rules: Iterable[ValueRule] | None = None) -> pd.DataFrame:
    """Check every value that a rule is about.

    Parameters
    ----------
    cohort : Cohort
        The cohort.
    rules : iterable of ValueRule, optional
        The rules; those that come with the kit by default.

    Returns
    -------
    pandas.DataFrame
        One row a value that breaks a rule: severity, patient_id, site (empty where not recorded), week, measure, limb,
        value (unit of the measure), problem, what_to_do.

    Raises
    ------
    CohortError
        A rule is about a measure that is not known.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> cohort = generate_cohort(patients=30, seed=1).observed
    >>> own = ValueRule("pain", "pain of 10 is rare here", highest=9)
    >>> list(check_values(cohort, [own]).columns) == list(FINDING_COLUMNS)
    True
    """
    parts = [
        _broken(cohort, rule, limb)
        for rule in (read_value_rules() if rules is None else rules)
        for limb in ([rule.limb] if rule.limb else cohort.measures[rule.measure].limbs)
    ]
    return join_findings(cohort, parts)


def join_findings(cohort: Cohort, parts: list[pd.DataFrame]) -> pd.DataFrame:
    """Put findings together, impossible ones first, each with the site of its patient."""
    kept = [part for part in parts if len(part)]
    if not kept:
        return pd.DataFrame(columns=pd.Index(FINDING_COLUMNS))
    table = pd.concat(kept, ignore_index=True)
    table["site"] = site_of(cohort, table["patient_id"])
    table["_order"] = (table["severity"] != "impossible").astype(int)
    ordered = table.sort_values(["_order", "site", "patient_id", "week"], kind="stable")
    return ordered[list(FINDING_COLUMNS)].reset_index(drop=True)


def _broken(cohort: Cohort, rule: ValueRule, limb: str) -> pd.DataFrame:
    """Give the values of one limb that break a rule; pandera says which."""
    import pandera.pandas as pandera

    cohort.measures[rule.measure]  # an unknown measure is an error that lists the known ones
    values = measured_values(cohort.visits, rule.measure, limb, cohort.patients).dropna().reset_index(drop=True)
    check = pandera.Check.in_range(rule.lowest, rule.highest)
    schema = pandera.DataFrameSchema({"value": pandera.Column(float, check)})
    try:
        schema.validate(values.astype({"value": "float64"}), lazy=True)
    except pandera.errors.SchemaErrors as errors:
        broken = values.loc[errors.failure_cases["index"].dropna().astype(int).unique()]
    else:
        broken = values.head(0)
    return broken.assign(
        severity=rule.severity, measure=rule.measure, limb=limb, problem=rule.problem, what_to_do=rule.what_to_do
    )


def _read_rule(block: Any, where: str) -> ValueRule:
    unknown = sorted(set(block) - _KEYS) if isinstance(block, dict) else ["?"]
    lacking = [name for name in ("measure", "problem") if not isinstance(block, dict) or name not in block]
    numbers = [name for name in ("lowest", "highest") if isinstance(block, dict) and name in block]
    wrong = [name for name in numbers if isinstance(block[name], bool) or not isinstance(block[name], int | float)]
    severity = block.get("severity", "unlikely") if isinstance(block, dict) else ""
    if unknown or lacking or wrong or not numbers or severity not in get_args(Severity):
        raise CohortError(
            "A rule for values cannot be used.",
            where=where,
            what_to_do="Give measure, problem and lowest or highest (numbers); optionally limb, severity (impossible or "
            "unlikely), what_to_do and source.",
        )
    limits = {name: float(block[name]) for name in numbers}
    return ValueRule(**{**{name: block[name] for name in block}, **limits})

"""What the parts agree on before they are counted: the endpoint, the weeks, the names, and the plan of the visits."""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from analysis.cohort.catalogue import read_measure
from analysis.cohort.files.paths import refuse_impossible_name
from analysis.cohort.files.settings_files import read_json
from analysis.cohort.measures import Threshold
from analysis.counted import counted
from analysis.curves.rows.moment_disclosure import AT_LEAST
from analysis.curves.rows.moment_plan import MomentPlan, plan_of_json, plan_to_json
from analysis.curves.rows.small_cells import Profile
from analysis.errors import CohortError, ModelError
from analysis.outcomes.endpoint import Endpoint
from analysis.outcomes.thresholds.chosen_threshold import ChosenThreshold
from analysis.result import Result
from analysis.writing.texts import write_text

#: Name and version of the form; a file of another version is not read.
FORM = "kneecurve plan of a comparison in parts, version 1"
#: Column of the patients that names the site.
SITE = "site"
#: Formulas of a plan are columns, each alone or by week: a formula may hold any Python, and a plan comes from somebody else.
_COLUMN = r"(?:[^\W\d]\w*|`[^`]+`)"
_SUMMED = re.compile(rf"value ~ {_COLUMN}(?: \+ {_COLUMN})*")
_FITTED = re.compile(rf"value ~ (?:1|(?:C\(week\)|{_COLUMN}(?: \* C\(week\))?)(?: \+ {_COLUMN}(?: \* C\(week\))?)*)")


@dataclass(frozen=True, eq=False, repr=False)
class PoolingPlan(Result):
    """What the parts of a comparison agree on, so that what each counts adds up.

    Made by :func:`analysis.pooled.planning.plan_pooling`, or read by :func:`read_pooling_plan`.

    Attributes
    ----------
    endpoint : Endpoint
        What is counted, with the level of the intervals.
    protocols : tuple of str
        The protocols compared, the reference first.
    sites : tuple of str
        Names of the sites; empty where parts are no sites.
    as_of : str
        The day up to which every part has its data; empty where that is not known.
    weeks : tuple of float
        Weeks at which visits are expected, 0 for the baseline.
    terms : str
        Formula of the mean of the recovery curves.
    primary_week : float
        Week of the main comparison of the curves.
    moments : MomentPlan
        How the visits of the curves are summed.
    amounts : tuple of float
        Amounts at which the distribution of change is counted.
    numbers : mapping of str to float
        What of the patients is averaged at the start, and what is subtracted first.
    categories : mapping of str to tuple of str
        What of the patients is counted at the start, and its labels.
    labels : mapping of str to (str, str)
        Label and unit of both, for tables.
    events, reasons, modalities : tuple of str
        Kinds of events, reasons for being lost, and modalities of home sessions.
    programme_weeks : tuple of float
        Weeks at which home sessions may be recorded.
    enough : float
        Share of the sessions prescribed that counts as enough.
    idle_weeks : int
        Weeks without a session that count as having stopped.
    k : int
        Patients below which a cell of the visits is small.
    kept : tuple of (bytes, tuple of str) or None
        Profiles of patients whose visits are summed, settled over all sites; None where each site leaves out its own.
    kit : str
        Version of the kit.
    """

    endpoint: Endpoint
    protocols: tuple[str, ...]
    sites: tuple[str, ...]
    as_of: str
    weeks: tuple[float, ...]
    terms: str
    primary_week: float
    moments: MomentPlan
    amounts: tuple[float, ...]
    numbers: Mapping[str, float]
    categories: Mapping[str, tuple[str, ...]]
    labels: Mapping[str, tuple[str, str]]
    events: tuple[str, ...]
    reasons: tuple[str, ...]
    modalities: tuple[str, ...]
    programme_weeks: tuple[float, ...]
    enough: float = 0.8
    idle_weeks: int = 2
    k: int = AT_LEAST
    kept: tuple[Profile, ...] | None = None
    kit: str = ""

    @property
    def digest(self) -> str:
        """A short name of all that is agreed: the same for the same plan."""
        return hashlib.sha256(self.to_text().encode()).hexdigest()[:16]

    def to_text(self) -> str:
        """Give the text of the file."""
        endpoint = self.endpoint
        data: dict[str, Any] = {
            "form": FORM,
            "measure": {"name": endpoint.measure.name, **endpoint.measure.to_json()},
            "endpoint": {
                **{name: getattr(endpoint, name) for name in _OF_ENDPOINT},
                "threshold": None if endpoint.threshold is None else asdict(endpoint.threshold),
            },
            **{name: getattr(self, name) for name in _PLAIN},
            "numbers": dict(self.numbers),
            "categories": dict(self.categories),
            "labels": dict(self.labels),
            "moments": plan_to_json(self.moments),
            "kept": None if self.kept is None else [[seen.hex(), list(levels)] for seen, levels in self.kept],
        }
        return json.dumps(data, indent=1, ensure_ascii=False, allow_nan=False) + "\n"

    def save(self, path: str | Path, *, overwrite: bool = False) -> Path:
        """Write the plan as JSON, for the sites to read.

        Raises
        ------
        CohortError
            There is a file of that name.
        """
        target = Path(path)
        refuse_impossible_name(target, error=CohortError)
        return write_text(self.to_text(), target, overwrite=overwrite)

    def _headline(self) -> str:
        sites = counted(len(self.sites), "site") if self.sites else "parts"
        return (
            f"Plan of a comparison of {' and '.join(self.protocols)} in {sites}, {self.digest}. {self.endpoint.words}"
        )

    def _shown_notes(self) -> Sequence[str]:
        of_whom = "at each site" if self.kept is None else "over all sites"
        usual = f"; {AT_LEAST} is usual" if self.k < AT_LEAST else ""
        return (
            f"Sites: {', '.join(self.sites) or 'not named'}; data as of {self.as_of or 'no day'}.",
            f"Curves: {self.terms}.",
            f"Counted of the patients: {', '.join([*self.numbers, *self.categories]) or 'nothing'}.",
            f"Visits of patients whose pattern or level few have are left out: fewer than {self.k} {of_whom}{usual}.",
        )


_OF_ENDPOINT = ("limb", "week", "missing", "baseline", "reference", "level", "why")
_PLAIN = (
    "protocols", "sites", "as_of", "weeks", "terms", "primary_week", "amounts", "events", "reasons", "modalities", "programme_weeks",
    "enough", "idle_weeks", "k", "kit",
)  # fmt: skip


def read_pooling_plan(path: str | Path) -> PoolingPlan:
    """Read a plan that ``PoolingPlan.save`` wrote.

    Raises
    ------
    CohortError
        The file cannot be read, or holds no such plan, or one of another version.
    """
    file = Path(path)
    refuse_impossible_name(file, error=CohortError)
    try:
        return plan_of_text(read_json(file))
    except OSError as error:
        raise CohortError(
            f"The plan cannot be read: {error.strerror}.", where=str(path), what_to_do="Check the path."
        ) from None
    except (KeyError, TypeError, ValueError, AttributeError, ModelError, CohortError) as error:
        raise CohortError(
            "The file holds no plan of a comparison in parts that this version reads.",
            where=f"{path}: {error}",
            what_to_do="Give the file that kneecurve sites plan wrote, with the same version of the kit.",
        ) from error


def plan_of_text(data: dict[str, Any]) -> PoolingPlan:
    """Make the plan of what its file holds; raises KeyError, TypeError or ValueError where that is none."""
    if data["form"] != FORM:
        raise ValueError(f"the form is {data['form']!r}")
    held = dict(data["measure"])
    measure = read_measure(held.pop("name"), held, FORM)
    said = dict(data["endpoint"])
    limit = said.pop("threshold")
    if limit is not None:
        published = limit.pop("published")
        limit = ChosenThreshold(**limit, published=None if published is None else Threshold(**published))
    kept = data["kept"]
    plain: dict[str, Any] = {name: tuple(data[name]) if isinstance(data[name], list) else data[name] for name in _PLAIN}
    plan = PoolingPlan(
        endpoint=Endpoint(measure, threshold=limit, **said),
        moments=plan_of_json(data["moments"]),
        numbers={str(name): float(value) for name, value in data["numbers"].items()},
        categories={str(name): tuple(map(str, levels)) for name, levels in data["categories"].items()},
        labels={str(name): (str(label), str(unit)) for name, (label, unit) in data["labels"].items()},
        kept=None if kept is None else tuple((bytes.fromhex(seen), tuple(levels)) for seen, levels in kept),
        **plain,
    )
    if wrong := _wrong(plan):
        raise ValueError(wrong)
    return plan


def _wrong(plan: PoolingPlan) -> str:
    """Say what of a plan from a file no plan of this kit has; nothing where all is as it should be."""
    moments = plan.moments
    named = moments.fixed.removeprefix("value ~ ").split(" + ")
    if not _SUMMED.fullmatch(moments.fixed) or sorted(named) != sorted(
        column_of_formula(one.name) for one in moments.covariates
    ):
        return f"it sums something else than columns: {moments.fixed}"
    if not _FITTED.fullmatch(plan.terms) or (moments.patient, moments.week) != ("patient_id", "week"):
        return f"its curves are of something else than columns by week: {plan.terms}"
    if not all(isinstance(one, int) and not isinstance(one, bool) and one >= 0 for one in (plan.k, plan.idle_weeks)):
        return f"k is {plan.k!r} and idle_weeks {plan.idle_weeks!r}, and both must be whole numbers"
    numbers = (plan.primary_week, plan.enough, *plan.weeks, *plan.amounts, *plan.programme_weeks)
    if not all(isinstance(one, int | float) and not isinstance(one, bool) for one in numbers):
        return "a week, an amount or a share is no number"
    words = (*plan.protocols, *plan.sites, *plan.events, *plan.reasons, *plan.modalities, plan.as_of, plan.kit)
    if not all(isinstance(one, str) for one in words) or len(set(plan.sites)) < len(plan.sites):
        return "a name is no word, or a site is named twice"
    return ""


def column_of_formula(name: str) -> str:
    """Give a column as a formula names it.

    Examples
    --------
    >>> column_of_formula("sex"), column_of_formula("body mass")
    ('sex', '`body mass`')
    """
    return name if name.isidentifier() else f"`{name}`"

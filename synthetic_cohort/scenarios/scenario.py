"""What a cohort is made from: frozen parameters, each with its source.

Sources begin with a mark: ``V`` read in the source (mostly its abstract or a table), ``M`` from memory of the source
and not checked, ``design choice`` chosen for an invented cohort. No number here is clinical advice.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import asdict, dataclass, fields, is_dataclass, replace
from typing import Any

import pandas as pd

from analysis.cohort.tables import CountedFrom
from synthetic_cohort.scenarios.scenario_parts import (
    BracePlan,
    Covariate,
    Effect,
    EventKind,
    HomeProgramme,
    Mechanism,
    Missingness,
    Modality,
    PatientMix,
    Series,
)


@dataclass(frozen=True)
class Scenario:
    """A cohort in the making; see :func:`synthetic_cohort.load_scenario`.

    Parameters
    ----------
    name, description, procedure : str
        Name to call it by, what it is, and the label in the procedure column.
    protocols : tuple of str
        The protocols, in order.
    reference : str
        The protocol that the others are compared with; effects are what the others add to it.
    sites, site_shares : tuple
        Sites and the share of patients at each.
    therapists_per_site : int
        Therapists at each site.
    visit_weeks : tuple of float
        Planned visits, week 0 (before surgery or start) first.
    primary_measure, primary_limb, primary_week
        What the protocols are compared on.
    patients, covariates, series, effects, home, modalities, brace, events, missingness
        The parts.
    sources : tuple of (parameter, source)
        Where each parameter comes from.
    counted_from : {"surgery", "programme"}
        What week 0 is.
    """

    name: str
    description: str
    procedure: str
    protocols: tuple[str, ...]
    reference: str
    sites: tuple[str, ...]
    site_shares: tuple[float, ...]
    therapists_per_site: int
    visit_weeks: tuple[float, ...]
    primary_measure: str
    primary_limb: str
    primary_week: float
    patients: PatientMix
    series: tuple[Series, ...]
    home: HomeProgramme
    missingness: Missingness
    covariates: tuple[Covariate, ...] = ()
    effects: tuple[Effect, ...] = ()
    modalities: tuple[Modality, ...] = ()
    brace: tuple[BracePlan, ...] = ()
    events: tuple[EventKind, ...] = ()
    sources: tuple[tuple[str, str], ...] = ()
    counted_from: CountedFrom = "programme"

    @property
    def primary(self) -> Series:
        """The series the protocols are compared on."""
        return next(s for s in self.series if (s.measure, s.limb) == (self.primary_measure, self.primary_limb))

    def without_effects(self) -> Scenario:
        """Return the same scenario with no difference between protocols in any measure."""
        return replace(self, name=f"{self.name}, no difference", effects=())

    def with_missingness(self, mechanism: Mechanism) -> Scenario:
        """Return the same scenario with both losses and missed visits by this mechanism."""
        changed = replace(self.missingness, lost=mechanism, missed=mechanism)
        return replace(self, name=f"{self.name}, missing {mechanism}", missingness=changed)

    def parameters(self) -> pd.DataFrame:
        """Give every parameter with its source.

        Returns
        -------
        pandas.DataFrame
            parameter (its path), value (as text), source.

        Examples
        --------
        >>> from synthetic_cohort import load_scenario
        >>> frame = load_scenario("ligament reconstruction").parameters()
        >>> frame.query("parameter == 'patients.women_share'").iloc[0].to_list()
        ['patients.women_share', '0.46', 'design choice']
        """
        sources = dict(self.sources)
        rows = [(path, value, sources.get(path, "not stated")) for path, value in _walk(self)]
        return pd.DataFrame(rows, columns=["parameter", "value", "source"])

    def to_json(self) -> dict[str, Any]:
        """Return plain lists and dictionaries, from which ``read_scenario`` makes the scenario again."""
        data: dict[str, Any] = json.loads(json.dumps(asdict(self)))
        del data["sources"]
        return data | {"parameter_sources": dict(self.sources)}


def part_path(group: str, part: Any, position: int) -> str:
    """Name one part of a scenario, for example ``series[pain]``; used as key of its sources.

    Examples
    --------
    >>> part_path("covariates", Covariate("graft", ("a", "b"), (0.5, 0.5)), 0)
    'covariates[graft]'
    """
    if isinstance(part, Series):
        return f"{group}[{part.key}]"
    if isinstance(part, Effect):
        limb = "" if part.limb == "none" else f" {part.limb}"
        return f"{group}[{part.protocol}, {part.measure}{limb}]"
    named = [
        getattr(part, name) for name in ("modality", "event", "name") if isinstance(getattr(part, name, None), str)
    ]
    if isinstance(part, EventKind):
        named = [part.event, part.modality] if part.modality else [part.event]
    return f"{group}[{', '.join(named) if named else position}]"


_GROUPS = ("covariates", "series", "effects", "modalities", "brace", "events")


def _walk(part: Any, path: str = "") -> Iterator[tuple[str, str]]:
    for one in fields(part):
        value = getattr(part, one.name)
        if one.name == "sources":
            continue
        if is_dataclass(value):
            yield from _walk(value, f"{path}{one.name}.")
        elif one.name in _GROUPS:
            for position, item in enumerate(value):
                yield from _walk(item, f"{path}{part_path(one.name, item, position)}.")
        else:
            yield f"{path}{one.name}", ", ".join(map(str, value)) if isinstance(value, tuple) else str(value)

"""Where a cohort came from: source files with their hashes, or a scenario with its seed, and the steps since."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from types import MappingProxyType
from typing import Any, TypeVar

from analysis.errors import CohortError

_BLOCK = 1 << 20
Kind = TypeVar("Kind", str, int)


@dataclass(frozen=True)
class Source:
    """One file that a cohort was made from.

    Parameters
    ----------
    name : str
        File name without its folder (a folder could tell who the patients are).
    sha256 : str
        SHA-256 of the bytes, in hexadecimal.
    n_bytes : int
        Size of the file.
    """

    name: str
    sha256: str
    n_bytes: int


@dataclass(frozen=True)
class Provenance:
    """Origin of a cohort.

    Parameters
    ----------
    sources : tuple of Source
        Files the cohort was read from; empty for an invented cohort.
    scenario : str, optional
        Scenario of an invented cohort.
    seed : int, optional
        Seed of an invented cohort.
    parameters : mapping
        What else is needed to make an invented cohort again, for example ``{"patients": 240}``.
    steps : tuple of str
        What was done, one sentence each, in order.
    decided : tuple of str
        Columns that a person named when the cohort was made or de-identified, as ``patients.graft``: they may be there.

    Examples
    --------
    >>> Provenance(scenario="ligament reconstruction", seed=1).with_step("Generated.").steps
    ('Generated.',)
    """

    sources: tuple[Source, ...] = ()
    scenario: str | None = None
    seed: int | None = None
    parameters: Mapping[str, Any] = field(default_factory=dict)
    steps: tuple[str, ...] = ()
    decided: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        object.__setattr__(self, "sources", tuple(self.sources))
        object.__setattr__(self, "steps", tuple(self.steps))
        object.__setattr__(self, "decided", tuple(self.decided))
        object.__setattr__(self, "parameters", MappingProxyType(dict(self.parameters)))

    def with_step(self, step: str) -> Provenance:
        """Return the same origin with one more step at the end."""
        return replace(self, parameters=dict(self.parameters), steps=(*self.steps, step))

    def to_json(self) -> dict[str, Any]:
        """Return plain lists and dictionaries, for the data package and for report pages."""
        return {
            "sources": [{"name": s.name, "sha256": s.sha256, "bytes": s.n_bytes} for s in self.sources],
            "scenario": self.scenario,
            "seed": self.seed,
            "parameters": dict(self.parameters),
            "steps": list(self.steps),
            "decided": list(self.decided),
        }

    @classmethod
    def from_json(cls, data: Any) -> Provenance:
        """Read what :meth:`to_json` gave.

        Raises
        ------
        CohortError
            The description does not have the expected form.
        """
        try:
            return cls(
                sources=tuple(
                    Source(str(s["name"]), str(s["sha256"]), int(s["bytes"])) for s in data.get("sources", [])
                ),
                scenario=_of(str, data.get("scenario")),
                seed=_of(int, data.get("seed")),
                parameters=dict(data.get("parameters", {})),
                steps=tuple(str(step) for step in data.get("steps", [])),
                decided=tuple(str(column) for column in data.get("decided", [])),
            )
        except (AttributeError, KeyError, OverflowError, TypeError, ValueError) as error:
            raise CohortError(
                "The provenance of the cohort cannot be read.",
                where="datapackage.json, kneecurve, provenance",
                what_to_do="Write the folder again from its source with kneecurve import.",
            ) from error

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Provenance) and self.to_json() == other.to_json()

    def __hash__(self) -> int:
        return hash((self.sources, self.scenario, self.seed, self.steps))


def _of(kind: type[Kind], value: Any) -> Kind | None:
    if value is None or (isinstance(value, kind) and not isinstance(value, bool)):
        return value
    raise TypeError(f"{value!r} is no {kind.__name__}")


def describe_source(path: Path) -> Source:
    """Give name, SHA-256 and size of one file."""
    digest = hashlib.sha256()
    with path.open("rb") as stream:
        while block := stream.read(_BLOCK):
            digest.update(block)
    return Source(path.name, digest.hexdigest(), path.stat().st_size)

"""The release ledger: a file beside the cohort with what earlier releases showed, and nothing else."""

from __future__ import annotations

import json
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from analysis.errors import CohortError

FORMAT = 1
#: Slices of a ledger: periods, and a site or, for all sites, an empty text.
Place = tuple[tuple[str, ...], str]
#: Patients behind a recovery curve: periods of the start, what was counted, and week with number.
Seen = tuple[tuple[str, ...], str, tuple[tuple[float, float], ...]]


@dataclass(frozen=True)
class Release:
    """What one release showed.

    Attributes
    ----------
    quarter : str
        The quarter reported.
    as_of : str or None
        Day up to which its data were collected.
    window, baseline : tuple of str
        Periods over which sites were compared, and periods of the centre lines.
    shown : dict of Place to dict of str to float
        Counts by place and quantity.
    hidden : dict of Place to tuple of str
        Quantities that were said to be hidden there.
    floors : tuple of (str, str, float, bool)
        Numerator, denominator and floor of a share in the quarter, and whether the floor was said to be reached.
    signals : tuple of (str, str, str)
        Indicators with a signal: name, way and since when.
    actions : tuple of (str, str)
        Actions of the team, each with its state.
    seen : tuple of (tuple of str, str, tuple of (float, float))
        Of recovery curves: periods of the start, what was counted, and by week the patients in the model; without those hidden.
    """

    quarter: str
    as_of: str | None
    window: tuple[str, ...]
    baseline: tuple[str, ...]
    shown: dict[Place, dict[str, float]]
    hidden: dict[Place, tuple[str, ...]]
    floors: tuple[tuple[str, str, float, bool], ...] = ()
    signals: tuple[tuple[str, str, str], ...] = ()
    actions: tuple[tuple[str, str], ...] = ()
    seen: tuple[Seen, ...] = ()

    def is_of(self, other: Release) -> bool:
        """Say whether another release reports the same quarter of the same data over the same periods."""
        mine, its = ((one.quarter, one.as_of, one.window, one.baseline) for one in (self, other))
        return mine == its

    def shows_the_same(self, other: Release) -> bool:
        """Say whether another release shows the same counts."""
        return self.is_of(other) and self.shown == other.shown and self.floors == other.floors


@dataclass(frozen=True)
class KeptYear:
    """Counts of a year by groups of patients, as they were first released.

    Attributes
    ----------
    year : str
        The year.
    defined : str
        What the quantities mean.
    rows : tuple of (str, str, str, float or None)
        Kind of group, group, quantity and count; None where it is hidden.
    quarter, as_of : str
        Of the release that told it first; the day of its data is empty where nobody said.
    """

    year: str
    defined: str
    rows: tuple[tuple[str, str, str, float | None], ...]
    quarter: str = ""
    as_of: str = ""

    def told_by(self, releases: tuple[Release, ...]) -> bool:
        """Say whether one of these releases told it first."""
        return any((one.quarter, one.as_of or "") == (self.quarter, self.as_of) for one in releases)


@dataclass(frozen=True)
class Ledger:
    """The releases so far, the first one first, and the baseline that charts keep.

    Attributes
    ----------
    releases : tuple of Release
        What was shown.
    baseline : tuple of str
        Periods of the stored baseline; empty where none is stored yet.
    lines : dict of str to dict of str to float
        By indicator the numbers of its chart that come from the baseline, as they were stored.
    years : tuple of KeptYear
        Years of which counts by groups of patients were released.
    """

    releases: tuple[Release, ...] = ()
    baseline: tuple[str, ...] = ()
    lines: dict[str, dict[str, float]] = field(default_factory=dict)
    years: tuple[KeptYear, ...] = ()

    def year(self, name: str) -> KeptYear | None:
        """Give a year as it was first released; None where it was not."""
        return next((one for one in self.years if one.year == name), None)

    def with_release(self, release: Release) -> Ledger:
        """Add a release; one that shows the same counts as an earlier one takes over the states of the actions."""
        if any(one.shows_the_same(release) for one in self.releases):
            again = (
                replace(one, actions=release.actions) if one.shows_the_same(release) else one for one in self.releases
            )
            return replace(self, releases=tuple(again))
        return replace(self, releases=(*self.releases, release))


def read_ledger(path: Path) -> Ledger:
    """Read a release ledger; without a file it is empty.

    Raises
    ------
    CohortError
        The file is no ledger, or one of a later kit.

    Examples
    --------
    >>> read_ledger(Path("no such file.json")).releases
    ()
    """
    if not path.exists():
        return Ledger()
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
        if data["format"] != FORMAT:
            raise CohortError(
                f"The release ledger has format {data['format']!r}; this version of the kit reads {FORMAT}.",
                where=path.name,
                what_to_do="Use the version of the kit that wrote it.",
            )
        releases = tuple(_release(one) for one in data["releases"])
        lines = {str(name): {str(k): float(v) for k, v in one.items()} for name, one in data["lines"].items()}
        years = tuple(
            KeptYear(
                str(one["year"]),
                str(one["defined"]),
                tuple(_row(row) for row in one["rows"]),
                str(one["quarter"]),
                str(one["as_of"]),
            )
            for one in data.get("years", [])
        )
        return Ledger(releases, tuple(map(str, data["baseline"])), lines, years)
    except (OSError, UnicodeDecodeError, ValueError, KeyError, TypeError, AttributeError) as error:
        raise CohortError(
            "The release ledger cannot be read, so what was shown before is not known.",
            where=f"{path.name}: {error}",
            what_to_do="Put back the ledger as it was written; without it earlier releases are not protected.",
        ) from error


def write_ledger(path: Path, ledger: Ledger) -> None:
    """Write a release ledger, whole or not at all.

    Raises
    ------
    CohortError
        The file cannot be written.
    """
    data = {
        "format": FORMAT,
        "about": "What the releases of a quarter's report showed; a new release is checked against it. It holds no hidden count.",
        "baseline": list(ledger.baseline),
        "lines": ledger.lines,
        "years": [
            {
                "year": one.year,
                "defined": one.defined,
                "quarter": one.quarter,
                "as_of": one.as_of,
                "rows": [list(row) for row in one.rows],
            }
            for one in ledger.years
        ],
        "releases": [_plain(one) for one in ledger.releases],
    }
    part = path.with_name(f".{path.name}.part")
    try:
        part.write_text(json.dumps(data, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
        part.replace(path)
    except OSError as error:
        part.unlink(missing_ok=True)
        raise CohortError(
            "The release ledger cannot be written, so the report is not one to be released.",
            where=f"{path.name}: {error.strerror}",
            what_to_do="Name a file that can be written with the parameter releases.",
        ) from error


def _row(row: list[Any]) -> tuple[str, str, str, float | None]:
    kind, group, quantity, value = row
    return str(kind), str(group), str(quantity), None if value is None else float(value)


def _plain(one: Release) -> dict[str, Any]:
    places = list(dict.fromkeys([*one.shown, *one.hidden]))
    return {
        "quarter": one.quarter,
        "as_of": one.as_of,
        "window": list(one.window),
        "baseline": list(one.baseline),
        "places": [
            {
                "periods": list(periods),
                "site": site,
                "shown": one.shown.get((periods, site), {}),
                "hidden": list(one.hidden.get((periods, site), ())),
            }
            for periods, site in places
        ],
        "floors": [list(row) for row in one.floors],
        "signals": [list(row) for row in one.signals],
        "actions": [list(row) for row in one.actions],
        "seen": [[list(periods), defined, [list(row) for row in rows]] for periods, defined, rows in one.seen],
    }


def _release(data: dict[str, Any]) -> Release:
    shown: dict[Place, dict[str, float]] = {}
    hidden: dict[Place, tuple[str, ...]] = {}
    for row in data["places"]:
        place = (tuple(map(str, row["periods"])), str(row["site"]))
        if row["shown"]:
            shown[place] = {str(name): float(value) for name, value in row["shown"].items()}
        if row["hidden"]:
            hidden[place] = tuple(map(str, row["hidden"]))
    return Release(
        str(data["quarter"]),
        None if data["as_of"] is None else str(data["as_of"]),
        tuple(map(str, data["window"])),
        tuple(map(str, data["baseline"])),
        shown,
        hidden,
        tuple((str(a), str(b), float(c), bool(d)) for a, b, c, d in data["floors"]),
        tuple((str(a), str(b), str(c)) for a, b, c in data["signals"]),
        tuple((str(a), str(b)) for a, b in data.get("actions", [])),
        tuple(
            (tuple(map(str, periods)), str(defined), tuple((float(week), float(n)) for week, n in rows))
            for periods, defined, rows in data.get("seen", [])
        ),
    )

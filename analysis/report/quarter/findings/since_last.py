"""What became of the last release: which counts late data revised, and which signals are new, go on, or are none now."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from analysis.counted import form
from analysis.quarter import Indicator, ReleasedCounts
from analysis.quarter.ledger.entries import Release
from analysis.quarter.periods import quarter_in_words
from analysis.report.parts import numbers
from analysis.report.parts.numbers import in_text
from analysis.report.quarter.findings.finding import Followed, QuarterFindings, SiteSignal, site_key
from analysis.report.quarter.findings.words import MOST_NAMED, day_words, name_words, verdict_words

if TYPE_CHECKING:
    from collections.abc import Mapping


@dataclass(frozen=True)
class Revised:
    """A count that late data revised: the indicator, the period, and numerator and denominator before and now."""

    indicator: Indicator
    period: str
    before: tuple[float, float]
    now: tuple[float, float]


@dataclass(frozen=True)
class SinceLast:
    """What became of the last release.

    Attributes
    ----------
    quarter, as_of : str
        The quarter that it reported, and the day of its data (None where nobody said).
    compared : int
        Values by indicator and period that both releases show.
    revised : tuple of Revised
        Those that differ.
    as_released : int
        Values that stand as they were released, because late data changed them by too few patients to be told.
    new, going_on, over : tuple of Followed
        Indicators with a signal that the last release did not have, with the same one, and without the one it had.
    new_sites, going_on_sites, over_sites, unknown_sites : tuple of SiteSignal
        Sites with a signal likewise; those without the one they had are judged now, or cannot be.
    """

    quarter: str
    as_of: str | None
    compared: int
    revised: tuple[Revised, ...]
    as_released: int
    new: tuple[Followed, ...]
    going_on: tuple[Followed, ...]
    over: tuple[Followed, ...]
    new_sites: tuple[SiteSignal, ...] = ()
    going_on_sites: tuple[SiteSignal, ...] = ()
    over_sites: tuple[SiteSignal, ...] = ()
    unknown_sites: tuple[SiteSignal, ...] = ()


def since_last(released: ReleasedCounts, found: QuarterFindings, last: Release) -> SinceLast:
    """Hold a release against the last one; nothing is rounded here."""
    compared, revised, stand = 0, [], 0
    for one in released.indicators:
        for row in released.by_period(one).to_dict("records"):
            before = last.shown.get(released.place(str(row["period"])), {})
            if one.numerator not in before or one.denominator not in before or row["hidden"]:
                continue
            if row["as_released"]:
                stand += 1
                continue
            compared += 1
            old, new = (before[one.numerator], before[one.denominator]), (row["numerator"], row["denominator"])
            if old != new:
                revised.append(Revised(one, str(row["period"]), old, (float(new[0]), float(new[1]))))
    ways = {name: way for name, way, _ in last.signals}
    now = found.signals
    going_on = tuple(one for one in now if ways.get(one.indicator.name) == one.change.way)
    over = tuple(one for one in found.followed if one.indicator.name in ways and one not in now)
    return SinceLast(
        last.quarter, last.as_of, compared, tuple(revised), stand,
        tuple(one for one in now if one not in going_on), going_on, over, *_of_sites(released, found, ways),
    )  # fmt: skip


def _of_sites(
    released: ReleasedCounts, found: QuarterFindings, ways: Mapping[str, str]
) -> tuple[tuple[SiteSignal, ...], ...]:
    """Give the signals of sites that are new, go on, are none now, and cannot be judged now."""
    now = found.site_signals
    keys = {one.key for one in now}
    over: list[SiteSignal] = []
    unknown: list[SiteSignal] = []
    for one in released.indicators:
        known = released.by_site(one).set_index("site")["value"].notna()
        for site in released.sites:
            key = site_key(one.name, site)
            if key in ways and key not in keys:
                (over if known[site] else unknown).append(SiteSignal(one.name, site, ways[key]))
    return (
        tuple(one for one in now if ways.get(one.key) != one.way),
        tuple(one for one in now if ways.get(one.key) == one.way),
        tuple(over),
        tuple(unknown),
    )


def since_words(found: QuarterFindings, since: SinceLast) -> list[str]:
    """Say what became of the last release: signals first, then what late data revised."""
    day = "" if since.as_of is None else f", with data up to {day_words(since.as_of)}"
    said = [f"The last release reported {quarter_in_words(since.quarter)}{day}."]
    for those, sites, what in (
        (since.new, since.new_sites, "New signals"),
        (since.going_on, since.going_on_sites, "Signals that go on"),
    ):
        told = [f"{name_words(one)}: {verdict_words(found, one)}" for one in those]
        told += [f"{site_label(found, one)}: {one.way} the whole" for one in sites]
        if told:
            said.append(f"{what} ({len(told)}): {'; '.join(told)}.")
    for one in since.over:
        state = "is none now" if one.judged else f"cannot be judged now ({verdict_words(found, one)})"
        said.append(f"The signal of the last release in {in_text(name_words(one))} {state}.")
    for lost, state in ((since.over_sites, "is none now"), (since.unknown_sites, "cannot be judged now")):
        said += [f"The signal of the last release in {in_text(site_label(found, site))} {state}." for site in lost]
    if len(said) == 1:
        judged = sum(one.judged for one in found.followed)
        said.append(
            f"The last release had no signal, and of {numbers.plural(judged, 'indicator')} judged now none has one."
        )
    return [*said, *_revised_words(since)]


def site_label(found: QuarterFindings, one: SiteSignal) -> str:
    """Name the signal of a site for readers."""
    return f"{name_words(found.of(one.indicator))} at {one.site}"


def _revised_words(since: SinceLast) -> list[str]:
    said = []
    if since.revised:
        n = len(since.revised)
        first = (
            f"Late data revised {n} of the {since.compared} values that both releases show"
            if since.compared > 1
            else "Late data revised the one value that both releases show"
        )
        told = [
            f"{in_text(one.indicator.title)}, {quarter_in_words(one.period)}: {_counts(one, one.before)}, now {_counts(one, one.now)}"
            for one in since.revised[-MOST_NAMED:]
            if one.indicator.kind != "mean"
        ]
        which = f"; the latest are {'; '.join(told)}" if told else ""
        said.append(f"{first}{which}.")
    elif since.compared:
        values = numbers.plural(since.compared, "value")
        said.append(f"Late data revised none of the {values} that both releases show." if since.compared > 1 else
                    "Late data did not revise the one value that both releases show.")  # fmt: skip
    if since.as_released:
        n = since.as_released
        said.append(
            f"{numbers.count(n).capitalize()} {form(n, 'value')} {form(n, 'stands', 'stand')} as released, since late data changed "
            f"{form(n, 'it', 'them')} by too few patients to be told."
        )
    return said


def _counts(one: Revised, counts: tuple[float, float]) -> str:
    if one.indicator.kind == "share":
        return numbers.fraction(*counts)
    return f"{numbers.count(counts[0])} among {numbers.count(counts[1])}"

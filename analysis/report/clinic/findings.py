"""What can be said of one clinic: records, each with what was looked at; nothing is rounded, and nothing judged anew."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.quarter.blocks import released_before
from analysis.quarter.released_counts import WINDOW, site_slice
from analysis.quarter.sites.funnel import BEYOND_95, BEYOND_998
from analysis.quarter.value_interval import value_interval
from analysis.report.quarter.findings.since_last import since_last
from analysis.report.quarter.sites_over_time import blocks_of
from analysis.statistics.small_counts import LARGEST_HIDDEN

if TYPE_CHECKING:
    import pandas as pd

    from analysis.quarter import Indicator
    from analysis.report.quarter.findings.over_blocks import OverBlocks
    from analysis.report.quarter.study import QuarterStudy


@dataclass(frozen=True)
class OfClinic:
    """An indicator of the clinic over the window.

    Attributes
    ----------
    indicator : Indicator
        The indicator.
    numerator, denominator, value, lower, upper : float
        Of the clinic with its interval; NaN where hidden.
    hidden : bool
        Whether the value is hidden because of small counts.
    network : float
        Value of all sites together; NaN where hidden.
    network_hidden : bool
        Whether that is hidden.
    region : str
        Where the quarter's report places the site among the limits about the whole; empty where it is not judged.
    way : str
        On which side of the whole it lies, "above" or "below"; of a signal as the list of signals says it.
    as_released : bool
        Whether the value stands as an earlier release showed it.
    signal : bool
        Whether the site has a signal by it in the quarter's report.
    """

    indicator: Indicator
    numerator: float
    denominator: float
    value: float
    lower: float
    upper: float
    hidden: bool
    network: float
    network_hidden: bool
    region: str
    way: str
    as_released: bool
    signal: bool

    @property
    def worth_a_look(self) -> bool:
        """Whether it lies beyond limits without a signal."""
        return self.region in (BEYOND_95, BEYOND_998) and not self.signal

    @property
    def reached(self) -> bool | None:
        """Of completeness, whether the floor is reached; None where the value is not known."""
        return None if np.isnan(self.value) else self.value >= self.indicator.floor


@dataclass(frozen=True)
class Late:
    """What came late, as far as the ledger says.

    Attributes
    ----------
    quarter : str
        The quarter of the last release; empty where there is none.
    as_of : str or None
        Day of its data.
    compared, stand : int
        Values of the clinic that an earlier release shows too, over the same quarters, and those that stand as it showed them.
    revised : tuple of (Indicator, tuple of float, tuple of float)
        Those that differ: numerator and denominator before and now.
    of_network, of_network_revised : int
        Values of all sites together that both releases show, and those of them that differ.
    """

    quarter: str = ""
    as_of: str | None = None
    compared: int = 0
    stand: int = 0
    revised: tuple[tuple[Indicator, tuple[float, float], tuple[float, float]], ...] = ()
    of_network: int = 0
    of_network_revised: int = 0


@dataclass(frozen=True)
class Questions:
    """Questions to the clinic by kind, whether they concern more patients than a small count, and whether small counts are hidden."""

    kinds: dict[str, int]
    of_many: bool
    hidden: bool = True

    @property
    def total(self) -> int:
        """All of them."""
        return sum(self.kinds.values())


@dataclass(frozen=True)
class ClinicFindings:
    """What can be said of a clinic.

    Attributes
    ----------
    site, span : str
        The clinic, and the quarters over which sites are compared, in words.
    alone : bool
        Whether it is the only site, so that there is nothing to compare.
    followed, completeness : tuple of OfClinic
        Its shares and rates, the main outcome first, and how many of the patients due have a value.
    main : str
        Name of the main outcome; empty where there is none.
    blocks : OverBlocks or None
        The main outcome over blocks of quarters; None where there is one site.
    late : Late
        What came late.
    questions : Questions or None
        None where the folder holds no patients.
    level : float
        Confidence level.
    """

    site: str
    span: str
    alone: bool
    followed: tuple[OfClinic, ...]
    completeness: tuple[OfClinic, ...]
    main: str
    blocks: OverBlocks | None
    late: Late
    questions: Questions | None
    level: float

    @property
    def judged(self) -> int:
        """Indicators, without completeness, of which the site is placed among the limits."""
        return sum(bool(one.region) for one in self.followed)


def find(study: QuarterStudy, site: str, questions: pd.DataFrame | None) -> ClinicFindings:
    """Give what the quarter's report releases of one site, and the questions to it."""
    released, compared = study.released, study.compared
    rows = [_of(study, one, site) for one in released.indicators if one.kind != "mean"]
    followed = [one for one in rows if not one.indicator.is_completeness]
    return ClinicFindings(
        site, study.span, len(released.sites) < 2,
        tuple(sorted(followed, key=lambda one: one.indicator != compared)),
        tuple(one for one in rows if one.indicator.is_completeness),
        compared.name if compared is not None else "", blocks_of(study), _late(study, site),
        None if questions is None else _asked(questions, site, hidden=released.small_counts == "hidden"), study.level,
    )  # fmt: skip


def _of(study: QuarterStudy, one: Indicator, site: str) -> OfClinic:
    row, whole = study.released.of(one, [site_slice(site), WINDOW]).to_dict("records")
    numerator, denominator, value = (float(row[name]) for name in ("numerator", "denominator", "value"))
    about = study.funnel if one == study.compared else study.other_funnels.get(one.name)
    region, target = "", float("nan")
    if about is not None:
        at = about.table.loc[about.table["site"] == site, "wide_region"]
        region, target = (str(at.iloc[0]) if len(at) else ""), about.target
    signal = next((at for at in study.found.site_signals if (at.indicator, at.site) == (one.name, site)), None)
    way = signal.way if signal is not None else "above" if value > target else "below"
    return OfClinic(
        one, numerator, denominator, value, *value_interval(one.kind, numerator, denominator, level=study.level),
        bool(row["hidden"]), float(whole["value"]), bool(whole["hidden"]), region, way, bool(row["as_released"]),
        signal is not None,
    )  # fmt: skip


def _late(study: QuarterStudy, site: str) -> Late:
    """Hold what is shown of the site against what earlier releases showed over the same quarters."""
    released, before = study.released, study.releasing.before
    if not before or released.small_counts != "hidden":
        return Late()
    rows = [(one, released.of(one, [site_slice(site)])) for one in released.indicators if one.kind != "mean"]
    if study.compared is not None:
        found = released.by_block(study.compared)
        anew = [one for one in released.blocks if one != released.window
                and released_before(one, released.window, released.earlier) is None]  # fmt: skip
        rows.append((study.compared, found[found["site"].eq(site) & found["block"].isin(anew)]))
    compared, stand, revised = 0, 0, []
    for one, table in rows:
        for row in table.to_dict("records"):
            place = released.place(str(row["slice"]))
            showed = [entry.shown[place] for entry in reversed(before) if {one.numerator, one.denominator} <= set(
                entry.shown.get(place, ()))]  # fmt: skip
            if not showed or row["hidden"]:
                continue
            if row["as_released"]:
                stand += 1
                continue
            compared += 1
            was = showed[0][one.numerator], showed[0][one.denominator]
            now = float(row["numerator"]), float(row["denominator"])
            if was != now:
                revised.append((one, was, now))
    of_all = since_last(released, study.found, before[-1])
    return Late(
        before[-1].quarter, before[-1].as_of, compared, stand, tuple(revised), of_all.compared, len(of_all.revised)
    )


def _asked(questions: pd.DataFrame, site: str, *, hidden: bool) -> Questions:
    mine = questions[questions["site"] == site]
    kinds = {str(kind): int(n) for kind, n in mine["severity"].value_counts(sort=False).items()}
    return Questions(kinds, mine["patient_id"].nunique() > LARGEST_HIDDEN, hidden)

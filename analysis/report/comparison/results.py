"""What sections show that is made of several results; and what the data lack for one, in words."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeVar

import pandas as pd

from analysis.errors import KneecurveError
from analysis.outcomes import (
    AdherenceAssociation,
    AdherenceClasses,
    ComplierEffect,
    EventsByWeek,
    HomeDose,
    MissingDataAnalyses,
    Responders,
    RespondersAtTwoWeeks,
    TimeToStopping,
    TippingPoint,
    WeeksWithEnough,
)
from analysis.outcomes.responders.adjusted_difference import AdjustedDifference
from analysis.outcomes.responders.better_or_worse import BetterOrWorse
from analysis.outcomes.responders.kept_response import KeptResponse
from analysis.outcomes.responders.repeated_responders import RepeatedResponders
from analysis.outcomes.responders.threshold_grid import ThresholdGrid
from analysis.outcomes.responders.time_to_response import TimeToResponse

Found = TypeVar("Found")


@dataclass(frozen=True)
class Lacking:
    """What the data lack for a result, in the words that stand after "Not in the data:" in a report."""

    what: str


@dataclass(frozen=True)
class CountedOtherwise:
    """The main responder analysis of a study, counted in other ways.

    ``grid``, ``adjusted``, ``within_sites`` and ``repeated`` are None where there is nothing to compare; ``directions`` of a
    state.
    """

    of: Responders
    grid: ThresholdGrid | None
    adjusted: AdjustedDifference | Lacking | None
    adjusted_for: tuple[str, ...]
    within_sites: pd.DataFrame | None
    repeated: RepeatedResponders | Lacking | None
    directions: BetterOrWorse | None
    kept: KeptResponse | Lacking
    two_weeks: RespondersAtTwoWeeks | None
    first_reached: TimeToResponse


@dataclass(frozen=True)
class AtHome:
    """What was done at home, in detail."""

    dose: HomeDose
    stopping: TimeToStopping | Lacking
    courses: AdherenceClasses | Lacking
    weeks_with_enough: WeeksWithEnough | Lacking
    harms: EventsByWeek | Lacking | None


@dataclass(frozen=True)
class DoseAndRecovery:
    """Sessions against recovery by modality: as they went together, and by the allocation where it was drawn by lot."""

    association: dict[str, AdherenceAssociation | Lacking]
    by_allocation: dict[str, ComplierEffect | Lacking]


@dataclass(frozen=True)
class Sensitivity:
    """The comparison under several assumptions about missing visits, and when it turns; responders under the same.

    Intervals of differences of means are adjusted for the number of comparisons (Bonferroni), as those of the verdicts.
    States counted together have responders of their own, or what the data lack to fill their values.
    """

    analyses: MissingDataAnalyses
    tipping: TippingPoint
    responders: MissingDataAnalyses | Lacking


def found_or_lacking(lacking: str, make: Callable[[], Found]) -> Found | Lacking:
    """Give the result, or what the data lack for it."""
    try:
        return make()
    except KneecurveError as error:
        return Lacking(f"{lacking}{error.what}")

"""Harms over the same exposure: within six weeks of the start, of those followed that long; by kind, serious, related."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from analysis.outcomes.home_programme.events import is_harm
from analysis.quarter.counted import STARTED, Counted
from analysis.quarter.counts import Indicator

if TYPE_CHECKING:
    from analysis.cohort.tables import Cohort

#: Weeks after the start within which harms are counted: most patients of the newest quarters have been followed so long
#: (design choice).
EXPOSURE = 6.0
#: More kinds than these are counted together as others (design choice).
MOST_KINDS = 5
#: How quantities of one kind of harm begin.
KIND = "harms: "
FOLLOWED, HARMS, HARMED = "followed six weeks", "harms", "patients harmed"
_UNIT, _PER = "per 100 patients", 100.0


def harm_indicators(cohort: Cohort, counted: Counted, until: pd.Series) -> tuple[list[Indicator], list[Indicator]]:
    """Count harms within six weeks of the start.

    Parameters
    ----------
    cohort : Cohort
        The cohort.
    counted : Counted
        What was counted so far; the quantities of harms are added.
    until : pandas.Series of float
        Week up to which each patient was followed, in the order of the patients.

    Returns
    -------
    tuple of (list of Indicator, list of Indicator)
        The rate of all harms; and the same by kind (the most frequent five, the others together), of serious ones, and of
        those held to be related to the programme, as far as that was recorded. Empty where events were not recorded.
        Events without a week are left out.
    """
    if cohort.events is None:
        return [], []
    events = cohort.events.dropna(subset=["event", "week"])
    early = events[is_harm(events["event"]) & events["week"].le(EXPOSURE)]
    followed = until.ge(EXPOSURE)
    counted.add(FOLLOWED, followed, among=followed)
    counted.split(STARTED, FOLLOWED, "not followed six weeks")
    _add(cohort, counted, HARMS, early, followed)
    harmed = cohort.patients["patient_id"].isin(early["patient_id"]) & followed
    counted.add(HARMED, harmed)
    counted.split(FOLLOWED, HARMED, "patients not harmed")
    counted.split(HARMS, HARMED, "further harms")
    return [_rate("harms", "Harms within six weeks per 100 patients", HARMS, "Harms within six weeks")], [
        *_by_kind(cohort, counted, early, followed),
        *_flagged(cohort, counted, early, followed, "serious", "Serious"),
        *_flagged(cohort, counted, early, followed, "related", "Held to be related"),
    ]


def _by_kind(cohort: Cohort, counted: Counted, early: pd.DataFrame, followed: pd.Series) -> list[Indicator]:
    name = early["event"].astype("str")
    usual = sorted(name.value_counts().head(MOST_KINDS).index)
    if len(usual) < 2:
        return []
    kinds = {one: early[name == one] for one in usual}
    others = early[~name.isin(usual)]
    if len(others):
        kinds["others"] = others
    for one, rows in kinds.items():
        _add(cohort, counted, f"{KIND}{one}", rows, followed)
    counted.sums.append((HARMS, tuple(f"{KIND}{one}" for one in kinds)))
    return [_rate(f"{KIND}{one}", one[:1].upper() + one[1:], f"{KIND}{one}") for one in kinds]


def _flagged(
    cohort: Cohort, counted: Counted, early: pd.DataFrame, followed: pd.Series, column: str, label: str
) -> list[Indicator]:
    if column not in early or not cohort.events[column].notna().any():  # type: ignore[index]
        return []
    quantity = f"harms, {column}"
    _add(cohort, counted, quantity, early[early[column].eq(True).fillna(value=False).astype(bool)], followed)
    counted.split(HARMS, quantity, f"harms, not {column}")
    return [_rate(quantity, label, quantity)]


def _add(cohort: Cohort, counted: Counted, quantity: str, rows: pd.DataFrame, followed: pd.Series) -> None:
    of_patient = cohort.patients["patient_id"].map(rows["patient_id"].value_counts()).fillna(0.0).where(followed, 0.0)
    counted.add(quantity, of_patient > 0, weights=of_patient)


def _rate(name: str, label: str, quantity: str, short: str = "") -> Indicator:
    return Indicator(
        name, label, "rate", "balancing", "lower", quantity, FOLLOWED, "harms within six weeks of the start",
        "patients followed six weeks", unit=_UNIT, per=_PER, short=short or label,
    )  # fmt: skip

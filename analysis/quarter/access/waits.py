"""The waits of a quarter's patients: mean days to surgery and to the first home session."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.quarter.counted import STARTED, Counted
from analysis.quarter.counts import Indicator

if TYPE_CHECKING:
    from analysis.cohort.tables import Cohort

#: Columns of the patients with waits in days, and what they say in words: from what to what.
WAITS = {"days_to_surgery": ("referral", "surgery"), "days_to_first_session": ("surgery", "the first home session")}


def wait_indicators(cohort: Cohort, counted: Counted) -> list[Indicator]:
    """Count the waits that are on record.

    Parameters
    ----------
    cohort : Cohort
        With days_to_surgery, days_to_first_session, both or neither among the patients.
    counted : Counted
        What was counted so far; patients with a known wait, and the sum of their days, are added.

    Returns
    -------
    list of Indicator
        The mean days of each; shorter is better. Patients without the number are left out of it.
    """
    found = []
    for column, (since, until) in WAITS.items():
        if column not in cohort.patients or not cohort.patients[column].notna().any():
            continue
        known, days = f"{column} known", f"{column}, summed"
        value = cohort.patients[column].astype(float)
        counted.add(known, value.notna())
        counted.split(STARTED, known, f"{column} not known")
        counted.add(days, value.notna(), weights=value)
        found.append(
            Indicator(
                column, f"Mean wait from {since} to {until}", "mean", "process", "lower", days, known, "sum of days",
                "patients whose wait is on record", unit="days", short=f"Wait for {until}",
            )
        )  # fmt: skip
    return found

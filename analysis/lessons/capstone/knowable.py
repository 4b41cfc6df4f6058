"""What a cohort lets one know: the difference with its interval, shares with their denominators, who was not seen."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import pandas as pd

from analysis.cohort import Cohort, visit_frame
from analysis.curves import fit_recovery
from analysis.lessons.capstone.claims import Verdict
from analysis.lessons.capstone.study import GAIN, MATTERS, MEASURE, WEEK
from analysis.outcomes import choose_endpoint, responders


@dataclass(frozen=True)
class Knowable:
    """What an analysis of one cohort gives.

    Parameters
    ----------
    estimate, lower, upper : float
        Adjusted difference at the week, new protocol minus reference, with its 95 % interval, in degrees.
    improved : dict of str to (int, int)
        By protocol those who improved, and those with a baseline and a value at the week.
    allocated : dict of str to int
        By protocol all patients.
    seen : int
        Patients with a value at the week.
    """

    estimate: float
    lower: float
    upper: float
    improved: dict[str, tuple[int, int]]
    allocated: dict[str, int]
    seen: int

    @property
    def patients(self) -> int:
        """All patients."""
        return sum(self.allocated.values())

    @property
    def verdict(self) -> Verdict:
        """The strongest statement that the interval allows."""
        if min(abs(self.lower), abs(self.upper)) >= MATTERS and self.shows_a_difference:
            return "a difference that matters"
        if self.shows_a_difference:
            return "a difference"
        if max(abs(self.lower), abs(self.upper)) < MATTERS:
            return "no difference that matters"
        return "no difference shown"

    @property
    def shows_a_difference(self) -> bool:
        """Whether the interval leaves out zero."""
        return self.lower > 0 or self.upper < 0


def what_can_be_known(cohort: Cohort) -> Knowable:
    """Analyse a cohort as the lessons teach it: mixed model adjusted for the baseline, shares of those seen.

    Parameters
    ----------
    cohort : Cohort
        The cohort, mended as far as it can be.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> known = what_can_be_known(generate_cohort("knee replacement", patients=90, seed=1).observed)
    >>> known.lower < known.estimate < known.upper
    True
    """
    row = fit_recovery(cohort, MEASURE, primary_week=WEEK).primary_differences().iloc[0]
    table = responders(cohort, choose_endpoint(cohort, MEASURE, week=WEEK, threshold=GAIN)).table
    values = visit_frame(cohort, MEASURE).dropna(subset=["value"])
    allocated = cohort.patients["protocol"].astype(str).value_counts()
    return Knowable(
        float(row["estimate"]),
        float(row["lower"]),
        float(row["upper"]),
        {str(one["protocol"]): (int(one["responders"]), int(one["n"])) for one in table.to_dict("records")},
        {name: int(allocated[name]) for name in cohort.protocols},
        int(values.loc[values["week"] == WEEK, "patient_id"].nunique()),
    )


def lost_and_seen(cohort: Cohort, measure: str, *, week: float, of: Sequence[str], by: float) -> pd.DataFrame:
    """Set those not seen at a week beside those seen: their last values up to an earlier week.

    Parameters
    ----------
    cohort : Cohort
        The cohort.
    measure : str
        The measure that was to be taken at the week.
    week : float
        The week.
    of : sequence of str
        Measures whose earlier values are given.
    by : float
        The last week whose values are taken; those from before the start are not.

    Returns
    -------
    pandas.DataFrame
        One row a patient: patient_id, seen (bool, at the week), and a column for each measure, in its unit; missing where
        the patient has none by then.

    Raises
    ------
    CohortError
        A measure is not known.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> cohort = generate_cohort("knee replacement", patients=30, seed=1).observed
    >>> list(lost_and_seen(cohort, "knee_flexion", week=26, of=["pain"], by=8))
    ['patient_id', 'seen', 'pain']
    """
    values = visit_frame(cohort, measure).dropna(subset=["value"])
    frame = cohort.patients[["patient_id"]].reset_index(drop=True)
    frame["seen"] = frame["patient_id"].isin(values.loc[values["week"] == week, "patient_id"])
    for one in of:
        earlier = visit_frame(cohort, one).dropna(subset=["value"])
        earlier = earlier[(earlier["week"] > 0) & (earlier["week"] <= by)]
        frame[one] = frame["patient_id"].map(earlier.groupby("patient_id")["value"].last())
    return frame

"""Limb symmetry beside what it hides: the absolute torque, and the other limb as it was before surgery."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analysis.cohort.reference import reference_protocol
from analysis.cohort.visit_frame import visit_frame
from analysis.outcomes.change.change import change_at_week, used_protocols
from analysis.outcomes.responders.change_distribution import reached
from analysis.outcomes.responders.responders import count_responders
from analysis.result import Result
from analysis.statistics.proportions import check_level, compare_shares

if TYPE_CHECKING:
    from analysis.cohort.tables import Cohort

SYMMETRY = "limb symmetry index"
BEFORE = "share of the other limb before the start"
TORQUE = "torque"
HIDDEN = "symmetry reached, share of the limb before not"


@dataclass(frozen=True, eq=False, repr=False)
class LimbSymmetry(Result):
    """Limb symmetry and its companions by protocol at one week.

    Attributes
    ----------
    week : float
        The week.
    table : pandas.DataFrame
        criterion, threshold, unit, protocol, allocated, n, responders, share, lower, upper, level, method.
    differences : pandas.DataFrame
        criterion, protocol, reference, n, reference_n, difference, lower, upper, level, method.
    patients : pandas.DataFrame
        patient_id, protocol, involved, uninvolved, uninvolved_before (torques), symmetry and of_before (per cent).
    notes : tuple of str
        What was counted.
    """

    week: float
    table: pd.DataFrame
    differences: pd.DataFrame
    patients: pd.DataFrame
    notes: tuple[str, ...]

    def _headline(self) -> str:
        return f"Limb symmetry and absolute torque at week {self.week:g}"


def limb_symmetry(
    cohort: Cohort,
    *,
    week: float,
    symmetry: float = 90.0,
    torque: float = 3.0,
    measure: str = "quadriceps_torque",
    level: float = 0.95,
    reference: str | None = None,
) -> LimbSymmetry:
    """Count who reached limb symmetry, the absolute torque, and the strength of the other limb before the start.

    Parameters
    ----------
    cohort : Cohort
        The cohort, with the measure of both limbs.
    week : float
        The week.
    symmetry : float
        Per cent of the other limb, now or before, that counts as reached; 90 by custom.
    torque : float
        Torque of the involved limb that counts as reached, in the unit of the measure; 3.0 N·m/kg is a common target.
    measure : str
        A measure of both limbs.
    level : float
        Confidence level.
    reference : str, optional
        The protocol compared with; by default that of the cohort, or the first one where it names none.

    Returns
    -------
    LimbSymmetry
        Each criterion by protocol, and those whom the symmetry index passes although the limb before would not.

    Raises
    ------
    CohortError
        The measure is not taken on both limbs.

    Notes
    -----
    The other limb weakens too: at 85 % of its former torque, a symmetry of 90 % is 76.5 % of the limb before. Of 70
    patients 40 met 90 % symmetry and 20 met 90 % of the estimated level before injury (Wellsandt et al., J Orthop
    Sports Phys Ther 2017). The other limb at baseline stands for the level before; it may have weakened by then.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> found = limb_symmetry(generate_cohort(patients=60, seed=1).observed, week=26)
    >>> found.table["criterion"].nunique()
    4
    """
    check_level(level)
    involved = change_at_week(cohort, measure, week=week, limb="involved")
    other = visit_frame(cohort, measure, "uninvolved")
    now = other[other["week"] == week].set_index("patient_id")["value"]
    before = other.drop_duplicates("patient_id").set_index("patient_id")["baseline"]
    ids = cohort.patients["patient_id"]
    patients = pd.DataFrame(
        {
            "patient_id": ids,
            "protocol": used_protocols(cohort.patients["protocol"]),
            "involved": involved["value"],
            "uninvolved": ids.map(now).astype("float64"),
            "uninvolved_before": ids.map(before).astype("float64"),
        }
    )
    patients["symmetry"] = 100 * patients["involved"] / patients["uninvolved"].where(patients["uninvolved"] > 0)
    former = patients["uninvolved_before"]
    patients["of_before"] = 100 * patients["involved"] / former.where(former > 0)
    by_symmetry, by_before = reached(patients["symmetry"], symmetry), reached(patients["of_before"], symmetry)
    both_known = by_symmetry.notna() & by_before.notna()
    answers = {
        SYMMETRY: (by_symmetry, symmetry, "%"),
        TORQUE: (reached(patients["involved"], torque), torque, cohort.measures[measure].unit),
        BEFORE: (by_before, symmetry, "%"),
        HIDDEN: ((by_symmetry & ~by_before).where(both_known), np.nan, ""),
    }
    base = reference_protocol(cohort, patients["protocol"], reference)
    tables, gaps = [], []
    for name, (answer, threshold, unit) in answers.items():
        counted = count_responders(patients[["protocol"]].assign(responder=answer), level=level)
        gap = compare_shares(counted, base, counted["protocol"].tolist(), level=level)
        counted.insert(0, "unit", unit)
        counted.insert(0, "threshold", threshold)
        for frame in (counted, gap):
            frame.insert(0, "criterion", name)
        tables.append(counted)
        gaps.append(gap)
    return LimbSymmetry(
        week=float(week),
        table=pd.concat(tables, ignore_index=True),
        differences=pd.concat(gaps, ignore_index=True),
        patients=patients,
        notes=(
            "Denominators: patients with the values that each criterion needs.",
            "The other limb weakens too, so symmetry flatters; the other limb at baseline stands for the level before.",
            "An index just below its line is inside the error of one test (about 14 to 25 points, own derivation).",
        ),
    )

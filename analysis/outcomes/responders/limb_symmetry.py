"""Limb symmetry beside what it hides: the absolute torque, and the other limb as it was before surgery."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from analysis.cohort.schedule import moment
from analysis.cohort.tables import Cohort
from analysis.cohort.visit_frame import visit_frame
from analysis.errors import ModelError
from analysis.outcomes.change.change import change_at_week
from analysis.outcomes.endpoint import Endpoint, reached
from analysis.outcomes.responders.responders import count_responders
from analysis.result import ResultWithNotes
from analysis.statistics.proportions import compare_shares

SYMMETRY = "limb symmetry index"
BEFORE = "share of the other limb before the start"
TORQUE = "torque"
HIDDEN = "symmetry reached, share of the limb before not"


@dataclass(frozen=True, eq=False, repr=False)
class LimbSymmetry(ResultWithNotes):
    """Limb symmetry and its companions by protocol at one week.

    Attributes
    ----------
    endpoint : Endpoint
        The torque to reach, and when.
    table : pandas.DataFrame
        criterion, threshold, unit, protocol, allocated, n, responders, share, lower, upper, level, method.
    differences : pandas.DataFrame
        criterion, protocol, reference, n, reference_n, difference, lower, upper, level, method.
    patients : pandas.DataFrame
        patient_id, protocol, involved, uninvolved, uninvolved_before (torques), symmetry and of_before (per cent).
    """

    endpoint: Endpoint
    table: pd.DataFrame
    differences: pd.DataFrame
    patients: pd.DataFrame

    def _headline(self) -> str:
        return f"Limb symmetry and absolute torque at {moment(self.endpoint.week)}"


def limb_symmetry(cohort: Cohort, endpoint: Endpoint, *, symmetry: float = 90.0) -> LimbSymmetry:
    """Count who reached limb symmetry, the absolute torque, and the strength of the other limb before the start.

    Parameters
    ----------
    cohort : Cohort
        The cohort, with the measure of both limbs.
    endpoint : Endpoint
        The torque of the involved limb that is to be reached, as a state; 3.0 N·m/kg is a common target. Who lacks a value
        that a criterion needs is left out.
    symmetry : float
        Per cent of the other limb, now or before, that counts as reached; 90 by custom.

    Returns
    -------
    LimbSymmetry
        Each criterion by protocol, and those whom the symmetry index passes although the limb before would not.

    Raises
    ------
    ModelError
        The measure has a best value such as 0 degrees, of which no per cent can be taken.
    CohortError
        The measure is not taken on both limbs.

    Notes
    -----
    The other limb weakens too: at 85 % of its former torque, a symmetry of 90 % is 76.5 % of the limb before. Of 70
    patients 40 met 90 % symmetry and 20 met 90 % of the estimated level before injury (Wellsandt et al., J Orthop
    Sports Phys Ther 2017). The other limb at baseline stands for the level before; it may have weakened by then.

    Examples
    --------
    >>> from analysis.outcomes import choose_endpoint
    >>> from synthetic_cohort import generate_cohort
    >>> cohort = generate_cohort(patients=60, seed=1).observed
    >>> endpoint = choose_endpoint(cohort, "quadriceps_torque", week=26, threshold=3.0, criterion="state")
    >>> found = limb_symmetry(cohort, endpoint)
    >>> found.table["criterion"].nunique()
    4
    """
    level, ideal = endpoint.level, endpoint.measure.ideal
    if ideal is not None:
        raise ModelError(
            f"{endpoint.measure.label} is best at {ideal:g}: a per cent of the other limb says nothing.",
            where=f"endpoint: {endpoint.words}",
            what_to_do="Choose a measure such as quadriceps_torque, or compare the limbs by gap_regained.",
        )
    involved = change_at_week(cohort, endpoint)
    other = visit_frame(cohort, endpoint.measure.name, "uninvolved")
    now = other[other["week"] == endpoint.week].set_index("patient_id")["value"]
    before = other.drop_duplicates("patient_id").set_index("patient_id")["baseline"]
    ids = involved["patient_id"]
    patients = involved[["patient_id", "protocol"]].assign(
        involved=involved["value"],
        uninvolved=ids.map(now).astype("float64"),
        uninvolved_before=ids.map(before).astype("float64"),
    )
    patients["symmetry"] = 100 * patients["involved"] / patients["uninvolved"].where(patients["uninvolved"] > 0)
    former = patients["uninvolved_before"]
    patients["of_before"] = 100 * patients["involved"] / former.where(former > 0)
    by_symmetry, by_before = reached(patients["symmetry"], symmetry), reached(patients["of_before"], symmetry)
    by_torque = endpoint.reached(endpoint.amount(involved["baseline"], involved["value"]))
    both_known = by_symmetry.notna() & by_before.notna()
    answers = {
        SYMMETRY: (by_symmetry, symmetry, "%"),
        TORQUE: (by_torque, endpoint.to_reach.value, endpoint.to_reach.unit),
        BEFORE: (by_before, symmetry, "%"),
        HIDDEN: ((by_symmetry & ~by_before).where(both_known), np.nan, ""),
    }
    base = endpoint.compared_with(cohort, patients["protocol"])
    tables, gaps = [], []
    for name, (answer, threshold, unit) in answers.items():
        counted = count_responders(patients[["protocol"]].assign(responder=answer), level=level)
        gap = compare_shares(counted, base, level=level)
        for column, value in (("unit", unit), ("threshold", threshold), ("criterion", name)):
            counted.insert(0, column, value)
        gap.insert(0, "criterion", name)
        tables.append(counted)
        gaps.append(gap)
    return LimbSymmetry(
        endpoint=endpoint,
        table=pd.concat(tables, ignore_index=True),
        differences=pd.concat(gaps, ignore_index=True),
        patients=patients,
        notes=(
            "Denominators: patients with the values that each criterion needs.",
            "The other limb weakens too, so symmetry flatters; the other limb at baseline stands for the level before.",
            "An index just below its line is inside the error of one test (about 14 to 25 points, own derivation).",
        ),
    )

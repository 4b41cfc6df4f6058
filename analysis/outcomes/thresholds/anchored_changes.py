"""Changes of a cohort beside the patients' own judgement of them: what thresholds are found from."""

import pandas as pd

from analysis.cohort.schedule import moment
from analysis.cohort.tables import Cohort
from analysis.cohort.visit_frame import visit_frame
from analysis.errors import ModelError


def anchored_changes(
    cohort: Cohort, measure: str, anchor: str, *, week: float, limb: str | None = None
) -> pd.DataFrame:
    """Give the improvement of each patient by a week with what the patient says of it then.

    Parameters
    ----------
    cohort : Cohort
    measure : str
        A stored or derived measure.
    anchor : str
        A measure of the cohort whose value at the week is the judgement, such as a global rating of change; or a column of the
        patients.
    week : float
        Week of the visit; the last value at or before week 0 is the baseline.
    limb : str, optional
        The limb; by default the involved one where the measure has limbs.

    Returns
    -------
    pandas.DataFrame
        patient_id, improvement (positive is better), baseline (in the better direction) and the anchor under its name; patients
        without an improvement or an anchor are missing there, not left out.

    Raises
    ------
    ModelError
        There is no such anchor, or nobody has a change and an anchor at the week.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> cohort = generate_cohort(patients=60, seed=1).observed
    >>> anchored_changes(cohort, "ikdc", "sex", week=26).columns.tolist()
    ['patient_id', 'improvement', 'baseline', 'sex']
    """
    known = cohort.measures[measure]
    frame = visit_frame(cohort, measure, limb)
    at = frame[frame["week"] == week].drop_duplicates("patient_id").set_index("patient_id")
    people = cohort.patients[["patient_id"]].copy()
    start, then = (people["patient_id"].map(at[column]).astype("float64") for column in ("baseline", "value"))
    people["improvement"] = known.worth(then) - known.worth(start)
    people["baseline"] = known.worth(start)
    people[anchor] = _anchor(cohort, anchor, week, people["patient_id"])
    if not (people["improvement"].notna() & people[anchor].notna()).any():
        raise ModelError(
            f"Nobody has both a change of {known.label} and the anchor {anchor!r} at {moment(week)}.",
            where=f"measure {measure!r}, anchor {anchor!r}",
            what_to_do="Name a week at which both were asked.",
        )
    return people


def _anchor(cohort: Cohort, anchor: str, week: float, patients: pd.Series) -> pd.Series:
    if anchor in cohort.patients and anchor not in ("patient_id", "protocol"):
        return pd.Series(cohort.patients[anchor].to_numpy(), index=patients.index)
    stored = set(cohort.visits["measure"].dropna().astype("str"))
    if anchor not in stored:
        columns = [str(name) for name in cohort.patients.columns[2:]]
        raise ModelError(
            f"There is no anchor {anchor!r} in the cohort.",
            where=f"measures with values: {', '.join(sorted(stored))}; columns of the patients: {', '.join(columns) or 'none'}",
            what_to_do="Name the measure or column with the patients' own judgement of their change.",
        )
    rows = cohort.visits[(cohort.visits["measure"] == anchor) & (cohort.visits["week"] == week)]
    by_patient = rows.drop_duplicates("patient_id").set_index("patient_id")["value"]
    return patients.map(by_patient).astype("float64")

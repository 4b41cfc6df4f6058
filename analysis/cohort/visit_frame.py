"""One measure of a cohort as one row a visit, with baseline, change and the patient's columns: what models take."""

from __future__ import annotations

import numpy as np
import pandas as pd

from analysis.cohort.derived import measured_values
from analysis.cohort.tables import Cohort


def visit_frame(cohort: Cohort, measure: str, limb: str | None = None) -> pd.DataFrame:
    """Give one measure of a cohort as one row a patient and week seen.

    Parameters
    ----------
    cohort : Cohort
        The cohort.
    measure : str
        A stored or derived measure of the cohort.
    limb : str, optional
        involved, uninvolved or none; by default involved where the measure has limbs, otherwise none.

    Returns
    -------
    pandas.DataFrame
        Columns patient_id, week, limb, value, baseline (the last value at week 0 or before; missing where the patient
        has none) and change (value minus baseline) in the unit of the measure, then protocol and the other columns of
        patients. Rows sorted by patient (in the order of patients) and week. Visits of patients that are not in patients
        are left out.

    Raises
    ------
    CohortError
        The measure or the limb is not known, or a visit has the measure twice.

    Examples
    --------
    >>> import pandas as pd
    >>> from analysis.cohort.tables import Cohort
    >>> patients = pd.DataFrame({"patient_id": ["a"], "protocol": ["usual"]})
    >>> visits = pd.DataFrame({"patient_id": "a", "week": [0, 6], "measure": "pain", "limb": "none", "value": [6, 2]})
    >>> visit_frame(Cohort(patients, visits), "pain")[["week", "value", "baseline", "change"]]
       week  value  baseline  change
    0   0.0    6.0       6.0     0.0
    1   6.0    2.0       6.0    -4.0
    """
    limb = cohort.measures[measure].limb_named(limb)
    values = measured_values(cohort.visits, measure, limb, cohort.patients)
    patients = cohort.patients
    place = pd.Series(range(len(patients)), index=patients["patient_id"])
    place = place[~place.index.duplicated(keep="last")]
    values = (
        values.assign(_row=place.reindex(values["patient_id"]).to_numpy())
        .dropna(subset=["_row"])
        .sort_values(["_row", "week"], kind="stable")
    )
    row = values["_row"].to_numpy(dtype="int64")
    before = ((values["week"] <= 0) & values["value"].notna()).to_numpy()
    last = np.full(len(patients), np.nan)
    last[row[before]] = values["value"].to_numpy(dtype="float64", na_value=np.nan)[
        before
    ]  # the last of a patient stays
    values.insert(2, "limb", limb)
    values["baseline"] = last[row]
    values["change"] = values["value"] - values["baseline"]
    covariates = patients.drop(columns="patient_id").take(row).reset_index(drop=True)
    frame = values.drop(columns="_row").reset_index(drop=True)
    covariates = covariates.drop(columns=[name for name in covariates if name in frame])
    return frame.join(covariates)

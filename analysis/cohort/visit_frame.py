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
    patients, names = cohort.patients, pd.Index(cohort.patients["patient_id"])
    if not names.is_unique:
        patients = patients.drop_duplicates("patient_id", keep="last")
        names = pd.Index(patients["patient_id"])
    row = names.get_indexer(values["patient_id"])
    order = np.lexsort([values["week"].to_numpy(), row])
    order = order[row[order] >= 0]
    values, row = values.take(order), row[order]
    value = values["value"].to_numpy(dtype="float64")
    before = (values["week"].to_numpy() <= 0) & ~np.isnan(value)
    last = np.full(len(patients), np.nan)
    last[row[before]] = value[before]  # the last of a patient stays
    columns = {"patient_id": values["patient_id"].array, "week": values["week"].array}
    columns |= {"limb": pd.array([limb], dtype="str").take(np.zeros(len(row), dtype=np.intp)), "value": value}
    columns |= {"baseline": last[row], "change": value - last[row]}
    columns |= {str(name): patients[name].array.take(row) for name in patients if name not in columns}
    return pd.DataFrame(columns, copy=False)

"""Change from baseline: which visit is the baseline, and how far each patient has come by a week."""

from collections.abc import Sequence

import numpy as np
import pandas as pd

from analysis.cohort.reference import patients_by_protocol
from analysis.cohort.tables import Cohort
from analysis.cohort.visit_frame import visit_frame
from analysis.errors import ModelError
from analysis.outcomes.endpoint import BaselineRule, Endpoint

#: What became of a patient at the week asked for.
STATUSES = ("seen", "seen, no baseline", "not seen")


def change_frame(cohort: Cohort, endpoint: Endpoint) -> pd.DataFrame:
    """Give every visit of a measure with its baseline, change and improvement.

    Parameters
    ----------
    cohort : Cohort
    endpoint : Endpoint
        What was measured, where, and which value is the baseline; its week plays no part.

    Returns
    -------
    pandas.DataFrame
        The columns of :func:`analysis.cohort.visit_frame`, with baseline and change by the rule, and improvement: the
        change in the better direction of the measure (positive is better), in its unit; where the measure has a best
        value, how much nearer to it.

    Examples
    --------
    >>> from analysis.outcomes import choose_endpoint
    >>> from synthetic_cohort import generate_cohort
    >>> cohort = generate_cohort(patients=30, seed=1).observed
    >>> frame = change_frame(cohort, choose_endpoint(cohort, "pain", week=26))
    >>> bool((frame["improvement"] == -frame["change"])[frame["change"].notna()].all())
    True
    """
    frame = visit_frame(cohort, endpoint.measure.name, endpoint.limb)
    if endpoint.baseline != "last before start":
        frame["baseline"] = _baselines(frame, endpoint.baseline)
        frame["change"] = frame["value"] - frame["baseline"]
    better = endpoint.improvement(frame["baseline"], frame["value"])
    frame.insert(list(frame).index("change") + 1, "improvement", better)
    return frame


def _baselines(frame: pd.DataFrame, rule: BaselineRule) -> pd.Series:
    """Give the baseline of the patient of every visit; a visit at or before its own baseline has none."""
    known = frame[frame["value"].notna()]
    if rule == "first after start":
        first = known[known["week"] > 0].sort_values("week", kind="stable").drop_duplicates("patient_id")
        by_patient = first.set_index("patient_id")
        baseline = frame["patient_id"].map(by_patient["value"]).astype("float64")
        return baseline.where(frame["week"] > frame["patient_id"].map(by_patient["week"]).astype("float64"))
    before = known[known["week"] <= 0].groupby("patient_id")["value"]
    chosen = before.first() if rule == "first before start" else before.mean()
    return frame["patient_id"].map(chosen).astype("float64")


def change_at_week(cohort: Cohort, endpoint: Endpoint) -> pd.DataFrame:
    """Give the change of every patient of the cohort by one week, the missing ones included.

    Parameters
    ----------
    cohort : Cohort
    endpoint : Endpoint
        What was measured, where, by when and from which baseline; it needs no threshold.

    Returns
    -------
    pandas.DataFrame
        One row a patient in the order of ``cohort.patients``: patient_id, protocol, week, baseline, value, change,
        improvement (unit of the measure) and status: "seen", "seen, no baseline" or "not seen".

    Examples
    --------
    >>> from analysis.outcomes import choose_endpoint
    >>> from synthetic_cohort import generate_cohort
    >>> cohort = generate_cohort(patients=30, seed=1).observed
    >>> len(change_at_week(cohort, choose_endpoint(cohort, "pain", week=26))) == len(cohort.patients)
    True
    """
    frame = change_frame(cohort, endpoint)
    frame = frame[frame["value"].notna()]
    baselines = frame.groupby("patient_id")["baseline"].first()
    values = frame[frame["week"] == endpoint.week].set_index("patient_id")["value"]
    table = patients_by_protocol(cohort).assign(week=endpoint.week)
    table["baseline"] = table["patient_id"].map(baselines).astype("float64")
    table["value"] = table["patient_id"].map(values).astype("float64")
    table["change"] = table["value"] - table["baseline"]
    table["improvement"] = endpoint.improvement(table["baseline"], table["value"])
    status = np.select([table["value"].isna(), table["baseline"].isna()], [STATUSES[2], STATUSES[1]], STATUSES[0])
    return table.assign(status=pd.Categorical(status, categories=list(STATUSES)))


def with_covariates(
    cohort: Cohort, endpoint: Endpoint, patients: pd.DataFrame, covariates: Sequence[str]
) -> pd.DataFrame:
    """Add columns of the patients to a table with a row a patient and a baseline; "baseline" is there as it is adjusted for."""
    further = [name for name in covariates if name != "baseline"]
    unknown = [name for name in further if name not in cohort.patients or name in ("patient_id", "protocol")]
    if unknown:
        raise ModelError(
            f"There is no covariate {unknown[0]!r}.",
            where=f"known: baseline, {', '.join(str(name) for name in cohort.patients.columns[2:])}",
            what_to_do="Name baseline or columns of the patients.",
        )
    extra = cohort.patients[["patient_id", *further]]
    adjusting = patients.assign(baseline=endpoint.as_adjusted_for(patients["baseline"]))
    return adjusting.merge(extra, on="patient_id", how="left", validate="one_to_one")


def weeks_seen(cohort: Cohort, measure: str, limb: str | None = None) -> list[float]:
    """Give the weeks at which anybody has a value of the measure, in order.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> weeks_seen(generate_cohort(patients=30, seed=1).observed, "pain")[0]
    0.0
    """
    frame = visit_frame(cohort, measure, limb)
    return sorted(float(week) for week in frame.loc[frame["value"].notna(), "week"].dropna().unique())

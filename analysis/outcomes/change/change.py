"""Change from baseline: which visit is the baseline, and how far each patient has come by a week."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal, get_args

import numpy as np
import pandas as pd

from analysis.cohort.visit_frame import visit_frame
from analysis.errors import ModelError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.cohort.tables import Cohort

BaselineRule = Literal["last before start", "first before start", "mean before start"]

#: What became of a patient at the week asked for.
STATUSES = ("seen", "seen, no baseline", "not seen")


def change_frame(
    cohort: Cohort, measure: str, *, limb: str | None = None, baseline: BaselineRule = "last before start"
) -> pd.DataFrame:
    """Give every visit of a measure with its baseline, change and improvement.

    Parameters
    ----------
    cohort : Cohort
        The cohort.
    measure : str
        A stored or derived measure.
    limb : str, optional
        The limb; by default the involved one where the measure has limbs.
    baseline : {"last before start", "first before start", "mean before start"}
        Which of the values at week 0 or before is the baseline: the last one, the first one, or their mean.

    Returns
    -------
    pandas.DataFrame
        The columns of :func:`analysis.cohort.visit_frame`, with baseline and change by the rule, and improvement: the
        change in the better direction of the measure (positive is better), in its unit.

    Raises
    ------
    ModelError
        The baseline rule is not known.
    CohortError
        The measure or the limb is not known.

    Notes
    -----
    The last value before the start is the usual baseline of a trial (common practice, no source). The mean of several
    values carries less measurement error.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> cohort = generate_cohort(patients=30, seed=1).observed
    >>> frame = change_frame(cohort, "pain")
    >>> bool((frame["improvement"] == -frame["change"])[frame["change"].notna()].all())
    True
    """
    if baseline not in get_args(BaselineRule):
        raise ModelError(
            f"There is no baseline rule {baseline!r}.",
            what_to_do=f"Use one of: {', '.join(get_args(BaselineRule))}.",
        )
    frame = visit_frame(cohort, measure, limb)
    if baseline != "last before start":
        before = frame.loc[(frame["week"] <= 0) & frame["value"].notna()].groupby("patient_id")["value"]
        chosen = before.first() if baseline == "first before start" else before.mean()
        frame["baseline"] = frame["patient_id"].map(chosen).astype("float64")
        frame["change"] = frame["value"] - frame["baseline"]
    frame.insert(list(frame).index("change") + 1, "improvement", cohort.measures[measure].sign * frame["change"] + 0.0)
    return frame


def change_at_week(
    cohort: Cohort,
    measure: str,
    *,
    week: float,
    limb: str | None = None,
    baseline: BaselineRule = "last before start",
) -> pd.DataFrame:
    """Give the change of every patient of the cohort by one week, the missing ones included.

    Parameters
    ----------
    cohort : Cohort
        The cohort.
    measure : str
        A stored or derived measure.
    week : float
        Week since surgery or start; visits are taken at exactly this week.
    limb : str, optional
        The limb; by default the involved one where the measure has limbs.
    baseline : {"last before start", "first before start", "mean before start"}
        As in :func:`change_frame`.

    Returns
    -------
    pandas.DataFrame
        One row a patient in the order of ``cohort.patients``: patient_id, protocol, week, baseline, value, change,
        improvement (unit of the measure) and status: "seen", "seen, no baseline" or "not seen".

    Raises
    ------
    ModelError, CohortError
        As in :func:`change_frame`; or the week is not a number.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> cohort = generate_cohort(patients=30, seed=1).observed
    >>> len(change_at_week(cohort, "pain", week=26)) == len(cohort.patients)
    True
    """
    if not np.isfinite(week):
        raise ModelError(f"The week {week!r} is not a number of weeks.", what_to_do="Name a week of the cohort.")
    frame = change_frame(cohort, measure, limb=limb, baseline=baseline)
    frame = frame[frame["value"].notna()]
    baselines = frame.drop_duplicates("patient_id").set_index("patient_id")["baseline"]
    values = frame[frame["week"] == week].set_index("patient_id")["value"]
    patients = cohort.patients
    table = pd.DataFrame({"patient_id": patients["patient_id"], "protocol": used_protocols(patients["protocol"])})
    table["week"] = float(week)
    table["baseline"] = table["patient_id"].map(baselines).astype("float64")
    table["value"] = table["patient_id"].map(values).astype("float64")
    table["change"] = table["value"] - table["baseline"]
    table["improvement"] = cohort.measures[measure].sign * table["change"] + 0.0  # no change is 0, not -0
    status = np.select([table["value"].isna(), table["baseline"].isna()], [STATUSES[2], STATUSES[1]], STATUSES[0])
    return table.assign(status=pd.Categorical(status, categories=list(STATUSES)))


def used_protocols(protocol: pd.Series) -> pd.Series:
    """Give the protocols as categories in the order of the data, the ones without a patient left out.

    Examples
    --------
    >>> series = pd.Series(pd.Categorical(["b"], categories=["a", "b"]))
    >>> used_protocols(series).cat.categories.tolist()
    ['b']
    """
    return protocol.astype("category").cat.remove_unused_categories()


def with_covariates(cohort: Cohort, patients: pd.DataFrame, covariates: Sequence[str]) -> pd.DataFrame:
    """Add columns of the patients to a table with a row a patient and a baseline; "baseline" itself is there already."""
    further = [name for name in covariates if name != "baseline"]
    unknown = [name for name in further if name not in cohort.patients or name in ("patient_id", "protocol")]
    if unknown:
        raise ModelError(
            f"There is no covariate {unknown[0]!r}.",
            where=f"known: baseline, {', '.join(str(name) for name in cohort.patients.columns[2:])}",
            what_to_do="Name baseline or columns of the patients.",
        )
    extra = cohort.patients[["patient_id", *further]]
    return patients.merge(extra, on="patient_id", how="left", validate="one_to_one")


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

"""Changes between two visits that go against the trend of all patients by more than the error of measurement."""

from __future__ import annotations

import numpy as np
import pandas as pd

from analysis.cohort.derived import measured_values
from analysis.cohort.measures import Measure
from analysis.cohort.schedule import moment
from analysis.cohort.tables import Cohort
from analysis.quality.value_rules import join_findings

#: A trend between two weeks is read off at least this many patients (design choice).
FEWEST_FOR_A_TREND = 10


def unlikely_changes(cohort: Cohort) -> pd.DataFrame:
    """Find changes from one visit to the next that go against the trend by more than the minimal detectable change.

    The trend between two weeks is the median change of all patients measured at both, one after the other. A change is
    unlikely where it has the other sign than the trend and is larger than the smallest published minimal detectable
    change (MDC) of the measure. An MDC is exceeded by chance by some 5 in 100 stable patients, so most such changes
    are true: they are questions to the site, not errors.

    Parameters
    ----------
    cohort : Cohort
        The cohort.

    Returns
    -------
    pandas.DataFrame
        One row a change: severity ("unlikely"), patient_id, site, week (the later one), measure, limb, value (the later
        one), problem, what_to_do. Measures without an MDC are not looked at (:func:`without_detectable_change`).

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> set(unlikely_changes(generate_cohort(patients=60, seed=1).observed)["severity"]) <= {"unlikely"}
    True
    """
    return join_findings(cohort, [_against_trend(cohort, *one) for one in _with_detectable_change(cohort)])


def changes_judged(cohort: Cohort) -> int:
    """Count the changes that were looked at: of measures with a detectable change, between visits with a trend.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> changes_judged(generate_cohort(patients=4, seed=1).observed)
    0
    """
    looked_at = _with_detectable_change(cohort)
    return sum(int(_steps(cohort, measure, limb)["trend"].notna().sum()) for measure, limb, _ in looked_at)


def _with_detectable_change(cohort: Cohort) -> list[tuple[Measure, str, float]]:
    """Give measures and limbs whose changes can be judged, with the smallest detectable change."""
    known = [(cohort.measures[name], cohort.measures[name].smallest_threshold("MDC")) for name in _stored(cohort)]
    return [(measure, limb, value) for measure, value in known if value is not None for limb in measure.limbs]


def without_detectable_change(cohort: Cohort) -> list[str]:
    """Give the measures of a cohort whose changes cannot be judged, because no MDC is known."""
    return [name for name in _stored(cohort) if cohort.measures[name].smallest_threshold("MDC") is None]


def _stored(cohort: Cohort) -> list[str]:
    seen = cohort.visits.loc[cohort.visits["value"].notna(), "measure"].astype("str").unique()
    return [name for name in seen if name in cohort.measures]


def _steps(cohort: Cohort, measure: Measure, limb: str) -> pd.DataFrame:
    """Give the changes from one visit to the next, with the trend where enough patients have it."""
    values = measured_values(cohort.visits, measure.name, limb, cohort.patients).dropna()
    values = values.sort_values(["patient_id", "week"], kind="stable")
    groups = values.groupby("patient_id", sort=False)
    values["before"], values["change"] = groups["week"].shift(), groups["value"].diff()
    steps = values.dropna(subset=["change"])
    together = steps.groupby(["before", "week"])["change"]
    many = together.transform("size") >= FEWEST_FOR_A_TREND
    return steps.assign(trend=together.transform("median").where(many))


def _against_trend(cohort: Cohort, measure: Measure, limb: str, smallest: float) -> pd.DataFrame:
    steps = _steps(cohort, measure, limb)
    against = (np.sign(steps["change"]) == -np.sign(steps["trend"])) & (steps["trend"] != 0)
    found = steps[against & (steps["change"].abs() > smallest)]
    problem = [
        f"changed by {change:+.{measure.decimals}f} {measure.unit} since {moment(before)}, against a trend of "
        f"{usual:+.{measure.decimals}f}; the detectable change is {smallest:g}"
        for change, before, usual in zip(found["change"], found["before"], found["trend"], strict=True)
    ]
    return found[["patient_id", "week", "value"]].assign(
        severity="unlikely",
        measure=measure.name,
        limb=limb,
        problem=problem,
        what_to_do="Look the value up in the source; leave it as it is where it is right.",
    )

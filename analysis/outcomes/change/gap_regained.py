"""How much of the gap to the other limb was regained, in per cent of the gap before the start."""

from dataclasses import dataclass, replace
from typing import Literal, get_args

import numpy as np
import pandas as pd

from analysis.cohort.measures import Measure
from analysis.cohort.schedule import moment
from analysis.cohort.tables import Cohort
from analysis.errors import ModelError
from analysis.outcomes.change.change import change_at_week
from analysis.outcomes.endpoint import Endpoint, rounding_room
from analysis.result import ResultWithNotes
from analysis.statistics.mean_interval import compare_means, half_width

OtherLimb = Literal["before start", "same week"]
METHOD = "ratio of means, linearised, t"
STATUSES = ("counted", "no gap before", "not seen", "no baseline of both limbs")


@dataclass(frozen=True, eq=False, repr=False)
class GapRegained(ResultWithNotes):
    """Gap to the other limb, and the share of it regained by a week.

    Attributes
    ----------
    endpoint : Endpoint
        What was measured, and by when.
    other_limb : {"before start", "same week"}
        What the involved limb is compared with at the week.
    table : pandas.DataFrame
        protocol, allocated, n (patients counted, the denominator), no_gap_before, not_counted (not seen, or without a
        baseline), gap_before, gap (means, in the unit), regained_percent (100 x gain of all / gap of all before), lower,
        upper, level, method, median_percent, lower_quartile, upper_quartile (of the patients' own per cents).
    differences : pandas.DataFrame
        protocol, reference, n, reference_n, difference (percentage points), std_error, df, lower, upper, level, method.
    patients : pandas.DataFrame
        patient_id, protocol, involved_before, other_before, involved, other, gap_before, gap, regained_percent
        (missing without a gap), status.
    """

    endpoint: Endpoint
    other_limb: OtherLimb
    table: pd.DataFrame
    differences: pd.DataFrame
    patients: pd.DataFrame

    def _headline(self) -> str:
        return f"{self.endpoint.measure.label}: gap to the other limb regained by {moment(self.endpoint.week)}"


def gap_regained(
    cohort: Cohort, endpoint: Endpoint, *, other_limb: OtherLimb = "before start", least_gap: float = 0.0
) -> GapRegained:
    """Give the per cent of the gap to the other limb that was regained.

    Parameters
    ----------
    cohort : Cohort
        The cohort, with a measure of both limbs.
    endpoint : Endpoint
        The measure, the week and the rule for the baseline, of both limbs; it needs no threshold.
    other_limb : {"before start", "same week"}
        Whether the involved limb is compared with the other one as it was before the start, or as it is at the week.
        The other limb weakens too, so the second flatters.
    least_gap : float
        Patients whose gap before was not larger than this have none to regain (unit of the measure); the detectable
        change is a sensible choice.

    Returns
    -------
    GapRegained
        By protocol, and patient by patient.

    Raises
    ------
    ModelError
        An option is not known, the least gap is below 0, or the measure is not taken on both limbs.

    Notes
    -----
    A patient's per cent is 100 (1 - gap / gap before); 0 is unchanged, below 0 a wider gap, above 100 past the other
    limb. A small gap before makes it explode, so the protocol's per cent is that of the summed gaps, a ratio of means,
    with the error of a ratio (Cochran, Sampling Techniques, 1977, chapter 6), and the median is beside it.

    Examples
    --------
    >>> from analysis.outcomes import choose_endpoint
    >>> from synthetic_cohort import generate_cohort
    >>> cohort = generate_cohort(patients=90, seed=1).observed
    >>> found = gap_regained(cohort, choose_endpoint(cohort, "quadriceps_torque", week=52, criterion=None))
    >>> bool((found.table["n"] <= found.table["allocated"]).all())
    True
    """
    _check(cohort, endpoint.measure, other_limb, least_gap)
    involved, other = (change_at_week(cohort, replace(endpoint, limb=limb)) for limb in ("involved", "uninvolved"))
    worth, ideal, level = endpoint.measure.worth, endpoint.measure.ideal, endpoint.level
    patients = pd.DataFrame(
        {
            "patient_id": involved["patient_id"],
            "protocol": involved["protocol"],
            "involved_before": involved["baseline"],
            "other_before": other["baseline"],
            "involved": involved["value"],
            "other": other["baseline"] if other_limb == "before start" else other["value"],
        }
    )
    patients["gap_before"] = worth(patients["other_before"]) - worth(patients["involved_before"])
    patients["gap"] = worth(patients["other"]) - worth(patients["involved"])
    size = patients[["involved_before", "other_before"]].abs().max(axis=1).to_numpy()
    has_gap = patients["gap_before"] > least_gap + rounding_room(size)
    patients["regained_percent"] = 100 * (1 - patients["gap"] / patients["gap_before"].where(has_gap))
    status = np.select(
        [patients["gap_before"].isna(), patients["gap"].isna(), ~has_gap], [STATUSES[3], STATUSES[2], STATUSES[1]],
        STATUSES[0],
    )  # fmt: skip
    patients["status"] = pd.Categorical(status, categories=list(STATUSES))
    names = [str(name) for name in patients["protocol"].cat.categories]
    table = pd.DataFrame([_summary(name, patients[patients["protocol"] == name], level) for name in names])
    means = table.rename(columns={"regained_percent": "mean", "_error": "std_error"})
    differences = compare_means(means, endpoint.compared_with(cohort, patients["protocol"]), level=level)
    compared = {
        "before start": "The other limb is taken as it was before the start; it may have weakened by then.",
        "same week": "The other limb is taken at the same week; where it weakened too, the per cent flatters.",
    }
    return GapRegained(
        endpoint=endpoint,
        other_limb=other_limb,
        table=table.drop(columns=["_error"]),
        differences=differences.rename(columns={"estimate": "difference"}).assign(method=METHOD),
        patients=patients,
        notes=(
            *(
                [f"A gap is how much further from {ideal:g} the involved limb is, on either side."]
                if ideal is not None
                else []
            ),
            compared[other_limb],
            f"Patients whose gap before was at most {least_gap:g} {endpoint.measure.unit} are counted apart.",
            "Those left are chosen by a gap that holds error: some of what they regain is regression to the mean.",
            "The per cent of a protocol is that of the summed gaps; patients with a small gap have wild per cents.",
        ),
    )


def _check(cohort: Cohort, measure: Measure, other_limb: str, least_gap: float) -> None:
    if other_limb not in get_args(OtherLimb):
        raise ModelError(
            f"There is no choice {other_limb!r} of the other limb.",
            what_to_do=f"Use one of: {', '.join(get_args(OtherLimb))}.",
        )
    if not least_gap >= 0:
        raise ModelError(f"The least gap {least_gap:g} is below 0.", what_to_do="Give 0 or a positive gap.")
    limbs = set(cohort.visits.loc[cohort.visits["measure"] == measure.name, "limb"].astype("str"))
    if not {"involved", "uninvolved"} <= limbs:
        raise ModelError(
            f"{measure.label} was not measured on both limbs, so there is no gap to regain.",
            where=f"measure {measure.name!r}, limbs: {', '.join(sorted(limbs)) or 'none'}",
            what_to_do="Name a measure of the involved and the uninvolved limb.",
        )


def _summary(name: str, rows: pd.DataFrame, level: float) -> dict[str, object]:
    counted = rows[rows["status"] == STATUSES[0]]
    n = len(counted)
    before, now = (counted[column].to_numpy(dtype=float) for column in ("gap_before", "gap"))
    nothing = float("nan")
    share = 1 - now.mean() / before.mean() if n else nothing
    error = nothing
    if n > 1:
        left = (before - now) - share * before
        error = float(np.sqrt((left**2).sum() / (n - 1) / n) / before.mean())
    half = half_width(error, n - 1, level=level)
    own = counted["regained_percent"]
    return {
        "protocol": name,
        "allocated": len(rows),
        "n": n,
        "no_gap_before": int((rows["status"] == STATUSES[1]).sum()),
        "not_counted": int(rows["status"].isin(STATUSES[2:]).sum()),
        "gap_before": before.mean() if n else nothing,
        "gap": now.mean() if n else nothing,
        "regained_percent": 100 * share,
        "lower": 100 * (share - half),
        "upper": 100 * (share + half),
        "level": level,
        "method": METHOD,
        "median_percent": float(own.median()) if n else nothing,
        "lower_quartile": float(own.quantile(0.25)) if n else nothing,
        "upper_quartile": float(own.quantile(0.75)) if n else nothing,
        "_error": 100 * error,
    }

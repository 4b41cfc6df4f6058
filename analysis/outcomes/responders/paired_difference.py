"""A difference of two shares of the same patients: two weeks, or two limbs."""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.special import ndtri

from analysis.cohort.reference import patients_by_protocol
from analysis.cohort.schedule import moment
from analysis.cohort.tables import Cohort
from analysis.errors import ModelError
from analysis.outcomes.endpoint import Endpoint
from analysis.outcomes.responders.visit_history import responder_history
from analysis.result import ResultWithNotes
from analysis.statistics.combined_limits import difference_limits, share_limits
from analysis.statistics.proportions import check_counts, check_level

PAIRED = "Newcombe hybrid score for pairs (method 10)"


@dataclass(frozen=True, eq=False, repr=False)
class RespondersAtTwoWeeks(ResultWithNotes):
    """Responders at two weeks, in the patients who were judged at both.

    Attributes
    ----------
    endpoint : Endpoint
        What must be reached, at the later week.
    weeks : tuple of float
        The earlier and the later week.
    table : pandas.DataFrame
        One row a protocol: protocol, allocated, n (patients judged at both weeks: the denominator), at_both, gained
        (at the later week only), lost (at the earlier one only), at_neither, earlier_share, later_share, difference
        (later minus earlier), lower, upper, level, method.
    patients : pandas.DataFrame
        patient_id, protocol, earlier, later (True, False or missing).
    """

    endpoint: Endpoint
    weeks: tuple[float, float]
    table: pd.DataFrame
    patients: pd.DataFrame

    def _headline(self) -> str:
        return f"Responders at {moment(self.weeks[0])} and {moment(self.weeks[1])}, the same patients"


def paired_difference(
    both: ArrayLike, first_only: ArrayLike, second_only: ArrayLike, neither: ArrayLike, *, level: float = 0.95
) -> pd.DataFrame:
    """Give differences of two shares counted in the same patients.

    Parameters
    ----------
    both, first_only, second_only, neither : array_like of int
        Patients with a yes to both questions, to the first only, to the second only, to neither.
    level : float
        Confidence level.

    Returns
    -------
    pandas.DataFrame
        n (patients), first_share, second_share, difference (first minus second), lower, upper, level, method; missing
        where there is no patient.

    Raises
    ------
    ModelError
        A count is missing or below 0.

    Notes
    -----
    Newcombe, Stat Med 1998;17:2635, method 10: score limits of both shares, combined with their correlation, which is
    the phi of the four counts less a correction for continuity where it is positive.

    Examples
    --------
    >>> paired_difference(20, 12, 2, 16)[["difference", "lower", "upper"]].round(4)
       difference   lower   upper
    0         0.2  0.0562  0.3292
    """
    check_level(level)
    check_counts(both, first_only, second_only, neither)
    a, b, c, d = (np.atleast_1d(np.asarray(one, dtype=float)) for one in (both, first_only, second_only, neither))
    n = np.where(a + b + c + d > 0, a + b + c + d, np.nan)
    first, second = (a + b) / n, (a + c) / n
    cross = a * d - b * c
    cross = np.where(cross > 0, np.maximum(cross - n / 2, 0.0), cross)
    size = np.sqrt((a + b) * (c + d) * (a + c) * (b + d))
    phi = np.divide(cross, size, out=np.zeros_like(cross), where=size > 0)
    z = float(ndtri((1 + level) / 2))
    limits, other_limits = (share_limits(share, n, quantile=z) for share in (first, second))
    lower, upper = difference_limits(first, limits, second, other_limits, correlation=phi)
    table = pd.DataFrame({"n": (a + b + c + d).astype("int64"), "first_share": first, "second_share": second})
    return table.assign(difference=(b - c) / n, lower=lower, upper=upper, level=level, method=PAIRED)


def responders_at_two_weeks(cohort: Cohort, endpoint: Endpoint, *, earlier: float) -> RespondersAtTwoWeeks:
    """Compare the responders at two weeks, in the patients who were judged at both.

    Parameters
    ----------
    cohort : Cohort
    endpoint : Endpoint
        What must be reached; its week is the later one. Who missed one of the visits is left out.
    earlier : float
        The earlier week, after the start.

    Returns
    -------
    RespondersAtTwoWeeks
        Who gained and who lost the response, and the difference of the shares.

    Raises
    ------
    ModelError
        The weeks are not two in order after the start.

    Notes
    -----
    A difference over time does not compare protocols: recovery is in it. Who missed one of the visits is left out, so the
    shares are not those of one week.

    Examples
    --------
    >>> from analysis.outcomes import choose_endpoint
    >>> from synthetic_cohort import generate_cohort
    >>> cohort = generate_cohort(patients=60, seed=1).observed
    >>> found = responders_at_two_weeks(cohort, choose_endpoint(cohort, "pain", week=26), earlier=12)
    >>> bool((found.table["n"] <= found.table["allocated"]).all())
    True
    """
    earlier, later = float(earlier), endpoint.week
    if not 0 < earlier < later:
        raise ModelError(
            f"Weeks {earlier:g} and {later:g} are not two weeks after the start in their order.",
            what_to_do="Name two different weeks above 0, the earlier first.",
        )
    history = responder_history(cohort, endpoint)
    patients = patients_by_protocol(cohort)
    for name, week in (("earlier", earlier), ("later", later)):
        at = history[history["week"] == week].set_index("patient_id")["responder"]
        patients[name] = patients["patient_id"].map(at).astype("boolean")
    judged = patients.dropna(subset=["earlier", "later"])
    counts = pd.DataFrame(
        {
            "allocated": patients.groupby("protocol", observed=True).size(),
            **{
                name: (judged["earlier"].eq(before) & judged["later"].eq(after))
                .astype("int64")
                .groupby(judged["protocol"], observed=False)
                .sum()
                for name, (before, after) in _CELLS.items()
            },
        }
    ).reset_index()
    cells = [counts[name].to_numpy() for name in ("at_both", "gained", "lost", "at_neither")]
    found = paired_difference(*cells, level=endpoint.level).rename(
        columns={"first_share": "later_share", "second_share": "earlier_share"}
    )
    table = pd.concat([counts.astype({"protocol": "str"}), found], axis=1)
    order = ["protocol", "allocated", "n", *_CELLS, "earlier_share", "later_share", *found.columns[3:]]
    return RespondersAtTwoWeeks(
        endpoint=endpoint,
        weeks=(earlier, later),
        table=table[order],
        patients=patients,
        notes=(
            endpoint.to_reach.words,
            f"Denominator: patients judged at {moment(earlier)} and at {moment(later)}; the others are left out.",
            "A difference over time does not compare protocols: recovery is in it.",
        ),
    )


#: Whether the threshold was reached at the earlier and at the later week.
_CELLS = {"at_both": (True, True), "gained": (False, True), "lost": (True, False), "at_neither": (False, False)}

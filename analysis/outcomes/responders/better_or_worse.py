"""Better, unchanged or worse by a week: both directions of change, by protocol."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from analysis.cohort.schedule import moment
from analysis.cohort.tables import Cohort
from analysis.errors import ModelError
from analysis.outcomes.change.change import change_at_week
from analysis.outcomes.endpoint import Endpoint, rounding_room
from analysis.result import ResultWithNotes
from analysis.statistics.proportions import compare_shares, share_interval

STATES = ("better", "unchanged", "worse")


@dataclass(frozen=True, eq=False, repr=False)
class BetterOrWorse(ResultWithNotes):
    """Direction of change by protocol at one week.

    Attributes
    ----------
    endpoint : Endpoint
        What counts as better.
    worsening : float
        The worsening that counts as worse, positive, in the unit of the threshold.
    table : pandas.DataFrame
        protocol, direction ("better", "unchanged", "worse"), n, patients, share, lower, upper, level, method.
    differences : pandas.DataFrame
        direction, protocol, reference, n, reference_n, difference, lower, upper, level, method.
    patients : pandas.DataFrame
        One row a patient: the columns of :func:`analysis.outcomes.change.change.change_at_week` and direction.
    """

    endpoint: Endpoint
    worsening: float
    table: pd.DataFrame
    differences: pd.DataFrame
    patients: pd.DataFrame

    def _headline(self) -> str:
        return f"Better, unchanged or worse at {moment(self.endpoint.week)}"


def better_or_worse(cohort: Cohort, endpoint: Endpoint, *, worsening: float | None = None) -> BetterOrWorse:
    """Count patients who are better, unchanged or worse than at baseline by a week.

    Parameters
    ----------
    cohort : Cohort
    endpoint : Endpoint
        The improvement that counts as better, also in per cent of the baseline. Who was not seen is left out.
    worsening : float, optional
        Size of a worsening that counts, positive; by default as large as the improvement that counts.

    Returns
    -------
    BetterOrWorse
        Shares of each direction, and the differences of better and of worse.

    Raises
    ------
    ModelError
        The worsening is not positive, or the endpoint is a state, which has no direction of change.

    Examples
    --------
    >>> from analysis.outcomes import choose_endpoint
    >>> from synthetic_cohort import generate_cohort
    >>> cohort = generate_cohort(patients=60, seed=1).observed
    >>> found = better_or_worse(cohort, choose_endpoint(cohort, "pain", week=26))
    >>> bool((found.table.groupby("protocol")["share"].sum().round(9) == 1).all())
    True
    """
    level, chosen = endpoint.level, endpoint.to_reach
    if endpoint.criterion == "state":
        raise ModelError(
            "A state has no direction of change.",
            where=f"endpoint: {endpoint.words}",
            what_to_do="Choose an endpoint whose criterion is an improvement.",
        )
    loss = chosen.value if worsening is None else float(worsening)
    if not np.isfinite(loss) or loss <= 0:
        raise ModelError(
            f"The worsening {loss:g} {chosen.unit} is not a size of change.",
            what_to_do="Give it as a positive number, whichever direction is better.",
        )
    ideal = endpoint.measure.ideal
    other_way = "a change of at least {} the other way" if ideal is None else f"at least {{}} further from {ideal:g}"
    patients = change_at_week(cohort, endpoint)
    gain = endpoint.amount(patients["baseline"], patients["value"])
    better = gain >= chosen.value - rounding_room(chosen.value)
    worse = gain <= -loss + rounding_room(loss)
    place = np.select([gain.isna(), better, worse], [-1, 0, 2], 1)
    patients["direction"] = pd.Categorical.from_codes(place, categories=pd.Index(STATES))
    given = patients[patients["protocol"].notna()]
    base = endpoint.compared_with(cohort, patients["protocol"])
    counts = pd.crosstab(given["protocol"], given["direction"], dropna=False).reindex(columns=list(STATES))
    names = [str(name) for name in counts.index]
    parts, gaps = [], []
    for state in STATES:
        yes, n = counts[state].to_numpy(), counts.sum(axis=1).to_numpy()
        one = pd.DataFrame({"protocol": names, "direction": state, "n": n, "patients": yes})
        parts.append(one.join(share_interval(yes, n, level=level)))
        gap = compare_shares(one.assign(responders=yes), base, level=level)
        gap.insert(0, "direction", state)
        gaps.append(gap)
    by_protocol = np.argsort(np.tile(np.arange(len(names)), len(STATES)), kind="stable")
    return BetterOrWorse(
        endpoint=endpoint,
        worsening=loss,
        table=pd.concat(parts).iloc[by_protocol].reset_index(drop=True),
        differences=pd.concat(gaps, ignore_index=True),
        patients=patients,
        notes=(
            chosen.words,
            f"Worse means {other_way.format(f'{loss:g} {chosen.unit}')}.",
            "Denominator: patients with a value at the week and a baseline.",
        ),
    )

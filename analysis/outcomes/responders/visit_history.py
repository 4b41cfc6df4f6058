"""Whether a threshold had been reached, at every visit of every patient."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.outcomes.change.change import BaselineRule, change_frame, used_protocols
from analysis.outcomes.responders.change_distribution import reached
from analysis.outcomes.responders.response_criterion import choose_criterion, compared_amount, compared_value

if TYPE_CHECKING:
    import pandas as pd

    from analysis.cohort.measures import Threshold
    from analysis.cohort.tables import Cohort
    from analysis.outcomes.thresholds.chosen_threshold import ChosenThreshold, Criterion


def responder_history(
    cohort: Cohort,
    measure: str,
    *,
    threshold: float | Threshold | None = None,
    criterion: Criterion = "improvement",
    limb: str | None = None,
    baseline: BaselineRule = "last before start",
) -> tuple[pd.DataFrame, ChosenThreshold]:
    """Give every visit after the start with whether the threshold was reached.

    Parameters
    ----------
    cohort, measure, threshold, criterion, limb, baseline
        As in :func:`analysis.outcomes.responders.responders.responders`.

    Returns
    -------
    tuple of (pandas.DataFrame, ChosenThreshold)
        patient_id, protocol, week, baseline, value, amount (what is compared), responder (missing where the amount is),
        sorted by patient and week, without the patients who have no protocol; and the threshold.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> history, chosen = responder_history(generate_cohort(patients=30, seed=1).observed, "pain")
    >>> bool(history["week"].min() > 0)
    True
    """
    known = cohort.measures[measure]
    chosen = choose_criterion(cohort, measure, threshold, criterion=criterion)
    frame = change_frame(cohort, measure, limb=limb, baseline=baseline)
    frame = frame[(frame["week"] > 0) & frame["value"].notna() & frame["protocol"].notna()].reset_index(drop=True)
    frame["protocol"] = used_protocols(frame["protocol"])
    frame["amount"] = compared_amount(frame, criterion, known)
    frame["responder"] = reached(frame["amount"], compared_value(chosen, known))
    return frame[["patient_id", "protocol", "week", "baseline", "value", "amount", "responder"]], chosen

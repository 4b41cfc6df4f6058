"""Whether a threshold had been reached, at every visit of every patient."""

import pandas as pd

from analysis.cohort.reference import used_protocols
from analysis.cohort.tables import Cohort
from analysis.outcomes.change.change import change_frame
from analysis.outcomes.endpoint import Endpoint


def responder_history(cohort: Cohort, endpoint: Endpoint) -> pd.DataFrame:
    """Give every visit after the start with whether the threshold was reached.

    Parameters
    ----------
    cohort : Cohort
    endpoint : Endpoint
        What must be reached; its week plays no part.

    Returns
    -------
    pandas.DataFrame
        patient_id, protocol, week, baseline, value, amount (what is compared), responder (missing where the amount is),
        sorted by patient and week, without the patients who have no protocol.

    Examples
    --------
    >>> from analysis.outcomes import choose_endpoint
    >>> from synthetic_cohort import generate_cohort
    >>> cohort = generate_cohort(patients=30, seed=1).observed
    >>> history = responder_history(cohort, choose_endpoint(cohort, "pain", week=26))
    >>> bool(history["week"].min() > 0)
    True
    """
    frame = change_frame(cohort, endpoint)
    frame = frame[(frame["week"] > 0) & frame["value"].notna() & frame["protocol"].notna()].reset_index(drop=True)
    frame["protocol"] = used_protocols(frame["protocol"])
    frame["amount"] = endpoint.amount(frame["baseline"], frame["value"])
    frame["responder"] = endpoint.reached(frame["amount"])
    return frame[["patient_id", "protocol", "week", "baseline", "value", "amount", "responder"]]

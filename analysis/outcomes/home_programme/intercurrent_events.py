"""Events after the start that can change what an outcome means, and how many patients were measured after them."""

from dataclasses import dataclass

import pandas as pd

from analysis.cohort.tables import Cohort
from analysis.result import Result

NOT_RECORDED = "Events were not recorded: which intercurrent events happened is not known."


@dataclass(frozen=True, eq=False, repr=False)
class IntercurrentEvents(Result):
    """Intercurrent events and the values measured after them.

    Attributes
    ----------
    recorded : bool
        Whether events were recorded at all.
    week : float
        Week of the outcome; later events are not counted, nor those before the start.
    table : pandas.DataFrame
        One row a kind of event: event, patients (with one from the start to the outcome), measured_after (of them,
        those with a value after their first event of the kind and up to the week of the outcome), measured_at (of them,
        those with a value at that week), allocated (every patient of the cohort).
    """

    recorded: bool
    week: float
    table: pd.DataFrame

    def _headline(self) -> str:
        return "Intercurrent events" if self.recorded else "Intercurrent events: not recorded"


def intercurrent_events(cohort: Cohort, visits: pd.DataFrame, week: float) -> IntercurrentEvents:
    """Count the patients with each kind of event between start and outcome, and those measured afterwards.

    Parameters
    ----------
    cohort : Cohort
        The cohort; ``events`` None means not recorded.
    visits : pandas.DataFrame
        Visits of the outcome, as :func:`analysis.cohort.visit_frame` gives them: patient_id, week, value.
    week : float
        Week of the outcome.

    Returns
    -------
    IntercurrentEvents
        Kinds in the order of their number of patients, the commonest first.

    Notes
    -----
    Intercurrent events as in ICH E9(R1), 2019, section A.3.1: events after the start of treatment that change how the
    outcome is to be read, or whether there is one. An event on the day of the start counts as after it, one in the week
    of the outcome as before the outcome.

    Examples
    --------
    >>> from analysis.cohort import visit_frame
    >>> from synthetic_cohort import generate_cohort
    >>> cohort = generate_cohort(patients=60, seed=1).observed
    >>> found = intercurrent_events(cohort, visit_frame(cohort, "pain"), 26.0)
    >>> bool((found.table["measured_after"] <= found.table["patients"]).all())
    True
    """
    columns = ["event", "patients", "measured_after", "measured_at", "allocated"]
    if cohort.events is None:
        return IntercurrentEvents(recorded=False, week=week, table=pd.DataFrame(columns=columns))
    known = cohort.events["patient_id"].isin(cohort.patients["patient_id"])
    events = cohort.events[known & cohort.events["week"].between(0, week)]
    firsts = (
        events.astype({"event": "str"}).groupby(["event", "patient_id"], as_index=False, observed=True)["week"].min()
    )
    measured = visits[visits["value"].notna() & (visits["week"] <= week)]
    last = measured.groupby("patient_id")["week"].max()
    at = set(measured.loc[measured["week"] == week, "patient_id"])
    firsts = firsts.assign(
        measured_after=firsts["patient_id"].map(last).astype("float64") > firsts["week"],
        measured_at=firsts["patient_id"].isin(at),
    )
    counted = firsts.groupby("event", as_index=False).agg(
        patients=("patient_id", "size"), measured_after=("measured_after", "sum"), measured_at=("measured_at", "sum")
    )
    table = counted.assign(allocated=len(cohort.patients)).sort_values(
        ["patients", "event"], ascending=[False, True], kind="stable"
    )
    return IntercurrentEvents(recorded=True, week=week, table=table[columns].reset_index(drop=True))

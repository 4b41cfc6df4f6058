"""Time to stopping the home programme, by protocol: the first week of a run of idle weeks that lasts to the end."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from analysis.cohort.reference import patients_by_protocol, reference_protocol, used_protocols
from analysis.cohort.tables import Cohort
from analysis.errors import ModelError
from analysis.outcomes.home_programme.prescribed_modalities import (
    NOT_PRESCRIBED,
    not_prescribed_in_words,
    prescribed_modalities,
)
from analysis.outcomes.home_programme.sessions_done import NOT_RECORDED, of_modality, session_shares, whole_weeks
from analysis.result import ResultWithNotes, patients_have
from analysis.statistics.kaplan_meier import (
    curves_by_protocol,
    log_rank,
    median_times,
    share_differences,
    shares_by_week,
)
from analysis.statistics.proportions import check_level

#: All modalities of a patient's week taken together.
ALL_SESSIONS = "all sessions"


@dataclass(frozen=True, eq=False, repr=False)
class TimeToStopping(ResultWithNotes):
    """Time to stopping the home programme.

    Attributes
    ----------
    modality : str
        The modality followed, or "all sessions".
    idle_weeks : int
        Weeks without a session that count as having stopped.
    table : pandas.DataFrame
        One row a protocol and week at which somebody stopped: protocol, week, at_risk, stopped (patients at this week),
        share (stopped by then), lower, upper, level, method.
    medians : pandas.DataFrame
        protocol, n, stopped (patients), median_week, lower, upper (missing where not reached), level.
    summary : pandas.DataFrame
        protocol, allocated, n (patients with sessions prescribed and recorded: the denominator), never_started,
        stopped_later, going_on (at their last recorded week).
    comparison : pandas.DataFrame
        One row: statistic, df, p_value of the log-rank test over all protocols; empty for one protocol.
    differences : pandas.DataFrame
        protocol, reference, week, difference (share stopped by then), std_error, lower, upper, level, method.
    patients : pandas.DataFrame
        patient_id, protocol, first_week, last_week (with sessions prescribed and recorded), week (first idle one, or
        the last recorded one), stopped, never_started.
    """

    modality: str
    idle_weeks: int
    table: pd.DataFrame
    medians: pd.DataFrame
    summary: pd.DataFrame
    comparison: pd.DataFrame
    differences: pd.DataFrame
    patients: pd.DataFrame

    def _headline(self) -> str:
        return f"Time to stopping the home programme: {self.modality}"


def time_to_stopping(
    cohort: Cohort,
    *,
    modality: str | None = None,
    idle_weeks: int = 2,
    level: float = 0.95,
    reference: str | None = None,
) -> TimeToStopping:
    """Follow patients to the week in which they stopped their home sessions.

    Parameters
    ----------
    cohort : Cohort
        The cohort; ``sessions`` None means not recorded.
    modality : str, optional
        One modality; by default all sessions of a week together.
    idle_weeks : int
        So many weeks or more without a session, up to the last recorded one, count as having stopped; a pause after
        which sessions go on does not. 2 by custom, no source.
    level : float
        Confidence level.
    reference : str, optional
        The protocol compared with; by default that of the cohort, otherwise the first one with sessions recorded.

    Returns
    -------
    TimeToStopping
        Kaplan-Meier shares stopped by week, medians, log-rank test, differences.

    Raises
    ------
    ModelError
        The modality or the reference is not known, or the number of idle weeks is below 1.

    Notes
    -----
    Only weeks with sessions prescribed and the sessions done known count. A patient who never started stopped in the
    first such week. Who was still going at the last recorded week is censored there, whether the programme or the
    record ended; the record must not have ended because the patient was about to stop.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> found = time_to_stopping(generate_cohort(patients=60, seed=1).observed)
    >>> found.medians.columns.tolist()[:4]
    ['protocol', 'n', 'stopped', 'median_week']
    """
    check_level(level)
    if isinstance(idle_weeks, bool) or not idle_weeks >= 1:
        raise ModelError(
            f"{idle_weeks!r} idle weeks cannot count as having stopped.", what_to_do="Give 1 or more weeks, such as 2."
        )
    entries = weeks_of_patients(cohort, modality)
    patients = _followed(cohort, entries, int(idle_weeks))
    known = patients.dropna(subset=["week"]).copy()
    known["protocol"] = used_protocols(known["protocol"])
    curves = curves_by_protocol(known, "week", "stopped")
    any_of = known if reference is None and cohort.reference is None and len(known) else patients
    base = reference_protocol(cohort, any_of["protocol"], reference)
    return TimeToStopping(
        modality=modality or ALL_SESSIONS,
        idle_weeks=int(idle_weeks),
        table=shares_by_week(curves, "stopped", level),
        medians=median_times(known, curves, "stopped", level),
        summary=_summary(patients),
        comparison=log_rank(known, "week", "stopped"),
        differences=share_differences(curves, base, level),
        patients=patients,
        notes=_notes(cohort, patients, int(idle_weeks), modality),
    )


def weeks_of_patients(cohort: Cohort, modality: str | None = None) -> pd.DataFrame:
    """Give each patient's weeks with sessions prescribed and the sessions done known, modalities added up.

    The columns are patient_id, protocol, week, sessions_prescribed, sessions_done, share, in the order of patients and weeks; a
    week in which one modality is unknown is left out.

    Raises
    ------
    ModelError
        There is no such modality.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> weeks = weeks_of_patients(generate_cohort(patients=30, seed=1).observed, "exercise")
    >>> bool((weeks["sessions_prescribed"] > 0).all())
    True
    """
    entries = of_modality(session_shares(cohort), modality)
    weeks = whole_weeks(entries, dict.fromkeys(("sessions_prescribed", "sessions_done"), "sum"))
    return weeks.assign(share=weeks["sessions_done"] / weeks["sessions_prescribed"])


def _followed(cohort: Cohort, weeks: pd.DataFrame, idle_weeks: int) -> pd.DataFrame:
    """One row a patient: first and last week, week of stopping or last recorded one."""
    done = weeks[weeks["sessions_done"] > 0]
    ends = done.groupby("patient_id")["week"].max()
    last_done = weeks["patient_id"].map(ends).astype("float64")
    idle = weeks[weeks["week"] > last_done.fillna(-np.inf)].groupby("patient_id")["week"].agg(["min", "size"])
    whole = weeks.groupby("patient_id")["week"].agg(["min", "max"])
    ids, patients = cohort.patients["patient_id"], patients_by_protocol(cohort)
    patients["first_week"] = ids.map(whole["min"]).astype("float64")
    patients["last_week"] = ids.map(whole["max"]).astype("float64")
    stopped = ids.map(idle["size"]).astype("float64").fillna(0) >= idle_weeks
    patients["week"] = ids.map(idle["min"]).astype("float64").where(stopped, patients["last_week"])
    patients["stopped"] = stopped
    patients["never_started"] = stopped & ids.map(ends).astype("float64").isna()
    return patients


def _summary(patients: pd.DataFrame) -> pd.DataFrame:
    rows = []
    for name, one in patients.groupby("protocol", observed=True):
        known = one[one["week"].notna()]
        never, stopped = int(known["never_started"].sum()), int(known["stopped"].sum())
        rows.append((str(name), len(one), len(known), never, stopped - never, len(known) - stopped))
    columns = ["protocol", "allocated", "n", "never_started", "stopped_later", "going_on"]
    return pd.DataFrame(rows, columns=columns)


def _notes(cohort: Cohort, patients: pd.DataFrame, idle_weeks: int, modality: str | None) -> tuple[str, ...]:
    if cohort.sessions is None:
        return (NOT_RECORDED,)
    notes = [
        f"Stopped: {idle_weeks} or more weeks without a session, up to the last recorded week; a pause does not count.",
        "Who was still going at the last recorded week is followed until then.",
    ]
    status = prescribed_modalities(session_shares(cohort), used_protocols(cohort.patients["protocol"]))
    if modality is not None:
        status = status.loc[(slice(None), [modality]), :]
        no = status.index[status["prescribed"] == NOT_PRESCRIBED].get_level_values("protocol")
        patients = patients[~patients["protocol"].astype("str").isin(no)]
    lost = int(patients["week"].isna().sum())
    if lost:
        notes.append(patients_have(lost, len(patients), "no week with sessions prescribed and recorded"))
    return tuple(notes) if modality is None else (*notes, *not_prescribed_in_words(status))

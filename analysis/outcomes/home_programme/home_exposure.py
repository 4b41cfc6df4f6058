"""What a patient did at home in some weeks, as one number: a share of sessions, or hours a week."""

from typing import Literal, get_args

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from analysis.cohort.reference import used_protocols
from analysis.cohort.session_log import programme_week
from analysis.cohort.tables import Cohort
from analysis.errors import ModelError, check_choice
from analysis.outcomes.home_programme.home_dose import dose_entries
from analysis.outcomes.home_programme.sessions_done import NOT_RECORDED, of_modality, session_shares, whole_weeks

Exposure = Literal["share of sessions", "minutes", "stimulation above the knee", "stimulation at the thigh"]

_COLUMNS = {
    "minutes": "minutes",
    "stimulation above the knee": "dose_knee",
    "stimulation at the thigh": "dose_thigh",
}
#: Unit of each exposure, so that a slope reads as "for" it.
UNITS = {
    "share of sessions": "all instead of none of the sessions",
    "minutes": "an hour a week",
    "stimulation above the knee": "an hour at full level a week",
    "stimulation at the thigh": "an hour at full level a week",
}


def weekly_exposure(cohort: Cohort, exposure: Exposure, modality: str | None = None) -> pd.DataFrame:
    """Give what each patient did in each week with sessions prescribed.

    The columns are patient_id, protocol, week, amount, of: done and prescribed sessions, or hours and 1. A week in which a part is
    unknown is left out. Without a modality all count together (for stimulation those with a level).

    Raises
    ------
    ModelError
        Sessions were not recorded, or the exposure or the modality is not known.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> weeks = weekly_exposure(generate_cohort(patients=30, seed=1).observed, "minutes", "exercise")
    >>> bool((weeks["of"] == 1).all())
    True
    """
    how = {"amount": "sum", "of": "sum" if exposure == "share of sessions" else "max"}
    return whole_weeks(_entries(cohort, exposure, modality), how)


def without_prescription(
    cohort: Cohort, exposure: Exposure, modality: str | None = None
) -> tuple[tuple[str, ...], int]:
    """Name the protocols that prescribe none of it: their patients have a dose of 0 by design.

    Takes and raises what :func:`weekly_exposure` does. Gives the protocols in their order: without an entry, or with 0
    sessions prescribed in every one (a prescription that is missing is not 0); and how many of their patients did some
    all the same.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> without_prescription(generate_cohort(patients=30, seed=1).observed, "minutes", "transcutaneous electrical nerve stimulation (TENS)")
    (('exercise only',), 0)
    """
    entries = _entries(cohort, exposure, modality)
    asked = {str(name) for name in entries.loc[entries["sessions_prescribed"] != 0, "protocol"].dropna().unique()}
    names = [str(name) for name in used_protocols(cohort.patients["protocol"]).cat.categories]
    none = tuple(name for name in names if name not in asked)
    own = entries[entries["protocol"].astype("str").isin(none) & (entries["amount"] > 0)]
    return none, int(own["patient_id"].nunique())


def _entries(cohort: Cohort, exposure: Exposure, modality: str | None) -> pd.DataFrame:
    """Give the entries with amount and of, those of one modality or of all that the exposure is about."""
    check_choice(exposure, get_args(Exposure), "exposure", error=ModelError)
    if cohort.sessions is None:
        raise ModelError(NOT_RECORDED, what_to_do="This needs the sessions table of the cohort.")
    key = ["patient_id", "modality", "week"]
    entries = session_shares(cohort)
    of_modality(entries, modality)
    if exposure == "share of sessions":
        entries = entries.assign(amount=entries["sessions_done"], of=entries["sessions_prescribed"])
    else:
        column = _COLUMNS[exposure]
        dose = dose_entries(cohort)[[*key, column]]
        entries = entries.merge(dose, on=key, how="left", validate="one_to_one")
        entries = entries.assign(amount=entries[column] / 60, of=1.0)
        if column != "minutes":
            entries = entries[entries["modality"].isin(dose.loc[dose[column].notna(), "modality"].unique())]
    return of_modality(entries, modality)


def exposure_between(
    weeks: pd.DataFrame, patients: pd.Series, after: ArrayLike, until: ArrayLike
) -> NDArray[np.float64]:
    """Give each row's exposure in the programme weeks from one time and before another.

    Parameters
    ----------
    weeks : pandas.DataFrame
        From :func:`weekly_exposure`.
    patients : pandas.Series
        Patient of each row.
    after, until : array_like
        Weeks since the start, one number or one a row: the programme week in which ``after`` falls counts, and those that
        follow before the one in which ``until`` falls (days 0 to 6 are programme week 1). Of a visit at week 12, day 84,
        those before it are weeks 1 to 12.

    Returns
    -------
    ndarray
        Sessions done of those prescribed, or mean hours a week recorded; missing where no week is known.

    Examples
    --------
    >>> weeks = pd.DataFrame({"patient_id": "a", "week": [1.0, 2.0, 3.0], "amount": [5.0, 3.0, 0.0], "of": 5.0})
    >>> exposure_between(weeks, pd.Series(["a", "a", "b"]), 0, [2, 3, 3]).round(3).tolist()
    [0.8, 0.533, nan]
    """
    rows = pd.DataFrame({"patient_id": patients.to_numpy(), "_row": np.arange(len(patients))})
    rows = rows.assign(_after=np.asarray(after, dtype=float), _until=np.asarray(until, dtype=float))
    ends = rows[["_after", "_until"]].apply(lambda week: programme_week(7.0 * week))
    both = rows.assign(**ends).merge(weeks[["patient_id", "week", "amount", "of"]], on="patient_id", how="inner")
    inside = both[(both["week"] >= both["_after"]) & (both["week"] < both["_until"])]
    sums = inside.groupby("_row")[["amount", "of"]].sum().reindex(rows["_row"])
    answer: NDArray[np.float64] = (sums["amount"] / sums["of"].where(sums["of"] > 0)).to_numpy(dtype=float)
    return answer

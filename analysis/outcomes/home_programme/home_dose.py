"""Home dose: minutes done, and stimulation delivered (minutes times level) above the knee and at the thigh."""

from dataclasses import dataclass

import pandas as pd

from analysis.cohort.reference import used_protocols
from analysis.cohort.tables import Cohort
from analysis.counted import counted
from analysis.outcomes.home_programme.prescribed_modalities import (
    NOT_PRESCRIBED,
    not_prescribed_in_words,
    prescribed_modalities,
)
from analysis.outcomes.home_programme.sessions_done import NOT_RECORDED, session_entries, session_shares
from analysis.result import ResultWithNotes
from analysis.statistics.mean_interval import describe_by
from analysis.statistics.proportions import check_level

#: What is measured: column, name, unit.
QUANTITIES = {
    "minutes": ("minutes", "min"),
    "minutes_a_session": ("minutes a session", "min"),
    "pauses_a_session": ("pauses a session", "pauses"),
    "dose_knee": ("stimulation above the knee", "min at full level"),
    "dose_thigh": ("stimulation at the thigh", "min at full level"),
}
_DOSES = ("dose_knee", "dose_thigh")
#: Sums that are divided by the sessions in which they are known.
_A_SESSION = {"minutes": "minutes_a_session", "pauses": "pauses_a_session"}


@dataclass(frozen=True, eq=False, repr=False)
class HomeDose(ResultWithNotes):
    """Minutes and stimulation delivered at home.

    Attributes
    ----------
    recorded : bool
        Whether home sessions were recorded at all.
    table : pandas.DataFrame
        One row a protocol, modality, week and quantity: protocol, modality, week, quantity ("minutes", "minutes a
        session", "pauses a session", "stimulation above the knee", "stimulation at the thigh"), unit, allocated, n (patients in whom it is
        known: the denominator), mean, std_error, df, lower, upper, level, method, median, lower_quartile,
        upper_quartile. Stimulation only for modalities with a level, pauses only where some are on record.
    overall : pandas.DataFrame
        The same over the whole programme, without week: each patient's sum over the weeks known (minutes and pauses a
        session: all of them by all sessions).
    patients : pandas.DataFrame
        One row a patient and modality: patient_id, protocol, modality, weeks_recorded, minutes, weeks_with_minutes,
        minutes_a_session, pauses_a_session, dose_knee, weeks_with_dose_knee, dose_thigh, weeks_with_dose_thigh.
    """

    recorded: bool
    table: pd.DataFrame
    overall: pd.DataFrame
    patients: pd.DataFrame

    def _headline(self) -> str:
        return "Home dose" if self.recorded else "Home dose: not recorded"


def home_dose(cohort: Cohort, *, level: float = 0.95) -> HomeDose:
    """Add up the minutes done at home and the stimulation delivered.

    Parameters
    ----------
    cohort : Cohort
        The cohort; ``sessions`` None means not recorded.
    level : float
        Confidence level of the means.

    Returns
    -------
    HomeDose
        By week, and over the programme.

    Notes
    -----
    Stimulation delivered is minutes times level / 100, the level in per cent of the device's maximum: minutes at full
    level. 20 minutes at 40 % are 8 (20 minutes of NMES are common practice, no source). Half the level for
    twice the time gives the same number, which does not mean the same effect on a muscle. No minute done delivers 0,
    whatever the level; minutes without a level are unknown. A modality that a protocol does not prescribe has no row for it:
    the few who did some of their own accord do not stand for the protocol.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> found = home_dose(generate_cohort(patients=60, seed=1).observed)
    >>> sorted(found.overall["quantity"].unique())
    ['minutes', 'minutes a session', 'stimulation above the knee', 'stimulation at the thigh']
    """
    check_level(level)
    entries, notes = _of_the_protocol(cohort, dose_entries(cohort))
    allocated = used_protocols(cohort.patients["protocol"]).value_counts()
    stimulated = {
        column: set(entries.loc[entries[f"level{column.removeprefix('dose')}"].notna(), "modality"].unique())
        for column in _DOSES
    }
    stimulated["pauses_a_session"] = set(entries.loc[entries["pauses"].notna(), "modality"].unique())
    patients = _totals(entries)
    table, overall = (
        _describe(frame, by, stimulated, allocated, level)
        for frame, by in ((entries, ["protocol", "modality", "week"]), (patients, ["protocol", "modality"]))
    )
    return HomeDose(
        recorded=cohort.sessions is not None,
        table=table,
        overall=overall,
        patients=patients,
        notes=(*_notes(cohort, entries), *notes),
    )


def _of_the_protocol(cohort: Cohort, entries: pd.DataFrame) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Leave out sessions of modalities that the patient's protocol does not prescribe, and say so."""
    status = prescribed_modalities(session_shares(cohort), used_protocols(cohort.patients["protocol"]))
    no = status.index[status["prescribed"] == NOT_PRESCRIBED]
    pairs = pd.MultiIndex.from_arrays([entries["protocol"].astype("str"), entries["modality"].astype("str")])
    own = entries[~pairs.isin(no)]
    done = entries[pairs.isin(no) & (entries["sessions_done"] > 0).to_numpy()]["patient_id"].nunique()
    said = (
        f"{counted(done, 'patient')} did sessions of a modality that their protocol does not prescribe: not in "
        "these numbers."
    )
    return own, (*((said,) if done else ()), *not_prescribed_in_words(status))


def dose_entries(cohort: Cohort) -> pd.DataFrame:
    """Give each entry of the sessions with its minutes and the stimulation delivered.

    The columns are patient_id, protocol, modality, week, sessions_done, minutes, pauses, minutes_a_session, pauses_a_session
    (missing without a session), level_knee, level_thigh (%), dose_knee, dose_thigh (minutes at full level; missing where minutes
    or level are, and for modalities without a level). Empty where sessions were not recorded.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> entries = dose_entries(generate_cohort(patients=30, seed=1).observed)
    >>> bool(entries.loc[entries["modality"] == "exercise", "dose_knee"].isna().all())
    True
    """
    entries = session_entries(cohort, ["sessions_done", "minutes_done", "pauses", "level_knee", "level_thigh"])
    entries = entries.rename(columns={"minutes_done": "minutes"})
    # No session is no minute, where the log left the minutes out.
    entries["minutes"] = entries["minutes"].mask(entries["minutes"].isna() & (entries["sessions_done"] == 0), 0.0)
    for position, (total, each) in enumerate(_A_SESSION.items(), 7):
        entries.insert(position, each, entries[total] / entries["sessions_done"].where(lambda n: n > 0))
    for place in ("knee", "thigh"):
        level = entries[f"level_{place}"]
        stimulated = entries["modality"].isin(entries.loc[level.notna(), "modality"].unique())
        dose = entries["minutes"] * level / 100
        entries[f"dose_{place}"] = dose.mask(entries["minutes"] == 0, 0.0).where(stimulated)
    return entries


def _totals(entries: pd.DataFrame) -> pd.DataFrame:
    """Sums over the weeks known, one row a patient and modality."""
    groups = entries.groupby(["patient_id", "protocol", "modality"], observed=True)
    totals = pd.DataFrame({"weeks_recorded": groups.size()})
    for column in ("minutes", *_DOSES):
        totals[column] = groups[column].sum(min_count=1)
        totals[f"weeks_with_{column}"] = groups[column].count()
    for place, (total, each) in enumerate(_A_SESSION.items(), 3):
        both = entries[["sessions_done", total]].notna().all(axis=1)
        of_known = (
            entries[both].groupby(["patient_id", "protocol", "modality"], observed=True)[["sessions_done", total]].sum()
        )
        totals.insert(place, each, of_known[total] / of_known["sessions_done"].where(lambda n: n > 0))
    return totals.reset_index()


def _describe(
    frame: pd.DataFrame, by: list[str], stimulated: dict[str, set[str]], allocated: pd.Series, level: float
) -> pd.DataFrame:
    parts = []
    for column, (name, unit) in QUANTITIES.items():
        own = frame[frame["modality"].isin(stimulated[column])] if column in stimulated else frame
        part = describe_by(own, by, column, level=level)
        part.insert(len(by), "quantity", name)
        part.insert(len(by) + 1, "unit", unit)
        part.insert(len(by) + 2, "allocated", part["protocol"].astype("str").map(allocated.rename(str)))
        parts.append(part)
    table = pd.concat(parts, ignore_index=True).astype({"protocol": "str", "modality": "str", "quantity": "str"})
    order = {name: place for place, (name, _) in enumerate(QUANTITIES.values())}
    places = {str(name): place for place, name in enumerate(frame["protocol"].cat.categories)}
    keys = table[by].assign(protocol=table["protocol"].map(places), quantity=table["quantity"].map(order))
    return table.loc[keys.sort_values([*by, "quantity"]).index].reset_index(drop=True)


def _notes(cohort: Cohort, entries: pd.DataFrame) -> tuple[str, ...]:
    if cohort.sessions is None:
        return (NOT_RECORDED,)
    notes = [
        "Stimulation delivered: minutes times level / 100, the level in per cent of the device's maximum.",
        "Over the programme: each patient's sum over the weeks known; weeks without an entry add nothing.",
    ]
    unknown = int(entries["minutes"].isna().sum())
    if unknown:
        notes.append(f"In {unknown:,} of {len(entries):,} weekly entries the minutes are missing.")
    stimulated = entries["modality"].isin(
        entries.loc[entries[["level_knee", "level_thigh"]].notna().any(axis=1), "modality"]
    )
    without = int((stimulated & (entries["minutes"] > 0) & entries[list(_DOSES)].isna().any(axis=1)).sum())
    if without:
        notes.append(
            f"In {without:,} of {int(stimulated.sum()):,} weekly entries of stimulation a level is missing: "
            "the stimulation delivered there is unknown."
        )
    return tuple(notes)

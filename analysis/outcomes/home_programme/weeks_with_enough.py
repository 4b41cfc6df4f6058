"""Share of the programme's weeks in which a patient did enough of the sessions prescribed, at 80 % and other shares."""

from dataclasses import dataclass

import pandas as pd

from analysis.cohort.reference import used_protocols
from analysis.cohort.tables import Cohort
from analysis.outcomes.home_programme.prescribed_modalities import not_prescribed_in_words, prescribed_modalities
from analysis.outcomes.home_programme.sessions_done import NOT_RECORDED, check_enough, session_shares
from analysis.outcomes.home_programme.time_to_stopping import ALL_SESSIONS, weeks_of_patients
from analysis.result import ResultWithNotes, patients_have
from analysis.statistics.mean_interval import describe_by
from analysis.statistics.proportions import check_level, share_interval

#: Share of the sessions prescribed that is always shown; by custom, no source.
USUAL = 0.8


@dataclass(frozen=True, eq=False, repr=False)
class WeeksWithEnough(ResultWithNotes):
    """Weeks in which enough of the sessions prescribed was done.

    Attributes
    ----------
    shares : tuple of float
        Shares of the sessions prescribed: 0.8, and the user's.
    table : pandas.DataFrame
        One row a protocol, modality ("all sessions" first) and share: protocol, modality, enough (the share), allocated, n
        (patients with a week known: the denominator), weeks, weeks_reached (sums over n), mean (of the patients' shares
        of weeks), std_error, df, lower, upper, level, method, median, lower_quartile, upper_quartile.
    every_week : pandas.DataFrame
        protocol, modality, enough, n, patients (who reached it in every week known), share, lower, upper, level,
        method.
    patients : pandas.DataFrame
        patient_id, protocol, modality, enough, weeks (with sessions prescribed and the sessions done known), reached
        (weeks), share_of_weeks.
    """

    shares: tuple[float, ...]
    table: pd.DataFrame
    every_week: pd.DataFrame
    patients: pd.DataFrame

    def _headline(self) -> str:
        return f"Weeks at {', '.join(f'{100 * one:g} %' for one in self.shares)} of the sessions prescribed"


def weeks_with_enough(cohort: Cohort, *, enough: float = USUAL, level: float = 0.95) -> WeeksWithEnough:
    """Count the weeks in which patients did enough of the sessions prescribed.

    Parameters
    ----------
    cohort : Cohort
        The cohort; ``sessions`` None means not recorded.
    enough : float
        Share of the sessions prescribed that counts as enough, shown beside 0.8.
    level : float
        Confidence level.

    Returns
    -------
    WeeksWithEnough
        By protocol, modality and share that counts as enough.

    Raises
    ------
    ModelError
        The share that counts as enough is not above 0.

    Notes
    -----
    A week without sessions prescribed is no week at 0 %; it is left out, as is one in which the sessions done are
    unknown. Patients count once each, however many weeks they have: the interval is that of a mean of patients.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> found = weeks_with_enough(generate_cohort(patients=60, seed=1).observed, enough=0.5)
    >>> found.shares
    (0.5, 0.8)
    """
    check_level(level)
    check_enough(enough)
    shares = tuple(sorted({USUAL, float(enough)}))
    columns = ["patient_id", "protocol", "modality", "week", "share"]
    entries = session_shares(cohort)
    single = entries.dropna(subset=["share"])
    weeks = pd.concat(
        [weeks_of_patients(cohort).assign(modality=ALL_SESSIONS)[columns], single.astype({"modality": "str"})[columns]],
        ignore_index=True,
    )
    weeks["protocol"] = pd.Categorical(weeks["protocol"], used_protocols(cohort.patients["protocol"]).cat.categories)
    weeks["modality"] = pd.Categorical(weeks["modality"], weeks["modality"].unique())
    by = ["protocol", "modality", "enough"]
    patients = pd.concat([_by_patient(weeks, one) for one in shares], ignore_index=True)
    described = describe_by(patients, by, "share_of_weeks", level=level)
    groups = patients.groupby(by, observed=True)
    sums = groups[["weeks", "reached"]].sum().rename(columns={"reached": "weeks_reached"}).reset_index()
    table = sums.merge(described, on=by)
    counts = used_protocols(cohort.patients["protocol"]).value_counts()
    table.insert(3, "allocated", table["protocol"].map(counts).astype("int64"))
    table.insert(4, "n", table.pop("n"))
    whole = patients.assign(patients=patients["reached"] == patients["weeks"]).groupby(by, observed=True)["patients"]
    every_week = pd.DataFrame({"n": whole.size(), "patients": whole.sum()}).reset_index()
    every_week = every_week.join(share_interval(every_week["patients"], every_week["n"], level=level))
    names = {"protocol": "str", "modality": "str"}
    return WeeksWithEnough(
        shares=shares,
        table=table.astype(names),
        every_week=every_week.astype(names),
        patients=patients,
        notes=(
            *_notes(cohort, patients),
            *not_prescribed_in_words(prescribed_modalities(entries, used_protocols(cohort.patients["protocol"]))),
        ),
    )


def _by_patient(weeks: pd.DataFrame, enough: float) -> pd.DataFrame:
    marked = weeks.assign(reached=weeks["share"] >= enough - 1e-9)
    groups = marked.groupby(["patient_id", "protocol", "modality"], observed=True)["reached"]
    table = pd.DataFrame({"weeks": groups.size(), "reached": groups.sum()}).astype("int64").reset_index()
    table.insert(3, "enough", enough)
    return table.assign(share_of_weeks=table["reached"] / table["weeks"])


def _notes(cohort: Cohort, patients: pd.DataFrame) -> tuple[str, ...]:
    if cohort.sessions is None:
        return (NOT_RECORDED,)
    notes = [
        "Weeks with sessions prescribed and the sessions done known; a week without prescription is none at 0 %.",
        "Enough or not hides how far below it a week was: read it beside the share of sessions done.",
    ]
    without = len(cohort.patients) - patients["patient_id"].nunique()
    if without:
        notes.append(patients_have(without, len(cohort.patients), "no such week"))
    return tuple(notes)

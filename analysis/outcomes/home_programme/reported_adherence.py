"""What patients say they did against what was logged."""

from dataclasses import dataclass

import pandas as pd

from analysis.cohort.reference import used_protocols
from analysis.cohort.tables import Cohort
from analysis.errors import ModelError
from analysis.outcomes.home_programme.sessions_done import NOT_RECORDED, check_enough, session_shares
from analysis.result import ResultWithNotes
from analysis.statistics.mean_interval import describe_by
from analysis.statistics.proportions import check_level

_KEY = ["patient_id", "week", "modality"]


@dataclass(frozen=True, eq=False, repr=False)
class ReportedAdherence(ResultWithNotes):
    """Sessions reported by patients against sessions logged.

    Attributes
    ----------
    enough : float
        Share of the sessions prescribed for the yes or no.
    table : pandas.DataFrame
        One row a protocol and modality: protocol, modality, n (patients with both: the denominator), weeks,
        sessions_prescribed, sessions_logged, sessions_reported (sums over the weeks with both), share_logged,
        share_reported, mean (of the patients' differences, reported less logged share), std_error, df, lower, upper,
        level, method, median, lower_quartile, upper_quartile.
    by_week : pandas.DataFrame
        The same by protocol, modality and week.
    yes_or_no : pandas.DataFrame
        protocol, modality, n, both, reported_only, logged_only, neither: patients with enough over the programme.
    patients : pandas.DataFrame
        patient_id, protocol, modality, weeks, sessions_prescribed, sessions_logged, sessions_reported, share_logged,
        share_reported, difference.
    """

    enough: float
    table: pd.DataFrame
    by_week: pd.DataFrame
    yes_or_no: pd.DataFrame
    patients: pd.DataFrame

    def _headline(self) -> str:
        return "Home sessions: reported against logged"


def reported_adherence(
    cohort: Cohort, reported: pd.DataFrame, *, enough: float = 0.8, level: float = 0.95
) -> ReportedAdherence:
    """Compare the sessions that patients report with those that were logged.

    Parameters
    ----------
    cohort : Cohort
        The cohort; its sessions are the log.
    reported : pandas.DataFrame
        One row a patient's week of one modality: patient_id, week, modality, sessions_reported.
    enough : float
        Share of the sessions prescribed for the yes or no.
    level : float
        Confidence level.

    Returns
    -------
    ReportedAdherence
        Shares side by side, and their difference.

    Raises
    ------
    ModelError
        A column is missing, a week comes twice, nothing matches the log, or sessions were not recorded.

    Notes
    -----
    Only weeks with both are compared. A log misses sessions done without the device, a report holds wishes; neither is
    the truth. The difference of a patient is that of the shares over all weeks, so the interval is one of patients.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> made = generate_cohort(patients=60, seed=1)
    >>> found = reported_adherence(made.observed, made.reported_sessions)
    >>> bool((found.table["mean"] > 0).all())
    True
    """
    check_level(level)
    check_enough(enough)
    if cohort.sessions is None:
        raise ModelError(NOT_RECORDED, what_to_do="A comparison needs the sessions table of the cohort as the log.")
    said = _checked(reported)
    log = session_shares(cohort).rename(columns={"sessions_done": "sessions_logged"}).astype({"modality": "str"})
    both = log.drop(columns="share").merge(said, on=_KEY, how="outer", indicator="where")
    matched = both[both["where"] == "both"].drop(columns="where")
    if matched.empty:
        raise ModelError(
            "No reported week matches a week of the log.",
            where=f"{len(said):,} reported weeks, {len(log):,} logged ones",
            what_to_do="Check that patient_id, week and modality are written as in the sessions table.",
        )
    numbers = ["sessions_prescribed", "sessions_logged", "sessions_reported"]
    usable = matched[matched[numbers].notna().all(axis=1) & (matched["sessions_prescribed"] > 0)].copy()
    usable["protocol"] = pd.Categorical(usable["protocol"], used_protocols(cohort.patients["protocol"]).cat.categories)
    patients = _sums(usable, ["patient_id", "protocol", "modality"])
    weekly = _sums(usable, ["patient_id", "protocol", "modality", "week"])
    yes = patients.assign(
        logged=patients["share_logged"] >= enough - 1e-9, said=patients["share_reported"] >= enough - 1e-9
    )
    return ReportedAdherence(
        enough=enough,
        table=_compare(patients, ["protocol", "modality"], level),
        by_week=_compare(weekly, ["protocol", "modality", "week"], level),
        yes_or_no=_yes_or_no(yes),
        patients=patients,
        notes=_notes(both, matched, usable),
    )


def _checked(reported: pd.DataFrame) -> pd.DataFrame:
    wanted = [*_KEY, "sessions_reported"]
    missing = [name for name in wanted if name not in reported]
    if missing:
        raise ModelError(
            f"The reported sessions lack the column {missing[0]!r}.",
            where=f"columns there: {', '.join(str(name) for name in reported)}",
            what_to_do=f"Give the columns {', '.join(wanted)}.",
        )
    said = reported[wanted].astype({"modality": "str", "week": "float64", "sessions_reported": "float64"})
    twice = said.duplicated(_KEY)
    if twice.any():
        first = said.loc[twice].iloc[0]
        raise ModelError(
            f"{int(twice.sum())} reported weeks come twice.",
            where=f"the first: patient {first['patient_id']}, week {first['week']:g}, {first['modality']}",
            what_to_do="Keep one row a patient, week and modality.",
        )
    return said


def _sums(usable: pd.DataFrame, by: list[str]) -> pd.DataFrame:
    groups = usable.groupby(by, observed=True)
    sums = groups[["sessions_prescribed", "sessions_logged", "sessions_reported"]].sum()
    sums.insert(0, "weeks", groups.size())
    return _shares(sums.reset_index()).assign(difference=lambda rows: rows["share_reported"] - rows["share_logged"])


def _shares(sums: pd.DataFrame) -> pd.DataFrame:
    return sums.assign(
        share_logged=sums["sessions_logged"] / sums["sessions_prescribed"],
        share_reported=sums["sessions_reported"] / sums["sessions_prescribed"],
    )


def _compare(patients: pd.DataFrame, by: list[str], level: float) -> pd.DataFrame:
    counted = ["weeks", "sessions_prescribed", "sessions_logged", "sessions_reported"]
    sums = _shares(patients.groupby(by, observed=True)[counted].sum().reset_index())
    table = sums.merge(describe_by(patients, by, "difference", level=level), on=by)
    table.insert(len(by), "n", table.pop("n"))
    return table.astype({"protocol": "str", "modality": "str"})


def _yes_or_no(yes: pd.DataFrame) -> pd.DataFrame:
    counts = yes.assign(
        both=yes["said"] & yes["logged"],
        reported_only=yes["said"] & ~yes["logged"],
        logged_only=~yes["said"] & yes["logged"],
        neither=~yes["said"] & ~yes["logged"],
        n=True,
    )
    columns = ["n", "both", "reported_only", "logged_only", "neither"]
    table = counts.groupby(["protocol", "modality"], observed=True)[columns].sum().astype("int64").reset_index()
    return table.astype({"protocol": "str", "modality": "str"})


def _notes(both: pd.DataFrame, matched: pd.DataFrame, usable: pd.DataFrame) -> tuple[str, ...]:
    notes = [
        f"{len(usable):,} weeks with sessions prescribed, logged and reported; others are left out.",
        "Neither is the truth: a log misses sessions done without the device, a report holds wishes.",
    ]
    for side, words in (("left_only", "logged but not reported"), ("right_only", "reported but not logged")):
        count = int((both["where"] == side).sum())
        if count:
            notes.append(f"{count:,} weeks are {words}.")
    more = int((usable["sessions_reported"] > usable["sessions_prescribed"]).sum())
    if more:
        notes.append(f"In {more:,} weeks more was reported than prescribed: kept as it is.")
    if len(matched) > len(usable):
        notes.append(f"In {len(matched) - len(usable):,} weeks nothing was prescribed or a number is missing.")
    return tuple(notes)

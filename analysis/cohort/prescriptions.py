"""What was prescribed: which home sessions, how often, to which protocols, in which weeks of the programme."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from analysis.errors import CohortError

_KEY = ["patient_id", "week", "modality"]
#: Patients of a protocol among whom somebody does a session that is prescribed, as good as always (design choice).
LEAST_PATIENTS = 5


@dataclass(frozen=True)
class Prescription:
    """Sessions of one modality asked for in every week from a first to a last one.

    Parameters
    ----------
    modality : str
        Kind of home session.
    sessions : float
        Sessions a week, above 0.
    weeks : tuple of int
        First and last week of the programme (days 0 to 6 are week 1).
    protocols : tuple of str
        The protocols that prescribe it.

    Raises
    ------
    CohortError
        The weeks are not a first and a last one, or nothing is prescribed.

    Examples
    --------
    >>> Prescription("transcutaneous electrical nerve stimulation (TENS)", 7, (1, 4), ("early",)).weeks
    (1, 4)
    """

    modality: str
    sessions: float
    weeks: tuple[int, int]
    protocols: tuple[str, ...]

    def __post_init__(self) -> None:
        check_weeks(self.weeks)
        if not 0 < self.sessions < math.inf:
            raise CohortError(
                f"{self.sessions:g} sessions a week are no prescription.",
                where=f"{self.modality}, {', '.join(self.protocols)}",
                what_to_do="Leave the prescription out where nothing was prescribed.",
            )


def check_weeks(weeks: tuple[int, int]) -> None:
    """Refuse weeks of a programme that are not a first and a last one.

    Raises
    ------
    CohortError
        The first is below 0, or after the last.
    """
    if not 0 <= weeks[0] <= weeks[1]:
        raise CohortError(
            f"The programme cannot go from week {weeks[0]} to week {weeks[1]}.",
            where="[session_log], weeks",
            what_to_do="Give the first and the last week, for example [1, 12].",
        )


def prescribed_weeks(prescriptions: Sequence[Prescription], protocols: Mapping[str, str]) -> pd.DataFrame:
    """Give every week in which sessions were prescribed to a patient, from the protocol of each.

    Columns patient_id, week, modality, sessions_prescribed.

    Raises
    ------
    CohortError
        A protocol has two prescriptions of a modality for one week.

    Examples
    --------
    >>> tens = Prescription("transcutaneous electrical nerve stimulation (TENS)", 7, (1, 2), ("early",))
    >>> prescribed_weeks([tens], {"a": "early", "b": "usual"}).drop(columns="modality").to_numpy().tolist()
    [['a', 1.0, 7.0], ['a', 2.0, 7.0]]
    """
    rows = [
        (protocol, float(week), one.modality, float(one.sessions))
        for one in prescriptions
        for protocol in one.protocols
        for week in range(one.weeks[0], one.weeks[1] + 1)
    ]
    plan = pd.DataFrame(rows, columns=["protocol", "week", "modality", "sessions_prescribed"])
    twice = plan[plan.duplicated(["protocol", "week", "modality"])]
    if len(twice):
        first = twice.iloc[0]
        raise CohortError(
            f"For week {first['week']:g} sessions of {first['modality']} are prescribed twice to {first['protocol']}.",
            where="[session_log], prescribed",
            what_to_do="Give each protocol and modality weeks that do not overlap.",
        )
    people = pd.DataFrame({"patient_id": list(protocols), "protocol": list(protocols.values())}, dtype="str")
    whole = people.merge(plan.astype({"protocol": "str", "modality": "str"}), on="protocol", how="inner")
    return whole[[*_KEY, "sessions_prescribed"]]


def prescribed_to_all(prescribed: Mapping[str, float], weeks: tuple[int, int], patients: Sequence[str]) -> pd.DataFrame:
    """Give the same, where every patient was asked for the same sessions a week (by modality) from a first to a last week.

    Examples
    --------
    >>> prescribed_to_all({"exercise": 5}, (1, 2), ["a"])["week"].tolist()
    [1.0, 2.0]
    """
    check_weeks(weeks)
    span = np.arange(weeks[0], weeks[1] + 1, dtype="float64")
    grid = pd.MultiIndex.from_product([list(patients), span, list(prescribed)], names=_KEY).to_frame(index=False)
    asked = grid["modality"].map(dict(prescribed)).astype("float64")
    return grid.astype({"patient_id": "str", "modality": "str"}).assign(sessions_prescribed=asked)


def never_done(
    log: pd.DataFrame, modalities: Iterable[str], protocols: Mapping[str, str]
) -> list[tuple[str, str, int]]:
    """Give the protocols in which nobody did a modality that another protocol does: it was hardly prescribed to them.

    The log has patient_id, modality, sessions_done: the sessions by week; ``protocols`` the protocol of each patient. Given
    are modality, protocol, and the number of its patients: 5 or more.

    Examples
    --------
    >>> log = pd.DataFrame({"patient_id": ["p0"], "modality": "exercise", "sessions_done": 1.0})
    >>> protocols = {f"p{k}": "early" for k in range(6)} | {f"q{k}": "usual" for k in range(6)}
    >>> never_done(log, ["exercise"], protocols)
    [('exercise', 'usual', 6)]
    """
    size = pd.Series(list(protocols.values()), dtype="str").value_counts(sort=False)
    done = log[log["sessions_done"] > 0].assign(
        protocol=lambda rows: rows["patient_id"].astype("str").map(dict(protocols))
    )
    found = []
    for modality in modalities:
        active = set(done.loc[done["modality"] == modality, "protocol"].dropna())
        if active:
            found += [
                (modality, str(protocol), int(n))
                for protocol, n in size.items()
                if n >= LEAST_PATIENTS and protocol not in active
            ]
    return found

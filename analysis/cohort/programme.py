"""The home programme in numbers: how long a session takes, at which levels, with how many pauses; and what is let pass."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
import pandas as pd

from analysis.cohort.findings import FindingList
from analysis.cohort.modalities import MODALITIES, NMES, TENS
from analysis.errors import CohortError

#: Minutes beyond the usual ones that need no look: devices run on, and people start late (common practice, no source).
TOLERANCE = 5.0


#: A brace is worn until this week, where nothing says so (common practice after surgery of the knee, no source) ...
BRACE_UNTIL = 6.0
#: ... and for so many weeks after its limits were last set (design choice).
BRACE_AFTER_SETTING = 2.0
_LIMITS = ("flexion_limit_deg", "extension_limit_deg")


@dataclass(frozen=True)
class UsualSession:
    """What a session of one modality usually is.

    Parameters
    ----------
    modality : str
        Kind of home session.
    minutes : float, optional
        Minutes that it takes; None where it has no set length.
    tolerance : float
        Minutes more that need no look. A shorter session needs none: devices stop early.
    most_pauses : float, optional
        Most pauses in one session; None where any number is usual.
    levels : tuple of float, optional
        Lowest and highest stimulation level, % of the device's maximum; None where any is usual.
    protocols : tuple of str
        The protocols that it holds for; all where empty.

    Raises
    ------
    CohortError
        The modality is not known, or a number cannot be.

    Examples
    --------
    >>> UsualSession("exercise", 45, tolerance=15).longest
    60.0
    """

    modality: str
    minutes: float | None = None
    tolerance: float = TOLERANCE
    most_pauses: float | None = None
    levels: tuple[float, float] | None = None
    protocols: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        lowest, highest = self.levels or (0.0, 100.0)
        for wrong, what, advice in (
            (self.modality not in MODALITIES, f"There is no modality {self.modality!r}.", f"Use one of: {', '.join(MODALITIES)}."),
            (self.minutes is not None and not 0 < self.minutes <= 1440, f"A session cannot take {self.minutes} minutes.",
             "Give minutes above 0, or leave them out where a session has no set length."),
            (not 0 <= self.tolerance < math.inf, f"A tolerance cannot be {self.tolerance} minutes.", "Give 0 or more."),
            (self.most_pauses is not None and self.most_pauses < 0, f"There cannot be {self.most_pauses} pauses.", "Give 0 or more."),
            (not 0 <= lowest <= highest <= 100, f"Levels cannot go from {lowest:g} to {highest:g}.",
             "Give the lowest and the highest level, 0 to 100 % of the device's maximum."),
        ):  # fmt: skip
            if wrong:
                raise CohortError(what, where=f"programme, {self.modality}", what_to_do=advice)

    @property
    def longest(self) -> float:
        """Minutes of the longest session that needs no look; NaN where it has no set length."""
        return math.nan if self.minutes is None else float(self.minutes + self.tolerance)

    def to_json(self) -> dict[str, Any]:
        """Return plain values, for the data package."""
        return {key: list(value) if isinstance(value, tuple) else value for key, value in asdict(self).items()}


#: What a session is where no map says it: common practice, no source. Exercise has no set length.
COMMON_PRACTICE = (
    UsualSession(NMES, 20.0),
    UsualSession(TENS, 30.0),
)


def check_once(programme: Iterable[UsualSession], where: str) -> None:
    """Refuse two descriptions of a modality for one protocol, or for all.

    Raises
    ------
    CohortError
        There are two; the message names them.
    """
    seen: set[tuple[str, str]] = set()
    for one in programme:
        for protocol in one.protocols or ("all protocols",):
            if (one.modality, protocol) in seen:
                raise CohortError(
                    f"A session of {one.modality} is described twice for {protocol}.",
                    where=where,
                    what_to_do="Keep one of the two.",
                )
            seen.add((one.modality, protocol))


def read_programme(data: Any, where: str) -> tuple[UsualSession, ...]:
    """Read what :meth:`UsualSession.to_json` gave for each session of a programme.

    Raises
    ------
    CohortError
        The description does not have the expected form.
    """
    try:
        programme = tuple(
            UsualSession(
                one["modality"],
                one["minutes"],
                one["tolerance"],
                one["most_pauses"],
                None if one["levels"] is None else (one["levels"][0], one["levels"][1]),
                tuple(map(str, one["protocols"])),
            )
            for one in data
        )
    except (IndexError, KeyError, TypeError):
        raise CohortError("The programme cannot be read.", where=where, what_to_do="Import the source again.") from None
    check_once(programme, where)
    return programme


def check_usual(
    table: str,
    frame: pd.DataFrame,
    findings: FindingList,
    programme: Iterable[UsualSession],
    protocols: Mapping[str, str],
    sessions: pd.Series | None = None,
) -> None:
    """Warn of sessions that are longer, more often interrupted, or at other levels than the programme says.

    ``frame`` has a row a session (patient_id, modality, and any of minutes, pauses, level_knee, level_thigh); or a row for
    several ``sessions``, then minutes and pauses are their sums, and levels their means. ``protocols`` gives the protocol of
    each patient. What the programme says of a protocol comes before what it says of all, and that before common practice.
    """
    rules = [*COMMON_PRACTICE, *sorted(programme, key=lambda one: bool(one.protocols))]
    if any(one.protocols for one in rules):
        protocol = protocol_of(frame["patient_id"], protocols)
    which = np.full(len(frame), -1)
    for place, one in enumerate(rules):
        rows = (frame["modality"] == one.modality).to_numpy(dtype=bool, na_value=False)
        which[rows & protocol.isin(one.protocols).to_numpy() if one.protocols else rows] = place
    for place in np.unique(which[which >= 0]):
        rows = frame[which == place]
        _check_rule(table, rows, findings, rules[place], None if sessions is None else sessions[which == place])


def protocol_of(patients: pd.Series, protocols: Mapping[str, str]) -> pd.Series:
    """Give the protocol of the patient of each row, a category; missing where it is not known.

    Examples
    --------
    >>> protocol_of(pd.Series(["a", "b", "a"]), {"a": "usual"}).astype("str").tolist()
    ['usual', nan, 'usual']
    """
    held = patients.astype("category")
    names = [protocols.get(str(one)) for one in held.cat.categories]
    codes, found = pd.factorize(np.array([*names, None], dtype=object))
    return pd.Series(
        pd.Categorical.from_codes(codes[held.cat.codes.to_numpy()], categories=pd.Index(found)), index=patients.index
    )


def brace_off(brace: pd.DataFrame) -> pd.Series:
    """Say which rows of the table brace_limits have no limits: the brace came off then."""
    return brace[[name for name in _LIMITS if name in brace]].isna().all(axis=1)


def worn_until(brace: pd.DataFrame) -> pd.Series:
    """Give the week until which each patient wears the brace, by patient_id: limits are carried on until then.

    A row without limits, after the last one with limits, says that it came off. Otherwise it is worn until week 6, and two weeks
    after its last setting. A patient without any limits is left out.

    Examples
    --------
    >>> brace = pd.DataFrame({"patient_id": ["a", "b", "b", "c"], "week": [2.0, 2.0, 4.0, 9.0],
    ...                       "flexion_limit_deg": [90.0, 90.0, None, 120.0]})
    >>> worn_until(brace).to_dict()
    {'a': 6.0, 'b': 4.0, 'c': 11.0}
    """
    off = brace_off(brace)
    last = brace[~off].groupby("patient_id", observed=True)["week"].max()
    after = brace[off & (brace["week"] > brace["patient_id"].map(last).astype("float64"))]
    came_off = after.groupby("patient_id", observed=True)["week"].min().reindex(last.index)
    return came_off.fillna((last + BRACE_AFTER_SETTING).clip(lower=BRACE_UNTIL))


def _check_rule(
    table: str, rows: pd.DataFrame, findings: FindingList, rule: UsualSession, sessions: pd.Series | None
) -> None:
    n = 1.0 if sessions is None else sessions
    one = f"a session of {rule.modality}" if sessions is None else f"the sessions of {rule.modality}"
    minutes, s, each = ("minutes", "s", "") if sessions is None else ("minutes_done", "", " each")
    if rule.minutes is not None:
        problem = f"longer than {one} take{s}, {rule.minutes:g} min{each} and {rule.tolerance:g} let pass"
        _warn(
            table, rows, findings, minutes, _numbers(rows, minutes) > rule.longest * n, problem, "minutes or tolerance"
        )
    if rule.most_pauses is not None:
        problem = f"more pauses than {one} ha{s or 've'}, {rule.most_pauses:g}{each}"
        _warn(table, rows, findings, "pauses", _numbers(rows, "pauses") > rule.most_pauses * n, problem, "most_pauses")
    for column in ("level_knee", "level_thigh") if rule.levels is not None else ():
        (lowest, highest), level = rule.levels or (0, 100), _numbers(rows, column)
        problem = f"outside the levels of {rule.modality}, {lowest:g} to {highest:g} %"
        _warn(table, rows, findings, column, level.between(0, 100) & ~level.between(lowest, highest), problem, "levels")


def _warn(
    table: str, rows: pd.DataFrame, findings: FindingList, column: str, wrong: pd.Series, problem: str, keys: str
) -> None:
    advice = f"Check the log; where it was so, give {keys} under [[programme]] in the map."
    findings.add_rows("warning", table, rows, wrong, column, problem, advice)


def _numbers(rows: pd.DataFrame, column: str) -> pd.Series:
    return rows[column].astype("float64") if column in rows else pd.Series(np.nan, index=rows.index)

"""Checks of the home programme: sessions and brace settings that cannot have been, or need a look."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.cohort.findings import FindingList
from analysis.cohort.prescriptions import LEAST_PATIENTS
from analysis.cohort.programme import UsualSession, brace_off, check_usual, protocol_of, worn_until
from analysis.cohort.tables import TABLES
from analysis.counted import counted

#: Where the hinge itself ends: a limit here is no limit (common practice, no source).
END_OF_HINGE = 135.0
#: Weeks in which nobody of `LEAST_PATIENTS` did a session that was prescribed: was it, so long (design choice)?
IDLE_WEEKS = 2


def check_home(
    tables: Mapping[str, pd.DataFrame], findings: FindingList, programme: Sequence[UsualSession] | None = ()
) -> None:
    """Find what is wrong in the tables sessions and brace_limits, and measured flexion beyond the brace's limit.

    The tables are in their types; their index holds the row number, from 0. ``programme`` says what a session usually is;
    with None the sessions are not held against it, because they were, one by one.
    """
    if "sessions" in tables:
        protocols = _protocols(tables.get("patients", pd.DataFrame()))
        _check_sessions(tables["sessions"], findings, programme, protocols)
        _check_prescribed(tables["sessions"], protocols, findings)
    if "brace_limits" in tables:
        _check_brace(tables["brace_limits"], findings)
        if "visits" in tables:
            _check_flexion(tables["visits"], tables["brace_limits"], findings)


def _protocols(patients: pd.DataFrame) -> dict[str, str]:
    if not {"patient_id", "protocol"} <= set(patients.columns):
        return {}
    known = patients[["patient_id", "protocol"]].dropna().drop_duplicates("patient_id").astype("str")
    return dict(zip(known["patient_id"], known["protocol"], strict=True))


def _check_sessions(
    sessions: pd.DataFrame,
    findings: FindingList,
    programme: Sequence[UsualSession] | None,
    protocols: Mapping[str, str],
) -> None:
    if not {"sessions_done", "minutes_done"} <= set(sessions.columns):
        return
    done, minutes = sessions["sessions_done"], sessions["minutes_done"]
    idle = (minutes > 0) & (done == 0)
    problem, advice = "minutes in a week without a session", "Correct the sessions or the minutes."
    findings.add_rows("error", "sessions", sessions, idle, "minutes_done", problem, advice)
    if programme is not None and {"modality", "patient_id"} <= set(sessions.columns):
        check_usual("sessions", sessions[~idle], findings, programme, protocols, done[~idle])


def _check_prescribed(sessions: pd.DataFrame, protocols: Mapping[str, str], findings: FindingList) -> None:
    """Ask where sessions are prescribed to a protocol in which nobody ever did one, or nobody in the last weeks."""
    columns = ["patient_id", "week", "modality", "sessions_prescribed", "sessions_done"]
    if not set(columns) <= set(sessions.columns) or not protocols:
        return
    known = sessions[columns].dropna()
    known = known[known["sessions_prescribed"] > 0]
    protocol = protocol_of(known["patient_id"], protocols).rename("protocol")
    for (name, modality), rows in known.groupby([protocol, "modality"], sort=False, observed=True):
        n, done = rows["patient_id"].nunique(), rows.loc[rows["sessions_done"] > 0, "week"]
        if done.empty:
            findings.add(
                "warning", "sessions",
                f"no session of {modality} was done under {name}, though some are prescribed ("
                f"{counted(n, 'patient')}): was it prescribed to them?",
                "If not, say in the map to which protocols it was, in [[session_log.prescribed]], or remove these weeks.",
                column="sessions_prescribed",
            )  # fmt: skip
        elif n >= LEAST_PATIENTS and rows["week"].max() - done.max() >= IDLE_WEEKS:
            findings.add(
                "warning", "sessions",
                f"nobody under {name} did a session of {modality} after week {done.max():g}, though some are prescribed "
                f"until week {rows['week'].max():g}: was it prescribed so long?",
                "If not, give the weeks in the map, in [[session_log.prescribed]], or remove the later ones.",
                column="sessions_prescribed",
            )  # fmt: skip


def _check_brace(brace: pd.DataFrame, findings: FindingList) -> None:
    if "both_hinges_agree" in brace:
        differ = brace["both_hinges_agree"].eq(False).fillna(value=False)
        advice = "Check the record; the hinges of one brace have the same limits."
        problem = "both hinges were set differently"
        findings.add_rows("warning", "brace_limits", brace, differ, "both_hinges_agree", problem, advice)
    if {"flexion_limit_deg", "extension_limit_deg"} <= set(brace.columns):
        crossed = brace["extension_limit_deg"] > brace["flexion_limit_deg"]
        problem = "the extension limit is beyond the flexion limit"
        findings.add_rows(
            "error", "brace_limits", brace, crossed, "extension_limit_deg", problem, "Correct the limits."
        )


def _check_flexion(visits: pd.DataFrame, brace: pd.DataFrame, findings: FindingList) -> None:
    """Find flexion of the involved knee beyond the limit in force at the visit; the end of the hinge is no limit.

    Limits are in force while the brace is worn.
    """
    needed = {"patient_id", "week", "measure", "limb", "value"}
    limits = {"patient_id", "week", "flexion_limit_deg"}
    if not needed <= set(visits.columns) or not limits <= set(brace.columns):
        return
    flexion = visits[(visits["measure"] == "knee_flexion") & (visits["limb"] == "involved")]
    flexion = flexion[["patient_id", "week", "value"]].dropna()
    flexion = flexion[flexion["week"] > 0]  # a baseline was measured before there was a brace
    lowest, highest = _range()
    settings = brace[brace_off(brace) | brace["flexion_limit_deg"].between(lowest, highest)]
    settings = settings.dropna(subset=["patient_id", "week"])
    flexion, settings = flexion[np.isfinite(flexion["week"])], settings[np.isfinite(settings["week"])]
    if flexion.empty or settings.empty:
        return
    # the newest setting at or before each visit; patients by number, since texts are slow to join
    numbers = _numbers_of(flexion["patient_id"], settings["patient_id"])
    flexion, settings = (
        rows.assign(number=own).astype({"week": "float64"}).sort_values("week", kind="stable")
        for rows, own in zip((flexion, settings), numbers, strict=True)
    )
    in_force = pd.merge_asof(flexion, settings.drop(columns="patient_id"), on="week", by="number")
    until = worn_until(settings.drop(columns="patient_id").rename(columns={"number": "patient_id"}))
    worn = flexion["week"].to_numpy() <= flexion["number"].map(until).to_numpy()
    limit = in_force["flexion_limit_deg"].where(worn).to_numpy(dtype="float64")
    beyond = (flexion["value"].to_numpy() > limit) & (limit < END_OF_HINGE)
    for chosen in np.unique(limit[beyond]):
        problem = f"flexion beyond the brace's limit of that week, {chosen:g} deg"
        advice = (
            "Check both records; flexion measured without the brace is nothing wrong, but ask why the limit stayed."
        )
        rows = flexion[beyond & (limit == chosen)]
        findings.add_rows("warning", "visits", rows, None, "value", problem, advice)


def _numbers_of(first: pd.Series, second: pd.Series) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Give the patients of two columns numbers, the same ones in both; none is missing."""
    held = [column.astype("category").cat for column in (first, second)]
    numbers = pd.factorize(np.array([str(name) for one in held for name in one.categories], dtype=object))[0]
    n = len(held[0].categories)
    return numbers[:n][held[0].codes.to_numpy()], numbers[n:][held[1].codes.to_numpy()]


def _range() -> tuple[float, float]:
    column = TABLES["brace_limits"].column("flexion_limit_deg")
    return (column.lowest, column.highest) if column is not None else (-np.inf, np.inf)

"""Checks of the home programme: sessions and brace settings that cannot have been, or need a look."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.cohort.findings import FindingList
from analysis.cohort.prescriptions import LEAST_PATIENTS
from analysis.cohort.programme import UsualSession, brace_off, check_usual, worn_until
from analysis.cohort.tables import TABLES
from analysis.cohort.text_columns import places_among
from analysis.counted import counted

#: Where the hinge itself ends: a limit here is no limit (common practice, no source).
END_OF_HINGE = 135.0
#: Weeks in which nobody of `LEAST_PATIENTS` did a session that was prescribed: was it, so long (design choice)?
IDLE_WEEKS = 2


class HomeCheck:
    """Check of the tables sessions and brace_limits, and of measured flexion beyond the brace's limit.

    The tables are in their types, and come in one or several parts; all rows of a patient are in one of them. ``programme``
    says what a session usually is; with None the sessions are not held against it, because they were, one by one.
    """

    def __init__(self, programme: Sequence[UsualSession] | None = ()) -> None:
        self._programme = programme
        self._prescribed: dict[tuple[str, str], _Prescribed] = {}

    def add(self, tables: Mapping[str, pd.DataFrame], findings: FindingList) -> None:
        """Look at a part; the index of its tables counts from 0."""
        if "sessions" in tables:
            patients = tables.get("patients", pd.DataFrame())
            _check_sessions(tables["sessions"], findings, self._programme, patients)
            self._add_prescribed(tables["sessions"], patients)
        if "brace_limits" in tables:
            _check_brace(tables["brace_limits"], findings)
            if "visits" in tables:
                _check_flexion(tables["visits"], tables["brace_limits"], findings)

    def _add_prescribed(self, sessions: pd.DataFrame, patients: pd.DataFrame) -> None:
        """Count by protocol and modality to how many patients sessions are prescribed, and until when they do them."""
        columns = ["patient_id", "week", "modality", "sessions_prescribed", "sessions_done"]
        if not {*columns} <= set(sessions.columns) or not {"patient_id", "protocol"} <= set(patients.columns):
            return
        held = sessions["patient_id"].astype("category").cat
        protocol = _held_protocols(held.categories, patients)
        names = [str(one) for one in protocol.cat.categories]
        kinds = sessions["modality"].astype("category").cat
        patient, modality = held.codes.to_numpy(), kinds.codes.to_numpy()
        of_patient = np.append(protocol.cat.codes.to_numpy(), -1).astype(np.int64)
        week, asked, done = (
            sessions[name].to_numpy(dtype="float64", na_value=np.nan)
            for name in ("week", "sessions_prescribed", "sessions_done")
        )
        known = (asked > 0) & ~np.isnan(week) & ~np.isnan(done) & (modality >= 0) & (patient >= 0)
        known = known & (of_patient[patient] >= 0)
        modalities = [str(one) for one in kinds.categories]
        group = (of_patient[patient] * max(1, len(modalities)) + modality)[known]
        patient, week, done = patient[known], week[known], done[known]
        for one in pd.unique(group).tolist():
            rows = group == one
            key = (names[one // len(modalities)], modalities[one % len(modalities)])
            so_far = self._prescribed.setdefault(key, _Prescribed())
            so_far.add(patient[rows], week[rows], done[rows] > 0, len(of_patient))

    def finish(self, findings: FindingList) -> None:
        """Ask where sessions are prescribed to a protocol in which nobody ever did one, or nobody in the last weeks."""
        for (name, modality), found in self._prescribed.items():
            if found.last_done is None:
                findings.add(
                    "warning", "sessions",
                    f"no session of {modality} was done under {name}, though some are prescribed ("
                    f"{counted(found.patients, 'patient')}): was it prescribed to them?",
                    "If not, say in the map to which protocols it was, in [[session_log.prescribed]], or remove these weeks.",
                    column="sessions_prescribed",
                )  # fmt: skip
            elif found.patients >= LEAST_PATIENTS and found.last - found.last_done >= IDLE_WEEKS:
                findings.add(
                    "warning", "sessions",
                    f"nobody under {name} did a session of {modality} after week {found.last_done:g}, though some are prescribed "
                    f"until week {found.last:g}: was it prescribed so long?",
                    "If not, give the weeks in the map, in [[session_log.prescribed]], or remove the later ones.",
                    column="sessions_prescribed",
                )  # fmt: skip


class _Prescribed:
    """Patients of one protocol to whom sessions of one modality are prescribed; the last week of these, and of one done."""

    def __init__(self) -> None:
        self.patients = 0
        self.last = -np.inf
        self.last_done: float | None = None

    def add(self, patient: np.ndarray, week: np.ndarray, done: np.ndarray, most: int) -> None:
        there = np.zeros(most, dtype=bool)
        there[patient] = True
        self.patients += int(there.sum())
        self.last = max(self.last, float(week.max()))
        if done.any():
            last = float(week[done].max())
            self.last_done = last if self.last_done is None else max(self.last_done, last)


def _held_protocols(identifiers: pd.Index, patients: pd.DataFrame) -> pd.Series:
    """Give the protocol of each of some patients, a category; missing where it is not known."""
    known = patients[["patient_id", "protocol"]].dropna().drop_duplicates("patient_id")
    place = places_among(pd.Series(identifiers), known["patient_id"])
    held = known["protocol"].astype("category").cat
    codes = np.append(held.codes.to_numpy(), -1)[place]
    return pd.Series(pd.Categorical.from_codes(codes, categories=held.categories))


def _check_sessions(
    sessions: pd.DataFrame, findings: FindingList, programme: Sequence[UsualSession] | None, patients: pd.DataFrame
) -> None:
    if not {"sessions_done", "minutes_done"} <= set(sessions.columns):
        return
    done, minutes = sessions["sessions_done"], sessions["minutes_done"]
    idle = (minutes > 0) & (done == 0)
    problem, advice = "minutes in a week without a session", "Correct the sessions or the minutes."
    findings.add_rows("error", "sessions", sessions, idle, "minutes_done", problem, advice)
    if programme is not None and {"modality", "patient_id"} <= set(sessions.columns):
        protocols: dict[str, str] = {}
        if any(one.protocols for one in programme) and {"patient_id", "protocol"} <= set(patients.columns):
            known = patients[["patient_id", "protocol"]].dropna().drop_duplicates("patient_id").astype("str")
            protocols = dict(zip(known["patient_id"], known["protocol"], strict=True))
        usual = sessions if not idle.any() else sessions[~idle]
        check_usual("sessions", usual, findings, programme, protocols, usual["sessions_done"])


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
    one, other = (column.astype("category").cat for column in (first, second))
    n = len(one.categories)
    place = places_among(pd.Series(other.categories), pd.Series(one.categories))
    place = np.where(place < 0, n + np.arange(len(place)), place)
    return one.codes.to_numpy().astype(np.int64), place[other.codes.to_numpy()].astype(np.int64)


def _range() -> tuple[float, float]:
    column = TABLES["brace_limits"].column("flexion_limit_deg")
    return (column.lowest, column.highest) if column is not None else (-np.inf, np.inf)

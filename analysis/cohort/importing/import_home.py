"""Import of the home programme: sessions, a log summed into sessions, brace limits, events."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import pandas as pd

from analysis.cohort.columns import Column, convert
from analysis.cohort.findings import FindingList
from analysis.cohort.importing.map_file import ImportMap
from analysis.cohort.importing.map_home import OTHER_HINGE, HomeTable, SessionLog
from analysis.cohort.importing.sources import Sources
from analysis.cohort.importing.start_dates import StartDates
from analysis.cohort.modalities import named_modalities
from analysis.cohort.prescriptions import never_done
from analysis.cohort.recognition.trade_words import shown_cell
from analysis.cohort.session_log import check_session_log, programme_week, sum_sessions
from analysis.cohort.tables import TABLES


def home_table(mapped: ImportMap, entry: HomeTable, sources: Sources, starts: StartDates) -> pd.DataFrame:
    """Give one table of the home programme; the index holds the row of its file.

    Where it comes from the file of other tables, rows in which nothing of it stands are left out.
    """
    patient = entry.patient or mapped.patient_column
    form = mapped.format_of(entry.table)
    rows = sources.rows(form, patient, [*(column.column for column in entry.columns), entry.date])
    table = TABLES[entry.table]
    columns = {"patient_id": rows.ids}
    columns["week"] = pd.Series(dtype="float64")
    if entry.date is not None:
        days = starts.days(rows, entry.date)
        columns["week"] = programme_week(days) if entry.table == "sessions" else days / 7.0
    for column in entry.columns:
        if column.name == "patient_id":
            continue
        if column.name == "week":
            columns["week"] = rows.numbers(column.column, week=True) if column.column else rows.values(column, None)
            continue
        known = table.column(OTHER_HINGE.get(column.name, column.name))
        columns[column.name] = rows.values(column, known)
        if known is not None and known.name == "modality":
            columns["modality"] = convert(named_modalities(columns["modality"]), known)[0]
    frame = pd.DataFrame(columns, index=rows.frame.index)
    if entry.table == "brace_limits":
        frame = _with_agreement(frame)
    constant = {column.name for column in entry.columns if column.column is None}
    own = [name for name in frame.columns if name not in ("patient_id", "week", *constant)]
    shared = entry.table not in mapped.files
    frame = frame.dropna(how="all", subset=own) if shared and own else frame
    return frame if entry.worn_until is None else _until(frame, entry.worn_until)


def sessions_of_log(
    mapped: ImportMap,
    log: SessionLog,
    sources: Sources,
    starts: StartDates,
    patients: pd.DataFrame,
    findings: FindingList,
) -> pd.DataFrame:
    """Give the table sessions, summed from a log with one row a session; impossible and unusual sessions are findings."""
    patient = log.patient or mapped.patient_column
    named = [*(column.column for column in log.columns), log.start, log.end]
    rows = sources.rows(mapped.format_of("session_log"), patient, named)
    frame = pd.DataFrame({"patient_id": rows.ids}, index=rows.frame.index)
    for column in log.columns:
        if column.name == "modality":
            frame["modality"] = named_modalities(rows.texts(column))
        elif column.name != "patient_id":
            frame[column.name] = rows.values(replace(column, kind="number"), Column(column.name, "number", ""))
    if log.start is not None:
        frame["week"] = programme_week(starts.days(rows, log.start))
        began = starts.dates(rows, log.start)
        if log.end is not None:
            frame["length_minutes"] = (starts.dates(rows, log.end) - began).dt.total_seconds() / 60.0
        again = pd.DataFrame({"patient": rows.ids, "start": began, "modality": frame["modality"]})
        twice = (again.duplicated() & began.notna()).to_numpy()
        findings.add(
            "error", rows.name, "the same session twice: patient, start and modality", "Keep one of these rows.",
            column=log.start, rows=frame.index.to_numpy()[twice], patients=rows.ids[twice],
        )  # fmt: skip
    for name in ("week", "modality"):
        problem, advice = f"the session has no {name}", "Fill the cell, or remove the row."
        findings.add_rows("error", rows.name, frame, frame[name].isna(), name, problem, advice)
    known = patients.dropna(subset=["patient_id"]).astype({"patient_id": "str"})
    allocated = known.dropna(subset=["protocol"]).astype({"protocol": "str"})
    protocols = dict(zip(allocated["patient_id"], allocated["protocol"], strict=True))
    check_session_log(frame, rows.name, findings, programme=mapped.programme, protocols=protocols)
    summed = sum_sessions(
        frame.dropna(subset=["week", "modality"]),
        prescribed=log.prescribed or None,
        weeks=log.weeks,
        patients=known["patient_id"].tolist(),
        protocols=protocols,
    )
    if isinstance(log.prescribed, Mapping) and log.weeks is not None:
        for modality, protocol, n in never_done(summed, log.prescribed, protocols):
            findings.add(
                "warning", mapped.name,
                f"{modality} is taken as not prescribed to {shown_cell(protocol)}: none of its {n:,} patients has a session on record",
                "If it was prescribed to them, name the protocol in [[session_log.prescribed]]; then 0 % was done.",
                column="prescribed",
            )  # fmt: skip
    return summed


def check_protocols(mapped: ImportMap, protocols: pd.Series, findings: FindingList) -> None:
    """Find prescriptions and a programme for a protocol that no patient has."""
    there = [str(name) for name in protocols.dropna().unique()]
    log = mapped.session_log
    prescribed = log.prescribed if log is not None and isinstance(log.prescribed, tuple) else ()
    for key, problem, described in (
        ("prescribed", "sessions are prescribed to a protocol that no patient has", prescribed),
        ("programme", "the programme is that of a protocol that no patient has", mapped.programme),
    ):
        unknown = [
            name for name in dict.fromkeys(name for one in described for name in one.protocols) if name not in there
        ]
        advice = f"Write it as in the protocols of the patients: {', '.join(map(shown_cell, there)) or 'none'}."
        findings.add("error", mapped.name, problem, advice, column=key, values=unknown)


def _until(brace: pd.DataFrame, week: float) -> pd.DataFrame:
    """Add a row without limits for every patient whose brace was set before a week and not later: it came off then."""
    last = brace.groupby("patient_id")["week"].transform("max")
    off = brace[(last < week) & ~brace["patient_id"].duplicated()][["patient_id"]].assign(week=week)
    return pd.concat([brace, off.reindex(columns=brace.columns).astype(brace.dtypes.to_dict())])


def _with_agreement(frame: pd.DataFrame) -> pd.DataFrame:
    """Say whether both hinges agree, where the limits of both were recorded."""
    pairs = [(other, own) for other, own in OTHER_HINGE.items() if other in frame and own in frame]
    if not pairs:
        return frame
    agree = pd.Series(True, index=frame.index, dtype="boolean")
    for other, own in pairs:
        known = frame[other].notna() & frame[own].notna()
        agree &= (frame[other] == frame[own]).astype("boolean").where(known)
    return frame.drop(columns=[other for other, _ in pairs]).assign(both_hinges_agree=agree)

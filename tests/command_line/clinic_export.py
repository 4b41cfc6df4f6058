"""An invented export of a clinic, as messy as they come, with its truth: a workbook of visits and the log of a device.

The workbook has two header rows with merged cells, right and left with the operated side, dates as text with the day first,
limits, a visit that was not done, and the visits off their day. The log has times of the day in the same order of dates, short
names of the modalities, and sessions that stop early and run over.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from pathlib import Path
from random import Random

import openpyxl

PATIENTS, WEEKS = 24, (0, 6, 12, 26)
Visit = tuple[str, float, str, str, float, str | None]


@dataclass
class Export:
    """What the files truly say: visits as (patient, scheduled week, measure, limb, value, bound), sessions as (patient, week, kind, minutes)."""

    visits: set[Visit] = field(default_factory=set)
    sessions: list[tuple[str, int, str, float]] = field(default_factory=list)
    limits: int = 0


def write_export(place: Path) -> Export:
    """Write ``follow_up.xlsx`` and ``device_log.csv`` into a folder."""
    truth, rng = Export(), Random(5)
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.append(["Patient code", "Programme", "Operated side", "Date of surgery", "Date of visit", "Knee flexion (deg)", None,
                  "Quad torque (Nm)", None, "Pain NRS", "Body weight (kg)"])  # fmt: skip
    sheet.append([None, None, None, None, None, "R", "L", "R", "L", None, None])
    sheet.merge_cells("F1:G1")
    sheet.merge_cells("H1:I1")
    log = ["Patient code,Started,Ended,Mode,Minutes,Pauses"]
    for i in range(PATIENTS):
        surgery = dt.date(2024, 3, 4) + dt.timedelta(days=3 * i)
        for row in _visits(i, surgery, truth, rng):
            sheet.append(row)
        log += _sessions(i, surgery, truth, rng)
    book.save(place / "follow_up.xlsx")
    (place / "device_log.csv").write_text("\n".join(log) + "\n", encoding="utf-8")
    return truth


def _visits(i: int, surgery: dt.date, truth: Export, rng: Random) -> list[list[object]]:
    code, side, mass, start = f"K{101 + i}", "RL"[i % 3 == 0], rng.randint(70, 84), rng.uniform(60, 130)
    rows: list[list[object]] = []
    for planned in WEEKS:
        if planned == WEEKS[-1] and i % 7 == 0:
            continue
        days = 7 * planned + (rng.choice([-2, 0, 0, 1, 3]) if planned else 0)
        seen, week = surgery + dt.timedelta(days=days), float(planned)
        limited = i % 8 == 0 and planned == 0
        torque = {
            "involved": 20 if limited else round(start + planned * (2 + i % 2) + rng.gauss(0, 5)),
            "uninvolved": round(start * 1.6),
        }
        flexion = {"involved": min(140, 80 + 2 * planned + rng.randint(-4, 4)), "uninvolved": 136 + rng.randint(0, 3)}
        pain = max(0, min(10, round(6 - planned / 6 + rng.gauss(0, 1))))
        done = not (i == 5 and planned == 6)
        for measure, by_limb in (("quadriceps_torque_nm", torque), ("knee_flexion", flexion)):
            for limb, value in by_limb.items():
                bound = "below" if limited and (measure, limb) == ("quadriceps_torque_nm", "involved") else None
                truth.visits.add((code, week, measure, limb, float(value), bound))
                truth.limits += bound is not None
        if done:
            truth.visits.add((code, week, "pain", "none", float(pain), None))
        cells: list[object] = []
        for by_limb in (flexion, torque):
            involved: object = "<20" if limited and by_limb is torque else by_limb["involved"]
            pair = [involved, by_limb["uninvolved"]]
            cells += pair if side == "R" else pair[::-1]
        rows.append([code, ("standard", "home NMES")[i % 2], side, f"{surgery:%d/%m/%Y}", f"{seen:%d/%m/%Y}", *cells,
                     pain if done else "not done", mass])  # fmt: skip
    return rows


def _sessions(i: int, surgery: dt.date, truth: Export, rng: Random) -> list[str]:
    rows = []
    for day in range(1, 84, 2):
        if rng.random() < (0.2 if i % 2 else 0.45):
            continue
        start = dt.datetime.combine(surgery + dt.timedelta(days=day), dt.time(18, rng.randint(0, 59)))
        minutes, kind = rng.choice([(20.2, "NMES"), (19.8, "NMES"), (12.5, "NMES"), (30.4, "TENS")])
        end = start + dt.timedelta(minutes=minutes)
        truth.sessions.append((f"K{101 + i}", day // 7 + 1, kind, minutes))
        rows.append(f"K{101 + i},{start:%d/%m/%Y %H:%M},{end:%d/%m/%Y %H:%M},{kind},{minutes},{rng.randint(0, 2)}")
    return rows

"""The tables that fit_speed.py prints: seconds and ratios, memory, and which targets are met."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from fit_speed import FileRun

ENGINE = "kneecurve"


@dataclass(frozen=True)
class Timing:
    """Seconds and criterion of the best repetition; None and a note where there was none."""

    seconds: float | None
    criterion: float | None
    note: str


Timings = Mapping[tuple[str, int], Timing]
Files = Mapping[str, "tuple[FileRun, FileRun] | None"]


def speed_table(timings: Timings, programs: Sequence[str], sizes: Sequence[int]) -> str:
    """Print seconds, how many times as long as this engine, and how far above this engine's optimum."""
    lines = ["", "Seconds of a fit (times as long as this engine | criterion above this engine's)", ""]
    lines.append("| patients | " + " | ".join(programs) + " |")
    lines.append("| ---: " * (len(programs) + 1) + "|")
    for size in sizes:
        own = timings[ENGINE, size]
        cells = []
        for program in programs:
            timing = timings[program, size]
            if timing.seconds is None:
                cells.append(timing.note)
            elif program == ENGINE or own.seconds is None:
                cells.append(f"{timing.seconds:.3f}")
            else:
                above = (timing.criterion or 0.0) - (own.criterion or 0.0)
                cells.append(f"{timing.seconds:.3f} ({timing.seconds / own.seconds:.1f} x, {above:+.1e})")
        lines.append(f"| {size:,} | " + " | ".join(cells) + " |")
    return "\n".join(lines)


def memory_table(files: Files, patients: int) -> str:
    """Print time and peak memory from Parquet to contrasts beside those of reading the columns."""
    lines = ["", f"From Parquet to contrasts, {patients:,} patients", ""]
    lines.append(
        "| patient ids | read, s | to contrasts, s | ratio | table, MB | peak, MB | peak / table | of it before reading, MB |"
    )
    lines.append("| --- " + "| ---: " * 7 + "|")
    for ids, runs in files.items():
        if runs is None:
            lines.append(f"| {ids} | stopped or failed | | | | | | |")
            continue
        read, contrasts = runs
        lines.append(
            f"| {ids} | {read.seconds:.2f} | {contrasts.seconds:.2f} | {contrasts.seconds / read.seconds:.2f} "
            f"| {contrasts.table / 1e6:.0f} | {contrasts.peak / 1e6:.0f} | {contrasts.peak / contrasts.table:.2f} "
            f"| {contrasts.before / 1e6:.0f} |"
        )
    return "\n".join(lines)


def target_table(timings: Timings, files: Files) -> str:
    """Print every target that this run can judge, with what was measured and whether it is met."""
    rows: list[tuple[str, str, bool]] = []

    def faster(rival: str, size: int, least: float) -> None:
        own, other = timings.get((ENGINE, size)), timings.get((rival, size))
        if own is None or other is None or own.seconds is None:
            return
        if other.seconds is None:
            if not other.note.startswith(">"):
                return
            ratio, shown = float(other.note[1:]) / own.seconds, "more than "
        else:
            ratio, shown = other.seconds / own.seconds, ""
        rows.append(
            (f"at least {least:g} x as fast as {rival}, {size:,} patients", f"{shown}{ratio:.1f} x", ratio >= least)
        )

    faster("lme4", 200, 5)
    faster("lme4", 20_000, 100)
    for rival in ("mixedlm-rs", "glmm"):
        for size, least in ((2_000, 1), (20_000, 1), (100_000, 5), (1_000_000, 1)):
            faster(rival, size, least)
    faster("statsmodels", 200, 20)
    faster("statsmodels", 20_000, 500)
    for (program, size), timing in timings.items():
        if "unstructured" in program and timing.seconds is not None:
            name = program.removeprefix(f"{ENGINE}, ")
            rows.append(
                (
                    f"{name}, Kenward-Roger, {size} patients: under 0.3 s",
                    f"{timing.seconds:.3f} s",
                    timing.seconds < 0.3,
                )
            )
    for ids, runs in files.items():
        if runs is not None:
            read, contrasts = runs
            ratio, share = contrasts.seconds / read.seconds, contrasts.peak / contrasts.table
            rows.append((f"Parquet to contrasts, ids {ids}: at most 2.5 x reading", f"{ratio:.2f} x", ratio <= 2.5))
            rows.append((f"peak memory, ids {ids}: at most 3 x the table", f"{share:.2f} x", share <= 3.0))
    lines = ["", "| target | measured | |", "| --- | ---: | --- |"]
    lines += [f"| {name} | {measured} | {'met' if met else 'NOT met'} |" for name, measured, met in rows]
    return "\n".join(lines)

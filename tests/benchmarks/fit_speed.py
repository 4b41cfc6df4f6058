"""Time this engine beside statsmodels, mixedlm-rs, glmm and lme4, on data made here, and print tables.

    python tests/benchmarks/fit_speed.py                       # everything; about half an hour
    python tests/benchmarks/fit_speed.py --patients 50 200     # these sizes only
    python tests/benchmarks/fit_speed.py --cap 20              # give a program 20 seconds at most

Every program runs in a process of its own, one numeric thread, and is stopped after the cap; a program that was
stopped is not asked for the larger sizes. Seconds are the best repetition, so that a busy machine spoils few. This engine's
time is from the data frame and the formula to the protocol differences of every week with Kenward-Roger inference; of
the others it is the fit alone, from columns that are ready made.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE))
from speed_tables import Timing, memory_table, speed_table, target_table  # noqa: E402
from visits_to_time import make_visits, with_splines, write_for_r  # noqa: E402

SIZES = (50, 200, 2_000, 20_000, 100_000, 1_000_000)
ENGINES = ("kneecurve", "kneecurve, Satterthwaite")
UNSTRUCTURED = ("kneecurve, unstructured, 17 columns", "kneecurve, unstructured, weeks as categories")
MODULES = {"statsmodels": "statsmodels", "mixedlm-rs": "mixedlm_rs", "glmm": "glmm"}
ONE_THREAD = {f"{name}_NUM_THREADS": "1" for name in ("OPENBLAS", "OMP", "MKL", "RAYON")}


def rivals() -> list[str]:
    """Name the programs that are installed here."""
    found = [name for name, module in MODULES.items() if find_spec(module)]
    if shutil.which("Rscript"):
        check = ["Rscript", "-e", "quit(status = !requireNamespace('lme4', quietly = TRUE))"]
        if subprocess.run(check, capture_output=True, check=False).returncode == 0:
            found.append("lme4")
    return found


def run_once(command: list[str], cap: float) -> Timing:
    """Run one program; give its best time and its criterion, or what went wrong."""
    try:
        done = subprocess.run(
            command, capture_output=True, text=True, timeout=cap, check=False, env={**os.environ, **ONE_THREAD}
        )
        printed, failed = done.stdout, done.returncode != 0
    except subprocess.TimeoutExpired as stopped:
        printed = stopped.stdout.decode() if isinstance(stopped.stdout, bytes) else (stopped.stdout or "")
        failed = False
    rows = [[float(number) for number in line.split()] for line in printed.splitlines() if line.strip()]
    if not rows:
        return Timing(None, None, "failed" if failed else f"> {cap:g}")
    best = min(rows)
    return Timing(best[0], best[1], "")


def command_for(program: str, folder: Path, visits_file: Path) -> list[str]:
    """Give the command line that times a program on one size."""
    if program == "lme4":
        return ["Rscript", str(HERE / "fit_once.R"), str(folder / "visits.bin")]
    return [sys.executable, str(HERE / "fit_once.py"), program, str(visits_file)]


def time_fits(sizes: list[int], programs: list[str], cap: float) -> dict[tuple[str, int], Timing]:
    """Time every program at every size."""
    timings: dict[tuple[str, int], Timing] = {}
    given_up: set[str] = set()
    for patients in sizes:
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            visits = make_visits(patients)
            visits.to_parquet(folder / "visits.parquet")
            if "lme4" in programs and "lme4" not in given_up:
                write_for_r(with_splines(visits), folder / "visits.bin")
            del visits
            for program in programs:
                if program in given_up:
                    timings[program, patients] = Timing(None, None, "not run")
                    continue
                timing = run_once(command_for(program, folder, folder / "visits.parquet"), cap)
                timings[program, patients] = timing
                if timing.seconds is None:
                    given_up.add(program)
                shown = timing.note if timing.seconds is None else f"{timing.seconds:.3f} s"
                print(f"  {patients:>9,} patients  {program:<46} {shown}", file=sys.stderr, flush=True)
    return timings


@dataclass(frozen=True)
class FileRun:
    """Seconds and bytes of one run from a Parquet file: the table's, the process's before, its peak."""

    seconds: float
    table: float
    before: float
    peak: float


def time_file(patients: int, cap: float, *, text_ids: bool) -> tuple[FileRun, FileRun] | None:
    """Time reading the columns, and going from the file to contrasts: the best of three runs of each, in turn."""
    with tempfile.TemporaryDirectory() as name:
        file = Path(name) / "visits.parquet"
        make_visits(patients, text_ids=text_ids).to_parquet(file)
        best: dict[str, FileRun] = {}
        for work in ("read", "contrasts") * 3:
            command = [sys.executable, str(HERE / "parquet_to_contrasts.py"), work, str(file)]
            try:
                done = subprocess.run(
                    command, capture_output=True, text=True, timeout=cap, check=True, env={**os.environ, **ONE_THREAD}
                )
            except (subprocess.TimeoutExpired, subprocess.CalledProcessError):
                return None
            run = FileRun(*(float(number) for number in done.stdout.split()))
            if work not in best or run.seconds < best[work].seconds:
                best[work] = run
    return best["read"], best["contrasts"]


def main(arguments: list[str] | None = None) -> None:
    """Time and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--patients", type=int, nargs="+", default=list(SIZES), help="sizes to time")
    parser.add_argument("--cap", type=float, default=120.0, help="seconds after which a program is stopped")
    parser.add_argument("--file-patients", type=int, default=1_000_000, help="size of the Parquet run; 0 for none")
    chosen = parser.parse_args(arguments)

    programs = [*ENGINES, *rivals()]
    timings = time_fits(chosen.patients, programs, chosen.cap)
    if 200 in chosen.patients:
        timings |= time_fits([200], list(UNSTRUCTURED), chosen.cap)
    files = {}
    if chosen.file_patients:
        for ids, text_ids in (("numbers", False), ("text", True)):
            files[ids] = time_file(chosen.file_patients, chosen.cap, text_ids=text_ids)

    print(speed_table(timings, programs, chosen.patients))
    if files:
        print(memory_table(files, chosen.file_patients))
    print(target_table(timings, files))


if __name__ == "__main__":
    main()

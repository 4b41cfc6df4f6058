"""How the cost of load, check, visit_frame, fit and responders grows with the patients: run as a script, prints a table.

``python tests/benchmarks/growth.py [--patients 240 2400 24000] [--report]``. CPU seconds, the best of three, one numeric thread; the
exponent is that of the last two sizes: 1 is as many times the cost as patients. With ``--report`` the HTML report of a protocol
comparison too, in a process of its own.
"""

import argparse
import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

for library in ("OPENBLAS", "OMP", "MKL"):
    os.environ[f"{library}_NUM_THREADS"] = "1"

import numpy as np  # noqa: E402

from analysis.cohort import check_cohort, load_cohort, visit_frame, write_cohort  # noqa: E402
from analysis.curves import fit_recovery  # noqa: E402
from analysis.outcomes import responders  # noqa: E402
from synthetic_cohort import generate_cohort  # noqa: E402

MOST = 1.1


def cpu_seconds(work, repeats):
    """Time some work; the best of the repetitions, after one that is not counted."""
    work()
    times = []
    for _ in range(repeats):
        start = time.process_time()
        work()
        times.append(time.process_time() - start)
    return min(times)


def report_seconds(folder):
    """Time the report in processes of its own, all of them together."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    command = [
        sys.executable,
        "-m",
        "kneecurve",
        "report",
        "protocol_comparison",
        str(folder),
        "--out",
        f"{folder}-report",
    ]
    subprocess.run(command, check=True, capture_output=True)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def times_of(patients, *, report):
    """Time each stage on an invented cohort."""
    cohort = generate_cohort(patients=patients, seed=1).observed
    with tempfile.TemporaryDirectory() as place:
        folder = write_cohort(cohort, Path(place) / "cohort")
        stages = {
            "load": lambda: load_cohort(folder),
            "check": lambda: check_cohort(cohort),
            "visit_frame": lambda: visit_frame(cohort, "quadriceps_torque"),
            "fit": lambda: fit_recovery(cohort, "quadriceps_torque"),
            "responders": lambda: responders(cohort, "quadriceps_torque", week=26),
        }
        found = {name: cpu_seconds(work, 3) for name, work in stages.items()}
        return found | ({"report": report_seconds(folder)} if report else {})


def main():
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("--patients", type=int, nargs="+", default=[240, 2400, 24000])
    asked.add_argument("--report", action="store_true")
    asked = asked.parse_args()
    found = [times_of(patients, report=asked.report) for patients in asked.patients]
    print("stage        " + "".join(f"{patients:>12,}" for patients in asked.patients) + "    exponent")
    for stage in found[0]:
        seconds = [one[stage] for one in found]
        last = np.log(seconds[-1] / seconds[-2]) / np.log(asked.patients[-1] / asked.patients[-2])
        met = "" if last <= MOST else f"  above {MOST:g}"
        print(f"{stage:13s}" + "".join(f"{one:12.4f}" for one in seconds) + f"{last:12.2f}{met}", flush=True)


if __name__ == "__main__":
    main()

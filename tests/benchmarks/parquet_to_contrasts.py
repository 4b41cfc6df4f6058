"""Read the columns of a Parquet file, or go from the file to contrasts: run by fit_speed.py in a process of its own.

    python tests/benchmarks/parquet_to_contrasts.py read|contrasts FILE.parquet

Prints seconds, the table in memory, the memory of the process before it read the file, and its peak (all in bytes).
"""

from __future__ import annotations

import resource
import sys
import time

import pandas as pd
import psutil

COLUMNS = ["patient_id", "week", "value", "protocol", "baseline", "age_years"]


def main(work: str, file: str) -> None:
    """Do the work once, imports done beforehand, and print what it took."""
    from analysis.curves.mixed_model import fit_mixed

    first = pd.DataFrame({"patient_id": [1, 1, 2, 2, 3, 3], "week": [1.0, 2] * 3, "value": [1.0, 2, 2, 4, 3, 8]})
    fit_mixed(first, "value ~ week", patient_effects="1")  # loads what is loaded at first use
    before = psutil.Process().memory_info().rss
    started = time.perf_counter()
    visits = pd.read_parquet(file, columns=COLUMNS)
    if work == "contrasts":
        fit = fit_mixed(
            visits,
            "value ~ protocol * natural_spline(week, df=4) + baseline + age_years",
            patient_effects="1 + week",
            inference="kenward-roger",
        )
        fit.differences(of="protocol")
    seconds = time.perf_counter() - started
    table = int(visits.memory_usage(deep=True).sum())
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024
    print(seconds, table, before, peak)


if __name__ == "__main__":
    main(*sys.argv[1:])

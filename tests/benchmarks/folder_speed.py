"""What loading and checking a large cohort folder takes, as CSV, as one Parquet file a table, and in parts: prints a table.

``python tests/benchmarks/folder_speed.py [--patients 1000000] [--sites 200] [--visits-only] [--keep FOLDER]``. The registry is an
invented cohort of 20,000 patients repeated with new identifiers, sites and quarters. Each piece of work runs in a process of its own
with one numeric thread: CPU seconds with those of the process that reads, less those of starting; the highest memory of one process.
"""

import argparse
import os
import subprocess
import sys
import tempfile
from pathlib import Path

for library in ("OPENBLAS", "OMP", "MKL"):
    os.environ[f"{library}_NUM_THREADS"] = "1"

import numpy as np  # noqa: E402
import pandas as pd  # noqa: E402

from analysis.cohort import Cohort, check_cohort, check_folder, cohort_parts, load_cohort, write_cohort  # noqa: E402
from synthetic_cohort import generate_cohort  # noqa: E402

BASE = 20_000
FORMS = ("csv", "parquet", "parts")


def registry(patients, sites, *, visits_only):
    """Repeat an invented cohort until there are so many patients."""
    base = generate_cohort(patients=min(BASE, patients), seed=1).observed
    copies = -(-patients // len(base.patients))
    random = np.random.default_rng(1)
    names = np.array([f"R{number:08d}" for number in random.permutation(copies * len(base.patients))], dtype=object)

    def repeated(frame):
        number = pd.Index(base.patients["patient_id"]).get_indexer(frame["patient_id"])
        own = np.concatenate([number + copy * len(base.patients) for copy in range(copies)])
        whole = frame.iloc[np.tile(np.arange(len(frame)), copies)].reset_index(drop=True)
        return whole.assign(patient_id=pd.Series(names[own], dtype="str"))[own < patients].reset_index(drop=True)

    tables = {
        name: repeated(frame) for name, frame in base.tables() if not visits_only or name in ("patients", "visits")
    }
    n = len(tables["patients"])
    tables["patients"] = tables["patients"].assign(
        site=pd.Categorical.from_codes(random.integers(0, sites, n), [f"site {one + 1:03}" for one in range(sites)]),
        quarter=pd.Categorical.from_codes(
            random.integers(0, 12, n), [f"{year}-Q{quarter}" for year in (2024, 2025, 2026) for quarter in (1, 2, 3, 4)]
        ),
    )
    return Cohort(**tables, measures=base.measures, provenance=base.provenance)


def write(folder, patients, sites, *, visits_only):
    """Write the registry in every form."""
    cohort = registry(patients, sites, visits_only=visits_only)
    print(", ".join(f"{name} {len(frame):,} rows" for name, frame in cohort.tables()), flush=True)
    write_cohort(cohort, folder / "csv")
    write_cohort(cohort, folder / "parquet", file_format="parquet")
    write_cohort(cohort, folder / "parts", file_format="parquet", partition="site")


def count_parts(folder):
    """Go through the parts."""
    return sum(len(part.visits) for part in cohort_parts(folder))


WORK = {
    "nothing": lambda _: None,
    "load": load_cohort,
    "check_folder": check_folder,
    "load, then check_cohort": lambda folder: check_cohort(load_cohort(folder)),
    "load 2 sites": lambda folder: load_cohort(folder, where={"site": ["site 002", "site 005"]}),
    "load few columns": lambda folder: load_cohort(
        folder, columns={name: [] for name in ("patients", "visits", "sessions", "brace_limits", "events") if any(folder.glob(f"{name}*"))}
    ),
    "cohort_parts": count_parts,
}  # fmt: skip


def measured(work, folder):
    """Give CPU seconds and the highest memory in MB of a process that does some work."""
    process = subprocess.Popen([sys.executable, __file__, "--do", work, str(folder)])
    _, status, used = os.wait4(process.pid, 0)
    if status:
        sys.exit(f"{work} failed")
    return used.ru_utime + used.ru_stime, used.ru_maxrss / 1024


def main():
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("--patients", type=int, default=1_000_000)
    asked.add_argument("--sites", type=int, default=200)
    asked.add_argument("--visits-only", action="store_true", help="tables patients and visits alone")
    asked.add_argument("--forms", nargs="+", choices=FORMS, default=FORMS)
    asked.add_argument("--work", nargs="+", choices=list(WORK), default=[one for one in WORK if one != "nothing"])
    asked.add_argument("--keep", type=Path, help="folder of the registry, used again where it is there")
    asked.add_argument("--write", action="store_true", help=argparse.SUPPRESS)
    asked.add_argument("--do", nargs=2, help=argparse.SUPPRESS)
    asked = asked.parse_args()
    if asked.do:
        WORK[asked.do[0]](Path(asked.do[1]))
        return
    if asked.write:
        write(asked.keep, asked.patients, asked.sites, visits_only=asked.visits_only)
        return
    with tempfile.TemporaryDirectory() as place:
        folder = asked.keep or Path(place)
        if not (folder / "parts").exists():
            folder.mkdir(exist_ok=True, parents=True)
            given = ["--visits-only"] if asked.visits_only else []
            given += ["--patients", str(asked.patients), "--sites", str(asked.sites), "--keep", str(folder), "--write"]
            subprocess.run([sys.executable, __file__, *given], check=True)  # apart, so that its memory is not counted
        start, _ = measured("nothing", folder)
        first = {}
        print(f"{'':26}{'CPU s':>9}{'of ' + asked.forms[0]:>10}{'MB':>9}{'of ' + asked.forms[0]:>10}")
        for work in asked.work:
            for form in asked.forms:
                seconds, memory = measured(work, folder / form)
                seconds -= start
                ratios = first.setdefault(work, (seconds, memory))
                print(
                    f"{work + ', ' + form:32}{seconds:7.1f}{seconds / ratios[0]:10.2f}{memory:9,.0f}{memory / ratios[1]:10.2f}",
                    flush=True,
                )
        sizes = {form: sum(path.stat().st_size for path in (folder / form).iterdir()) / 1e6 for form in asked.forms}
        print("on disk: " + ", ".join(f"{form} {size:,.0f} MB" for form, size in sizes.items()))


if __name__ == "__main__":
    main()

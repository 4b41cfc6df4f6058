"""How long a change of the widgets takes, beside what a user would write instead: run as a script, prints a table.

``python tests/benchmarks/explore_speed.py [--patients 240] [--times 5]``. Each change is made that many times on views not seen
before; instead stands seaborn's line plot of the same values with its intervals (bootstrap), or a model of statsmodels with its
plot. Medians of wall time, and their ratio.
"""

import argparse
import io
import statistics
import tempfile
import time
import warnings
from pathlib import Path

import matplotlib as mpl
import matplotlib.pyplot as plt
import seaborn as sns

from analysis.cohort import visit_frame, write_cohort
from analysis.exploring import explore
from synthetic_cohort import generate_cohort

MEASURES = ("ikdc", "pain", "knee_flexion", "knee_extension", "quadriceps_torque")
WEEKS = (6.0, 12.0, 26.0, 39.0, 52.0)
CHANGES = {
    "another measure, curves": lambda turn: {"picture": "curves", "measure": MEASURES[turn], "week": 26.0},
    "another week, curves": lambda turn: {"picture": "curves", "measure": "pain", "week": WEEKS[turn]},
    "differences": lambda turn: {"picture": "differences", "measure": MEASURES[turn], "week": 26.0},
    "responders": lambda turn: {"picture": "responders", "measure": "ikdc", "week": 26.0, "threshold": str(5 + turn)},
    "one patient": lambda turn: {"picture": "one patient", "measure": "pain", "patient": f"p{turn + 1:04d}", "week": None},
    "last seen, one group": lambda turn: {"picture": "last seen", "measure": MEASURES[turn], "by": "sex"},
}  # fmt: skip


def timed(action):
    start = time.perf_counter()
    action()
    return time.perf_counter() - start


def changed(explorer, change, times):
    """Make a change so many times; give the time of each."""
    return [timed(lambda turn=turn: explorer.choose(**change(turn))) for turn in range(times)]


def by_seaborn(cohort, measure):
    """Draw values by week and protocol with seaborn's bootstrapped intervals, and give the bytes."""
    drawing, axes = plt.subplots(figsize=(7.6, 4))
    sns.lineplot(visit_frame(cohort, measure), x="week", y="value", hue="protocol", ax=axes)
    drawing.savefig(io.BytesIO(), format="png", dpi=110)
    plt.close(drawing)


def main():
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("--patients", type=int, default=240)
    asked.add_argument("--times", type=int, default=5)
    asked = asked.parse_args()
    mpl.use("Agg")
    cohort = generate_cohort(patients=asked.patients, seed=3).observed
    with tempfile.TemporaryDirectory() as place, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        folder = write_cohort(cohort, Path(place) / "cohort")
        print(f"opened in {timed(lambda: explore(folder)):.2f} s, {asked.patients} patients")
        by_seaborn(cohort, "pain")
        instead = statistics.median(
            timed(lambda turn=turn: by_seaborn(cohort, MEASURES[turn])) for turn in range(asked.times)
        )
        print(f"{'change':26} median s  slowest s  of a line plot by seaborn ({instead:.2f} s)")
        for name, change in CHANGES.items():
            times = changed(explore(folder), change, asked.times)
            middle = statistics.median(times)
            print(f"{name:26} {middle:8.2f} {max(times):10.2f} {middle / instead:10.2f}")


if __name__ == "__main__":
    main()

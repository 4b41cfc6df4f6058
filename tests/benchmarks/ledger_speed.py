"""How long a quarter's release takes beside earlier ones, and what they cost it: run as a script, prints a table.

``python tests/benchmarks/ledger_speed.py [--patients 2400] [--sites 3] [--releases 9] [--late patients]``. An invented cohort of 16
quarters is released quarter by quarter, up to the last one, each time beside all releases before. Of its last two quarters 6 % of the
patients (or of the visits after the start) are not there yet, of the last one as many again.
"""

import argparse
import time
from dataclasses import replace

import numpy as np

from analysis.quarter import quarter_indicators
from analysis.quarter.blocks import whole_blocks
from analysis.quarter.ledger.entries import Release
from analysis.quarter.released_counts import as_release
from analysis.report.quarter.prepared.site_study import release_by_sites
from synthetic_cohort import generate_cohort

QUARTERS = 16
#: Share of the patients, or visits, of each of the last two quarters that come late.
LATE = 0.06
BASELINE = 12


def cohort_of(patients, sites, seed):
    """Generate a cohort, with as many sites as asked for."""
    cohort = generate_cohort(patients=patients, seed=seed, quarters=QUARTERS).observed
    drawn = np.random.default_rng(seed).integers(sites, size=len(cohort.patients))
    return replace(cohort, patients=cohort.patients.assign(site=[f"clinic {one + 1:02d}" for one in drawn]))


def counts_until(cohort, quarters, at, late, seed):
    """Count what was there by the end of a quarter, before the late data came."""
    rng, people = np.random.default_rng(seed + 1), cohort.patients
    behind = at - people["quarter"].astype("str").map(quarters.index)
    ago = behind.set_axis(people["patient_id"])
    share = {0: 2 * LATE, 1: LATE} if at < len(quarters) - 1 else {}
    there = behind >= 0
    drawn = rng.random(len(people))
    if late == "patients":
        there &= drawn >= behind.map(share).fillna(0.0)
    visits, drawn = cohort.visits, rng.random(len(cohort.visits))
    known = visits["patient_id"].isin(people.loc[there, "patient_id"])
    if late == "visits":
        known &= (drawn >= visits["patient_id"].map(ago).map(share).fillna(0.0)) | (visits["week"] <= 0)
    ids = set(people.loc[there, "patient_id"])
    others = {
        name: table[table["patient_id"].isin(ids)]
        for name in ("events", "adherence")
        if (table := getattr(cohort, name, None)) is not None
    }
    counts = quarter_indicators(replace(cohort, patients=people[there], visits=visits[known], **others)).counts
    year, quarter = quarters[at].split("-Q")
    return replace(counts, as_of=f"{int(year) + 1}-{3 * int(quarter) - 2:02d}-01")


def released(counts, quarters, at, earlier):
    """Release a quarter as its report does."""
    periods = counts.periods[: counts.periods.index(quarters[at]) + 1]
    compared = next(one for one in counts.indicators if one.role == "outcome" and one.kind == "share")
    return release_by_sites(
        counts, quarters[at], baseline=quarters[:BASELINE] if at >= BASELINE else periods[:BASELINE], window=periods[-4:],
        compared=compared, small_counts="hidden", earlier=earlier, stored=any(len(one.baseline) == BASELINE for one in earlier),
        blocks=whole_blocks(periods, 4),
    )  # fmt: skip


def shares(made):
    """Give the share of the counts of the release that are hidden, and of the sites shown by the main indicator over the window."""
    compared = next(one for one in made.indicators if one.role == "outcome" and one.kind == "share")
    entry = as_release(made)
    shown, hidden = (sum(map(len, part.values())) for part in (entry.shown, entry.hidden))
    return hidden / (shown + hidden), made.by_site(compared)["value"].notna().mean()


def main():
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("--patients", type=int, default=2400)
    asked.add_argument("--sites", type=int, default=3)
    asked.add_argument("--releases", type=int, default=9)
    asked.add_argument("--late", choices=["patients", "visits", "none"], default="patients")
    asked.add_argument("--seed", type=int, default=3)
    asked = asked.parse_args()
    cohort = cohort_of(asked.patients, asked.sites, asked.seed)
    quarters = sorted(cohort.patients["quarter"].astype("str").unique())
    earlier: list[Release] = []
    print(f"{asked.patients} patients, {asked.sites} sites, late data: {asked.late}")
    print("earlier releases  seconds  hidden  of them for earlier releases  sites shown  told before")
    for number in range(asked.releases):
        at = QUARTERS - asked.releases + number
        counts = counts_until(cohort, quarters, at, asked.late, asked.seed)
        start = time.perf_counter()
        made = released(counts, quarters, at, earlier)
        took = time.perf_counter() - start
        hidden, sites = shares(made)
        print(
            f"{number:16d} {took:8.1f} {hidden:7.1%} {made.hidden_beside:29d} {sites:12.0%} {made.told_before:12d}",
            flush=True,
        )
        earlier.append(as_release(made))


if __name__ == "__main__":
    main()

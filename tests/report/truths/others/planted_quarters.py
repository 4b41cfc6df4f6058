"""Cohorts by quarter whose truth is planted: counts are planted exactly, with a fixed to and fro in place of chance."""

import numpy as np
import pandas as pd
import pytest

from analysis.cohort import Cohort
from analysis.quarter.periods import every_period
from analysis.report import quarter
from analysis.report.quarter.prepared import counted_folder

#: What a quarter lies off its level, in standard deviations: on both sides in turn, no run of eight, nobody beyond two.
TO_AND_FRO = (0.3, 1.4, 0.9, -0.8, -1.5, -0.4, 1.2, 1.6, -0.2, -1.3, -0.7, 0.6, 1.3, -0.5, -1.2, 0.0)
FOUR = ("north", "east", "south", "west")


def plant(
    *, quarters=16, sites=FOUR, each=40, improved=0.6, seen=0.9, harms=0.2, due=True, early=0, events=True,
    started=None, spread=1.0, dated=True, partly=None,
):  # fmt: skip
    """Make a cohort: ``each`` patients of a site and quarter, of whom shares are seen, improve and have a harm.

    Shares are numbers or functions of (quarter from 0 on, site); ``started`` gives other numbers of patients by site. Where the last
    quarter is not ``due``, ``early`` of its patients were seen nevertheless; of a quarter ``partly`` due so many were. Data are
    ``dated`` to nine weeks after the last quarter, or, where it is due, to 29.
    """
    periods = every_period(["2022-Q1", "2029-Q4"])[:quarters]
    frames = []
    for q, period in enumerate(periods):
        off = spread * TO_AND_FRO[q % len(TO_AND_FRO)]
        for s, site in enumerate(sites):
            n = (started or {}).get(site, each)
            here = q % len(sites) == s  # one site a quarter carries what lies off, so that none does over the year
            n_seen = _count(n, share(seen, q, site), off * here, n * len(sites))
            if not due and q == quarters - 1:
                n_seen = early // len(sites) + (s < early % len(sites))
            whole = sum((started or {}).get(one, each) for one in sites)
            frames.append(
                pd.DataFrame(
                    {
                        "quarter": period, "site": site, "rank": np.arange(n), "seen": np.arange(n) < n_seen,
                        "better": np.arange(n) < _count(n_seen, share(improved, q, site), off * here, whole),
                        "harmed": np.arange(n)[::-1] < _count(n, share(harms, q, site), -off * here, whole),
                    }
                )
            )  # fmt: skip
    people = pd.concat(frames, ignore_index=True)
    people["patient_id"] = [f"p{i:05d}" for i in range(len(people))]
    start = pd.DataFrame({"patient_id": people["patient_id"], "week": 0.0, "value": 40.0})
    came = people[people["seen"]]
    later = pd.DataFrame(
        {"patient_id": came["patient_id"], "week": 26.0, "value": np.where(came["better"], 70.0, 45.0)}
    )
    visits = pd.concat([start, later], ignore_index=True).assign(measure="ikdc", limb="none")
    harmed = people.loc[people["harmed"], ["patient_id"]].assign(week=3.0, event="skin irritation")
    patients = people[["patient_id", "quarter", "site"]].assign(protocol="usual")
    if partly is not None:
        last = patients["quarter"] == periods[-1]
        patients["due_week"] = np.where(last & (last.cumsum() > partly), 6.0, 26.0)
    end = pd.Period(periods[-1].replace("-", ""), freq="Q").end_time + pd.Timedelta(weeks=29 if due else 9)
    return Cohort(
        patients, visits, events=harmed if events else None, privacy="limited", as_of=str(end.date()) if dated else None
    )


def share(given, q, site):
    return given(q, site) if callable(given) else given


def _count(n, level, off, whole):
    return int(np.clip(round(n * level + off * np.sqrt(whole * level * (1 - level))), 0, n))


def prepared(cohort, folder, **parameters):
    """Prepare the quarter of a cohort that was never written: folders are tested elsewhere."""
    (folder / "datapackage.json").touch()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(counted_folder, "load_cohort", lambda place: cohort)
        return quarter.prepare_quarter(folder, **parameters)

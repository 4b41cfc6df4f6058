"""An invented network: one cohort that holds all patients, and the cohorts of its sites."""

from dataclasses import replace
from functools import cache

import pandas as pd

from analysis.cohort import Cohort, Provenance
from analysis.outcomes.home_programme.events import is_harm
from synthetic_cohort import generate_cohort

ASKED = {"measure": "ikdc", "week": 26}


def of_sites(cohort, *sites):
    """Give the cohort of some sites, at the limited level."""
    ids = set(cohort.patients.loc[cohort.patients["site"].astype("str").isin(sites), "patient_id"])
    tables = {name: frame[frame["patient_id"].isin(ids)] for name, frame in cohort.tables() if name != "flow"}
    return Cohort(
        **tables, measures=cohort.measures, privacy="limited", counted_from=cohort.counted_from,
        provenance=Provenance(decided=["patients.graft"]),
    )  # fmt: skip


@cache
def network(patients=1000, quarters=13, seed=5):
    """Give the cohort of all patients and those of each site; sites are in the order of the patients."""
    made = generate_cohort(patients=patients, quarters=quarters, seed=seed).observed
    order = made.patients["site"].astype("str").map({"site A": 0, "site B": 1, "site C": 2, "site D": 3})
    people = made.patients.drop(columns="therapist").iloc[order.argsort(kind="stable")].reset_index(drop=True)
    events = made.events[is_harm(made.events["event"])].assign(
        event="skin irritation"
    )  # kinds of harms stay at the sites
    made = replace(made, patients=people, events=events)
    names = list(pd.unique(people["site"].astype("str")))
    return of_sites(made, *names), {name: of_sites(made, name) for name in names}

"""A cohort becomes sums, by the functions that count a whole cohort: what is counted in parts is counted in the same way."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from analysis.cohort.reference import patients_by_protocol
from analysis.cohort.tables import Cohort
from analysis.counted import counted
from analysis.errors import CohortError
from analysis.outcomes.endpoint import rounding_room
from analysis.outcomes.home_programme.events import events_by_protocol
from analysis.outcomes.home_programme.sessions_done import adherence_by_week
from analysis.outcomes.home_programme.time_to_stopping import time_to_stopping
from analysis.outcomes.missing.missing_by_week import missing_by_week
from analysis.outcomes.patients.baseline_table import ALL_PATIENTS, baseline_table
from analysis.outcomes.patients.patient_flow import patient_flow
from analysis.outcomes.responders.responders import judged_patients
from analysis.pooled.agreed import PoolingPlan
from analysis.pooled.layout import ENDS, RECORDED
from analysis.pooled.sums import CohortSums, sums_of

_SESSIONS = [
    "recorded", "n", "none_prescribed", "more_than_prescribed", "reached", "sessions_prescribed", "sessions_done", "mean_share",
]  # fmt: skip


def cohort_sums(cohort: Cohort, plan: PoolingPlan) -> CohortSums:
    """Count a part of a comparison by the plan: flow, start, endpoint, harms, missing visits, home programme.

    Parameters
    ----------
    cohort : Cohort
        The patients of the part; the visits of a patient lie in one part.
    plan : PoolingPlan
        What was agreed.

    Returns
    -------
    CohortSums
        They add up to those of all patients.

    Raises
    ------
    CohortError
        The part holds what the plan does not name: a protocol, a kind of event, a label, a week of home sessions; or measures the
        endpoint in another way.

    Examples
    --------
    >>> from analysis.pooled.planning import plan_pooling
    >>> from synthetic_cohort import generate_cohort
    >>> cohort = generate_cohort(patients=60, seed=1).observed
    >>> cohort_sums(cohort, plan_pooling(cohort, "pain", week=26)).n_patients
    60
    """
    _refuse_another_measure(cohort, plan)
    cohort = _as_agreed(cohort, plan)
    measure, limb = plan.endpoint.measure.name, plan.endpoint.limb
    flow = patient_flow(cohort, measure, limb=limb, weeks=plan.weeks)
    missing = missing_by_week(cohort, measure, limb=limb, weeks=plan.weeks).table
    visits = flow.by_week[["protocol", "week", "allocated"]].merge(missing, on=["protocol", "week"])
    return sums_of(
        plan,
        {
            "patients": flow.allocated,
            "visits": visits,
            "lost": flow.lost,
            **_start(cohort, plan),
            **_endpoint(cohort, plan),
            "recorded": _recorded(cohort),
            "harms": _harms(cohort),
            **_home(cohort, plan),
        },
    )


def _refuse_another_measure(cohort: Cohort, plan: PoolingPlan) -> None:
    agreed = plan.endpoint.measure
    own = cohort.measures[agreed.name]
    same = ("unit", "direction", "limbs", "ideal", "derived_from")
    other = [name for name in same if getattr(own, name) != getattr(agreed, name)]
    if other:
        raise CohortError(
            f"{agreed.name} is measured in another way than was agreed: {', '.join(other)} differ.",
            where=f"here {own.unit}, {own.direction}; plan {plan.digest}: {agreed.unit}, {agreed.direction}",
            what_to_do="Convert the values, or agree on a plan with this measure.",
        )


def _as_agreed(cohort: Cohort, plan: PoolingPlan) -> Cohort:
    """Give the cohort with the protocols of the plan in their order, and the columns that it describes; missing where they lack."""
    protocol = cohort.patients["protocol"]
    strange = sorted({str(one) for one in protocol.dropna().unique()} - set(plan.protocols))
    if strange:
        raise CohortError(
            f"This part is not as was agreed: protocol {strange[0]!r}.",
            where=f"{counted(len(strange), 'protocol')} not in plan {plan.digest}, which compares {', '.join(plan.protocols)}",
            what_to_do="Name protocols as the plan does, leave those patients out, or agree on a plan that has them.",
        )
    columns = {str(name) for name in cohort.patients} | {name for name in plan.numbers if ":" in name}
    lacking: dict[str, Any] = {
        **{name: np.nan for name in plan.numbers if name not in columns},
        **{name: pd.NA for name in plan.categories if name not in columns},
    }
    named = protocol.astype("str").where(protocol.notna())
    people = cohort.patients.assign(protocol=pd.Categorical(named, categories=list(plan.protocols)), **lacking)
    return replace(cohort, patients=people, reference=None)


def _start(cohort: Cohort, plan: PoolingPlan) -> dict[str, pd.DataFrame]:
    of_patients = [name for name in (*plan.numbers, *plan.categories) if ":" not in name]
    measures = list(dict.fromkeys(name.split(":")[0] for name in plan.numbers if ":" in name))
    found = baseline_table(cohort, covariates=of_patients, measures=measures).table
    found = found[(found["protocol"] != ALL_PATIENTS) & found["variable"].isin([*plan.numbers, *plan.categories])]
    numbers = found[found["variable"].isin(list(plan.numbers)) & (found["n"] > 0)]
    away = numbers["mean"] - numbers["variable"].map(dict(plan.numbers))
    spread = numbers["standard_deviation"].fillna(0.0) ** 2 * (numbers["n"] - 1)
    numbers = numbers.assign(sum=numbers["n"] * away, squares=spread + numbers["n"] * away**2)
    labels = found[found["variable"].isin(list(plan.categories)) & found["category"].notna()]
    return {
        "numbers": numbers,
        "known": labels.drop_duplicates(["variable", "protocol"]),
        "categories": labels[labels["count"] > 0].rename(columns={"count": "patients"}),
    }


def _endpoint(cohort: Cohort, plan: PoolingPlan) -> dict[str, pd.DataFrame]:
    endpoint = plan.endpoint
    patients, late = judged_patients(cohort, endpoint)
    patients = patients.assign(late=late)[patients["protocol"].notna()]
    groups = patients.groupby("protocol", observed=True)
    responders = pd.DataFrame(
        {
            "allocated": groups.size(),
            "judged": groups["amount"].count(),
            "not_due": groups["late"].sum(),
            "responders": groups["responder"].sum(),
        }
    ).reset_index()
    what = patients["value" if endpoint.criterion == "state" else "improvement"]
    values = patients.assign(n=what.notna(), sum=what, squares=what**2).groupby("protocol", observed=True)
    limits = endpoint.limits(plan.amounts)
    amounts = [
        {
            "protocol": str(name),
            "amount": amount,
            "reached": int((rows["amount"] >= limit - rounding_room(limit)).sum()),
        }
        for name, rows in groups
        for amount, limit in zip(plan.amounts, limits, strict=True)
    ]
    return {
        "responders": _named(responders),
        "improvement": _named(values[["n", "sum", "squares"]].sum().reset_index()),
        "amounts": pd.DataFrame(amounts, columns=["protocol", "amount", "reached"]),
    }


def _recorded(cohort: Cohort) -> pd.DataFrame:
    """Count the patients of whom events, and home sessions, were recorded at all: what is not on record is not none."""
    people = patients_by_protocol(cohort)
    size = _named(people.groupby("protocol", observed=True).size().rename("patients").reset_index())
    events = cohort.events
    said = [
        events is not None and flag in events and bool(events[flag].notna().any()) for flag in ("serious", "related")
    ]
    there = dict(zip(RECORDED, (events is not None, cohort.sessions is not None, *said), strict=True))
    none_happened = events is not None and events.empty  # there is nothing of which it was not said
    found = [
        size.assign(what=what, parts=int(is_there))
        for what, is_there in there.items()
        if is_there or (none_happened and what in RECORDED[2:])
    ]
    return pd.concat(found, ignore_index=True) if found else size.iloc[:0].assign(what="", parts=0)


def _harms(cohort: Cohort) -> pd.DataFrame:
    found = events_by_protocol(cohort).table
    return found[found["events"] > 0] if len(found) else found


def _home(cohort: Cohort, plan: PoolingPlan) -> dict[str, pd.DataFrame]:
    found = adherence_by_week(cohort, enough=plan.enough)
    stopping = time_to_stopping(cohort, idle_weeks=plan.idle_weeks).patients.dropna(subset=["week", "protocol"])
    end = np.select([stopping["never_started"], stopping["stopped"]], [ENDS[2], ENDS[1]], ENDS[0])
    ends = stopping.assign(end=end).groupby(["protocol", "week", "end"], observed=True).size().rename("patients")
    overall = found.overall[found.overall["recorded"] > 0] if len(found.overall) else found.overall
    return {
        "sessions": _with_shares(found.table),
        "programme": _with_shares(overall),
        "stopping": _named(ends.reset_index()),
    }


def _with_shares(table: pd.DataFrame) -> pd.DataFrame:
    """Add the sum of the patients' shares."""
    return table.assign(share=table["mean_share"].astype("float64").fillna(0.0) * table["n"])


def _named(table: pd.DataFrame) -> pd.DataFrame:
    return table.astype({"protocol": "str"})

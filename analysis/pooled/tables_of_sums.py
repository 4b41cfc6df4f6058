"""The tables that sums give: each with the columns that the counting of a whole cohort gives, and the same finishing."""

from __future__ import annotations

import numpy as np
import pandas as pd

from analysis.outcomes.home_programme.events import OTHER, SERIOUS, EventsByProtocol, is_harm
from analysis.outcomes.home_programme.time_to_stopping import ALL_SESSIONS, TimeToStopping
from analysis.outcomes.patients.baseline_table import ALL_PATIENTS
from analysis.outcomes.responders.change_distribution import ChangeDistribution, distribution_differences
from analysis.outcomes.responders.responders import WELCH, Responders
from analysis.pooled.agreed import PoolingPlan
from analysis.pooled.layout import ENDS, RECORDED
from analysis.statistics.kaplan_meier import (
    curves_by_protocol,
    log_rank,
    median_times,
    share_differences,
    shares_by_week,
)
from analysis.statistics.mean_interval import compare_means, half_width
from analysis.statistics.proportions import add_number_needed, compare_shares, share_interval
from analysis.statistics.ratios import share_ratios


def allocated_table(patients: pd.DataFrame) -> pd.DataFrame:
    """Give the patients of each protocol by how far they were followed."""
    return _whole(patients)


def _whole(table: pd.DataFrame) -> pd.DataFrame:
    """Give counts as whole numbers."""
    numbers = [name for name in table if table[name].dtype == np.float64 and name not in ("week", "amount")]
    return table.assign(**{str(name): np.rint(table[name]).astype("int64") for name in numbers})


def by_week_table(visits: pd.DataFrame) -> pd.DataFrame:
    """Give the patients seen and missed by protocol and week."""
    table = _whole(visits)
    due = table["allocated"] - table["not_yet_due"]
    return table.assign(due=due, share=table["seen"] / due.where(due > 0)).drop(columns="not_yet_due")


def lost_table(lost: pd.DataFrame, patients: pd.DataFrame) -> pd.DataFrame:
    """Give the patients lost, by reason."""
    table = _whole(lost[lost["patients"] > 0])
    allocated = table["protocol"].map(patients.set_index("protocol")["allocated"]).astype("int64")
    return table.assign(allocated=allocated, share=table["patients"] / allocated).reset_index(drop=True)


def missing_table(visits: pd.DataFrame, level: float) -> pd.DataFrame:
    """Give the missing visits of the endpoint by protocol and week."""
    table = _whole(visits)
    table = table.assign(missing=table["missed_seen_later"] + table["not_seen_again"])
    table = table.assign(expected=table["seen"] + table["missing"]).drop(columns="allocated")
    return table.join(share_interval(table["missing"], table["expected"], level=level))


def start_table(tables: dict[str, pd.DataFrame], plan: PoolingPlan) -> pd.DataFrame:
    """Give means and shares at the start, by protocol and of all patients."""
    allocated = {**tables["patients"].set_index("protocol")["allocated"]}
    allocated[ALL_PATIENTS] = sum(allocated.values())
    numbers, known, labels = (_with_all(tables[name]) for name in ("numbers", "known", "categories"))
    mean = numbers["sum"] / numbers["n"].where(numbers["n"] > 0)
    spread = (numbers["squares"] - numbers["n"] * mean**2).clip(lower=0.0) / (numbers["n"] - 1).where(numbers["n"] > 1)
    numbers = numbers.assign(
        category=np.nan, mean=mean + numbers["variable"].map(dict(plan.numbers)), standard_deviation=np.sqrt(spread)
    )
    labels = labels.merge(known, on=["variable", "protocol"]).rename(columns={"patients": "count"})
    labels = labels.assign(share=labels["count"] / labels["n"].where(labels["n"] > 0))
    table = pd.concat([numbers.drop(columns=["sum", "squares"]), labels], ignore_index=True)
    table["allocated"] = table["protocol"].map(allocated)
    words = {name: dict(zip(("label", "unit"), both, strict=True)) for name, both in plan.labels.items()}
    return table.assign(
        label=[words[one]["label"] for one in table["variable"]],
        unit=[words[one]["unit"] for one in table["variable"]],
        missing=table["allocated"] - table["n"],
    )


def _with_all(table: pd.DataFrame) -> pd.DataFrame:
    """Add rows of all patients behind those of the protocols."""
    keys = [name for name in ("variable", "category") if name in table]
    numbers = [name for name in table if table[name].dtype == np.float64]
    summed = table.groupby(keys, sort=False)[numbers].sum().reset_index().assign(protocol=ALL_PATIENTS)
    return pd.concat([table, summed], ignore_index=True)


def responders_table(counts: pd.DataFrame, plan: PoolingPlan) -> pd.DataFrame:
    """Give the responders by protocol; the denominator by the rule of the endpoint for missing visits."""
    table = _whole(counts)
    judged = table["judged"]
    if plan.endpoint.missing == "non-response" and judged.any():
        judged = table["allocated"] - table["not_due"]
    table = table.assign(n=judged)[["protocol", "allocated", "n", "responders"]]
    return table.join(share_interval(table["responders"], table["n"], level=plan.endpoint.level))


def means_table(sums: pd.DataFrame, level: float) -> pd.DataFrame:
    """Give the mean improvement, or value, by protocol."""
    n = sums["n"]
    mean = sums["sum"] / n.where(n > 0)
    variance = (sums["squares"] - n * mean**2).clip(lower=0.0) / (n - 1).where(n > 1)
    error = (variance / n.where(n > 1)).pow(0.5)
    half = half_width(error.to_numpy(), (n - 1).where(n > 1).to_numpy(), level=level)
    return pd.DataFrame(
        {
            "protocol": sums["protocol"], "n": np.rint(n).astype("int64"), "mean": mean, "standard_deviation": np.sqrt(variance),
            "std_error": error, "lower": mean - half, "upper": mean + half, "level": level, "method": "t, patients seen",
        }
    )  # fmt: skip


def shares_table(amounts: pd.DataFrame, responders: pd.DataFrame, plan: PoolingPlan) -> pd.DataFrame:
    """Give the share of patients at each amount."""
    n = amounts["protocol"].map(responders.set_index("protocol")["n"]).astype("int64")
    reached = np.rint(amounts["reached"]).astype("int64")
    counts = pd.DataFrame(
        {"protocol": amounts["protocol"], "threshold": amounts["amount"], "n": n, "responders": reached}
    )
    return counts.join(share_interval(reached, n, level=plan.endpoint.level))


def harms_table(tables: dict[str, pd.DataFrame], level: float) -> EventsByProtocol:
    """Give the events by protocol and kind; of the patients of parts that record them."""
    recorded = tables["recorded"]
    of_parts = recorded[recorded["what"] == RECORDED[0]].set_index("protocol")
    table = _whole(tables["harms"])
    table.insert(2, "allocated", table["protocol"].map(of_parts["patients"]).astype("int64"))
    for flag, what in zip(("serious", "related"), RECORDED[2:], strict=True):
        if not recorded.loc[recorded["what"] == what, "parts"].any():
            table[[f"{flag}_patients", f"{flag}_events"]] = np.nan
    there = table.groupby("event")["events"].transform("sum") > 0
    table = table[there | table["event"].isin([SERIOUS, OTHER])].reset_index(drop=True)
    table.insert(2, "harm", table["event"].isin([SERIOUS, OTHER]) | is_harm(table["event"]))
    if not len(table) or not of_parts["parts"].any():
        return EventsByProtocol(recorded=False, table=table.iloc[:0], notes=())
    shares = share_interval(table["patients"], table["allocated"], level=level)
    return EventsByProtocol(recorded=True, table=table.join(shares), notes=())


def adherence_table(sums: pd.DataFrame, patients: pd.DataFrame, level: float) -> pd.DataFrame:
    """Give the adherence of each group that has an entry."""
    whole = ["recorded", "n", "none_prescribed", "more_than_prescribed", "reached"]
    table = sums[sums["recorded"] > 0].reset_index(drop=True)
    table[whole] = np.rint(table[whole]).astype("int64")
    n = table["n"].where(table["n"] > 0)
    allocated = table["protocol"].map(patients.set_index("protocol")["allocated"]).astype("int64")
    table = table.assign(
        allocated=allocated,
        share_of_sessions=table["sessions_done"] / table["sessions_prescribed"].where(table["sessions_prescribed"] > 0),
        mean_share=table["share"] / n,
    ).drop(columns="share")
    interval = share_interval(table["reached"], table["n"], level=level).rename(columns={"share": "share_reached"})
    return table.join(interval)


def stopping_of(counts: pd.DataFrame, patients: pd.DataFrame, plan: PoolingPlan) -> TimeToStopping:
    """Give the time to stopping, from as many patients at each week as were counted."""
    level, base = plan.endpoint.level, plan.protocols[0]
    times = np.rint(counts["patients"].to_numpy()).astype(int)
    rows = counts.loc[counts.index.repeat(times), ["protocol", "week", "end"]].reset_index(drop=True)
    known = rows.assign(stopped=rows["end"] != ENDS[0])
    known["protocol"] = pd.Categorical(known["protocol"], categories=list(plan.protocols)).remove_unused_categories()
    curves = curves_by_protocol(known, "week", "stopped")
    ends = rows.groupby(["protocol", "end"]).size().unstack(fill_value=0).reindex(columns=list(ENDS), fill_value=0)
    ends = ends.reindex(patients["protocol"], fill_value=0).rename(
        columns=dict(zip(ENDS, ("going_on", "stopped_later", "never_started"), strict=True))
    )
    summary = ends.rename_axis(columns=None).assign(
        n=ends.sum(axis=1), allocated=np.rint(patients["allocated"].to_numpy()).astype("int64")
    )
    columns = ["protocol", "allocated", "n", "never_started", "stopped_later", "going_on"]
    return TimeToStopping(
        modality=ALL_SESSIONS,
        idle_weeks=plan.idle_weeks,
        table=shares_by_week(curves, "stopped", level),
        medians=median_times(known, curves, "stopped", level),
        summary=summary.rename_axis("protocol").reset_index()[columns],
        comparison=log_rank(known, "week", "stopped"),
        differences=share_differences(curves, base, level),
        patients=no_rows("first_week", "last_week", "week", "stopped", "never_started"),
        notes=(),
    )


def responders_of(tables: dict[str, pd.DataFrame], plan: PoolingPlan) -> Responders:
    """Give the responder analysis, with the distribution of change at the amounts of the plan."""
    endpoint, base, level = plan.endpoint, plan.protocols[0], plan.endpoint.level
    table = responders_table(tables["responders"], plan)
    means = means_table(tables["improvement"], level)
    shares = shares_table(tables["amounts"], table, plan)
    return Responders(
        endpoint=endpoint,
        reference=base,
        table=table,
        differences=add_number_needed(compare_shares(table, base, level=level)),
        ratios=share_ratios(table, base, level=level),
        mean_improvement=means,
        mean_differences=compare_means(means, base, level=level).assign(method=WELCH),
        patients=no_rows("baseline", "value", "change", "improvement", "status", "amount", "responder"),
        counted=ChangeDistribution(
            endpoint, shares, distribution_differences(shares, base, level=level), notes=(endpoint.denominator,)
        ),
        notes=endpoint.notes,
    )


def no_rows(*columns: str) -> pd.DataFrame:
    """Give the table of patients of a result that has none."""
    return pd.DataFrame({name: pd.Series(dtype=object) for name in ("patient_id", "protocol", *columns)})

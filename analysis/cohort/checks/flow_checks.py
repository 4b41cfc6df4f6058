"""Checks of the flow before and at the start: steps that are given whole, of known protocols, whose counts add up."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from analysis.cohort.findings import FindingList
from analysis.cohort.tables import PROTOCOL_STEPS, REASON_STEPS

#: Steps that together are the allocated of a protocol, in words.
_OF_ALLOCATED = {"received": "received it", "not received": "did not receive it"}
_LIKE_COLUMNS = ("step", "protocol", "reason", "patients")


def check_flow(tables: Mapping[str, pd.DataFrame], findings: FindingList) -> None:
    """Find what is wrong in the table flow, and where its counts and the table patients contradict each other."""
    flow, patients = tables.get("flow"), tables.get("patients")
    if flow is None or not {"step", "patients"} <= set(flow.columns):
        return
    whole = flow.reindex(columns=list(_LIKE_COLUMNS))
    step, protocol, reason = (whole[name].astype("str").where(whole[name].notna()) for name in _LIKE_COLUMNS[:3])
    counts = whole["patients"].astype("float64")
    own = step.isin(PROTOCOL_STEPS)
    wrong = counts.notna() & np.isfinite(counts) & (counts != counts.round())
    findings.add_rows("error", "flow", whole, wrong, "patients", "no whole number of patients", "Correct the number.")
    again = pd.DataFrame({"step": step, "protocol": protocol, "reason": reason}).duplicated()
    findings.add_rows(
        "error", "flow", whole, again, "step", "the same step, protocol and reason as an earlier row",
        "Keep one of these rows.",
    )  # fmt: skip
    findings.add_rows(
        "error", "flow", whole, own & protocol.isna(), "step", "the step belongs to a protocol, and none is named",
        "Name the protocol, one row each.",
    )  # fmt: skip
    findings.add_rows(
        "error", "flow", whole, step.notna() & ~own & protocol.notna(), "protocol",
        "nobody has a protocol at this step", "Leave the protocol empty.",
    )  # fmt: skip
    findings.add_rows(
        "error", "flow", whole, reason.notna() & ~step.isin(REASON_STEPS), "reason", "the step has no reasons",
        f"Leave the reason empty; it belongs to: {', '.join(REASON_STEPS)}.",
    )  # fmt: skip
    told = pd.DataFrame({"step": step, "of": protocol.fillna(""), "told": reason.notna()})
    both = step.isin(REASON_STEPS) & told.groupby(["step", "of"], dropna=False)["told"].transform("any")
    findings.add_rows(
        "error", "flow", whole, both & reason.isna(), "reason", "a row without a reason beside rows with reasons",
        "Leave the row out where it is their sum, which is computed; else write as its reason that none is known.",
    )  # fmt: skip
    if patients is None or "protocol" not in patients:
        return
    known = patients["protocol"].dropna().astype("str").value_counts()
    findings.add_rows(
        "error", "flow", whole, own & protocol.notna() & ~protocol.isin(known.index), "protocol",
        "no patient has this protocol", f"Write it as in the table patients: {', '.join(map(str, known.index))}.",
    )  # fmt: skip
    if again.any():
        return
    counted = pd.DataFrame({"step": step, "of": protocol.fillna(""), "n": counts})[np.isfinite(counts)].dropna()
    given: dict[tuple[str, str], int] = {}
    for one, of, n in zip(counted["step"], counted["of"], counted["n"], strict=True):
        given[str(one), str(of)] = given.get((str(one), str(of)), 0) + int(n)
    _check_sums(given, {str(name): int(n) for name, n in known.items()}, findings)


def _check_sums(given: Mapping[tuple[str, str], int], known: Mapping[str, int], findings: FindingList) -> None:
    """Hold counts by step and protocol (empty for none) against each other and the patients of each protocol."""
    allocated = {of: n for (step, of), n in given.items() if step == "allocated"}
    for name, n in allocated.items():
        if name in known and n != known[name]:
            findings.add(
                "error", "flow", f"{n:,} allocated to {name!r}, and the table patients has {known[name]:,} of that protocol",
                "Add the patients who are missing, also those without a visit, or correct the number.", column="patients",
            )  # fmt: skip
    for name, n in {**known, **allocated}.items():
        parts = [given.get((step, name)) for step in _OF_ALLOCATED]
        if None not in parts and sum(filter(None, parts)) != n:
            findings.add(
                "error", "flow", f"of {n:,} allocated to {name!r}, {parts[0]:,} received it and {parts[1]:,} did not",
                "Correct the numbers: together these are the allocated.", column="patients",
            )  # fmt: skip
    for (step, name), n in given.items():
        if step in _OF_ALLOCATED and n > known.get(name, n):
            findings.add(
                "error", "flow", f"{n:,} with {name!r} {_OF_ALLOCATED[step]}, and the table patients has {known[name]:,} of that "
                "protocol", "Add the patients who are missing, or correct the number.", column="patients",
            )  # fmt: skip
    total = sum(allocated.values()) if set(allocated) >= set(known) else sum(known.values())
    assessed, excluded = given.get(("assessed", "")), given.get(("excluded", ""))
    if assessed is not None and excluded is not None and assessed != excluded + total:
        findings.add(
            "error", "flow", f"{assessed:,} were assessed, {excluded:,} excluded and {total:,} allocated",
            "Correct the numbers: excluded and allocated together are the assessed.", column="patients",
        )  # fmt: skip
    if assessed is not None and assessed < total:
        findings.add(
            "error", "flow", f"{assessed:,} were assessed and {total:,} allocated",
            "Correct the number of those assessed, which holds the allocated.", column="patients",
        )  # fmt: skip

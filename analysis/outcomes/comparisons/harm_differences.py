"""Harms of protocols compared: differences of shares, kind by kind, and of serious ones; kinds are never summed."""

import numpy as np
import pandas as pd

from analysis.outcomes.home_programme.events import ANY, EventsByProtocol
from analysis.statistics.proportions import compare_shares, share_interval

#: Patients with a harm that was marked as serious, of whatever kind.
SERIOUS = "any harm marked as serious"
COLUMNS = ["event", "protocol", "reference", "patients", "n", "reference_patients", "reference_n", "difference", "lower", "upper",
           "level", "method"]  # fmt: skip


def harm_differences(found: EventsByProtocol, reference: str, *, level: float = 0.95) -> pd.DataFrame:
    """Compare the shares of patients with each kind of harm, and with any serious one.

    Parameters
    ----------
    found : EventsByProtocol
        The events.
    reference : str
        The protocol compared with.
    level : float
        Confidence level of each interval; none is adjusted for the number of kinds.

    Returns
    -------
    pandas.DataFrame
        event (serious ones first), protocol, reference, patients, n, reference_patients, reference_n (all patients of the
        protocols), difference (of shares), lower, upper, level, method. Empty where nothing was recorded or there is one protocol.

    Notes
    -----
    A thrombosis and sore muscles are no two of a kind, so what is not marked as serious is compared kind by kind only. Newcombe's
    intervals (method 10).

    Examples
    --------
    >>> from analysis.outcomes import events_by_protocol
    >>> from synthetic_cohort import generate_cohort
    >>> found = harm_differences(events_by_protocol(generate_cohort(patients=120, seed=1).observed), "exercise only")
    >>> found["event"].iloc[0]
    'any harm marked as serious'
    """
    table = found.table
    if not found.recorded or table.empty or table["protocol"].nunique() < 2:
        return pd.DataFrame(columns=COLUMNS)
    parts = []
    whole = table[table["event"] == ANY]
    if whole["serious_patients"].notna().all():
        parts.append(_one(whole, "serious_patients", SERIOUS, reference, level))
    for kind, rows in table[table["harm"] & (table["event"] != ANY)].groupby("event", sort=False):
        parts.append(_one(rows, "patients", str(kind), reference, level))
    return pd.concat(parts, ignore_index=True)[COLUMNS] if parts else pd.DataFrame(columns=COLUMNS)


def with_serious(found: EventsByProtocol) -> pd.DataFrame:
    """Give the table of events with rows of any harm marked as serious after those of any harm, where that was said.

    Examples
    --------
    >>> from analysis.outcomes import events_by_protocol
    >>> from synthetic_cohort import generate_cohort
    >>> with_serious(events_by_protocol(generate_cohort(patients=60, seed=1).observed))["event"].unique().tolist()[:2]
    ['any harm', 'any harm marked as serious']
    """
    table = found.table
    whole = table[table["event"] == ANY]
    if whole.empty or whole["serious_patients"].isna().any():
        return table
    serious = whole.assign(
        event=SERIOUS, patients=whole["serious_patients"].astype("int64"), events=whole["serious_events"]
    )
    serious["related_patients"] = serious["related_events"] = np.nan  # of these it was not counted
    level = float(whole["level"].iloc[0])
    shares = share_interval(serious["patients"].to_numpy(), serious["allocated"].to_numpy(), level=level)
    serious = serious.assign(**{str(name): shares[name].to_numpy() for name in shares.columns})
    return pd.concat([whole, serious, table[table["event"] != ANY]], ignore_index=True)


def _one(rows: pd.DataFrame, counted: str, kind: str, reference: str, level: float) -> pd.DataFrame:
    counts = rows[["protocol"]].assign(responders=rows[counted].astype("int64"), n=rows["allocated"])
    compared = compare_shares(counts, reference, level=level)
    by_name = counts.set_index("protocol")["responders"]
    return compared.assign(
        event=kind, patients=compared["protocol"].map(by_name), reference_patients=int(by_name[reference])
    )

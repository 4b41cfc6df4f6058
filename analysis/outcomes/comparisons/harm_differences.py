"""Harms of protocols compared: differences of shares, kind by kind, and of serious ones; kinds are never summed."""

import pandas as pd

from analysis.outcomes.home_programme.events import OTHER, EventsByProtocol
from analysis.statistics.proportions import compare_shares

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
    A thrombosis and sore muscles are no two of a kind, so what is not serious is compared kind by kind only. Newcombe's
    intervals (method 10).

    Examples
    --------
    >>> from analysis.outcomes import events_by_protocol
    >>> from synthetic_cohort import generate_cohort
    >>> found = harm_differences(events_by_protocol(generate_cohort(patients=120, seed=1).observed), "exercise only")
    >>> found["event"].iloc[0]
    'any serious harm'
    """
    table = found.table
    if not found.recorded or table.empty or table["protocol"].nunique() < 2:
        return pd.DataFrame(columns=COLUMNS)
    kinds = table[table["harm"] & (table["event"] != OTHER)].groupby("event", sort=False)
    parts = [_one(rows, str(kind), reference, level) for kind, rows in kinds]
    return pd.concat(parts, ignore_index=True)[COLUMNS] if parts else pd.DataFrame(columns=COLUMNS)


def _one(rows: pd.DataFrame, kind: str, reference: str, level: float) -> pd.DataFrame:
    counts = rows[["protocol"]].assign(responders=rows["patients"], n=rows["allocated"])
    compared = compare_shares(counts, reference, level=level)
    by_name = counts.set_index("protocol")["responders"]
    return compared.assign(
        event=kind, patients=compared["protocol"].map(by_name), reference_patients=int(by_name[reference])
    )

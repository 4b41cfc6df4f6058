"""Counts of patients by the quarter of their start and by site, gathered while indicators are made."""

from __future__ import annotations

import pandas as pd

#: Quantity of all patients who started.
STARTED = "started"


class Counted:
    """Collects quantities by period and site, and the sums between them.

    ``people`` has a row a patient: patient_id, period (missing for those who are left out), site.
    """

    def __init__(self, people: pd.DataFrame) -> None:
        self.people = people[people["period"].notna()]
        self.frames: dict[str, pd.DataFrame] = {}
        self.flags: dict[str, pd.Series] = {}
        self.sums: list[tuple[str, tuple[str, ...]]] = []
        self.not_yet: dict[str, tuple[str, ...]] = {}

    def add(
        self, quantity: str, flags: pd.Series, *, weights: pd.Series | None = None, among: pd.Series | None = None
    ) -> None:
        """Count the patients flagged, or sum what they bring.

        ``among`` flags those of whom it is known by now; a period without any is not yet due.
        """
        if weights is None:
            self.flags[quantity] = flags.astype(bool)
        worth = flags.astype(float) if weights is None else weights.where(flags.astype(bool), 0.0).astype(float)
        rows = self.people.assign(value=worth.loc[self.people.index])
        summed = rows.groupby(["period", "site"], as_index=False, observed=True)["value"].sum()
        self.frames[quantity] = summed.assign(quantity=quantity)
        if among is not None:
            there = among.loc[self.people.index].groupby(self.people["period"]).any()
            self.not_yet[quantity] = tuple(sorted(str(name) for name in there.index[~there]))

    def split(self, total: str, part: str, rest: str) -> None:
        """Name what is left of a total; a reader can subtract, so it is protected too."""
        both = self.frames[total].merge(self.frames[part], on=["period", "site"], suffixes=("", "_part"))
        value = both["value"] - both["value_part"]
        self.frames[rest] = both[["period", "site"]].assign(value=value, quantity=rest)
        self.sums.append((total, (part, rest)))

    def table(self) -> pd.DataFrame:
        """Give every quantity: quantity, period, site, value."""
        return pd.concat(self.frames.values(), ignore_index=True)[["quantity", "period", "site", "value"]]

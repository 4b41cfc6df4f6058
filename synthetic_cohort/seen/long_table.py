"""From one array a series to the long visits table: one row a patient, week and series."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from synthetic_cohort.scenarios.scenario import Scenario


@dataclass(frozen=True, eq=False)
class Cells:
    """Which series is measured in which week, in the order of the rows of one patient.

    Parameters
    ----------
    patient_id : pandas.Series
        Ids of the patients.
    week_positions, series_positions : array of int of shape (c,)
        Position of the visit week and of the series of each cell; by week, then in the scenario's order of series.
    weeks : array of shape (c,)
        Week of each cell.
    measures, limbs : tuple of str
        Measure and limb of each series.
    """

    patient_id: pd.Series
    week_positions: NDArray[np.intp]
    series_positions: NDArray[np.intp]
    weeks: NDArray[np.float64]
    measures: tuple[str, ...]
    limbs: tuple[str, ...]

    @property
    def shape(self) -> tuple[int, int]:
        """Number of patients and of cells."""
        return len(self.patient_id), len(self.weeks)

    def gather(self, by_series: list[NDArray[np.float64]]) -> NDArray[np.float64]:
        """Arrange values of shape (patients, weeks) of each series as (patients, cells)."""
        values = np.empty(self.shape)
        for cell, (week, series) in enumerate(zip(self.week_positions, self.series_positions, strict=True)):
            values[:, cell] = by_series[series][:, week]
        return values

    def frame(self, by_series: list[NDArray[np.float64]], keep: NDArray[np.bool_] | None = None) -> pd.DataFrame:
        """Make a long table of the values of each series, shape (patients, weeks), all or those in the rows to keep.

        Columns patient_id, week, measure, limb, value; sorted by patient, week and series.
        """
        return self.labels(keep).assign(value=_flat(self.gather(by_series), keep))

    def labels(self, keep: NDArray[np.bool_] | None = None) -> pd.DataFrame:
        """Make the columns patient_id, week, measure and limb of a long table."""
        n, c = self.shape
        measures, limbs = tuple(dict.fromkeys(self.measures)), ("involved", "uninvolved", "none")
        codes = {
            "measure": (np.array([measures.index(m) for m in self.measures], dtype=np.int8), measures),
            "limb": (np.array([limbs.index(m) for m in self.limbs], dtype=np.int8), limbs),
        }
        rows = np.repeat(np.arange(n), c) if keep is None else np.repeat(np.arange(n), keep.sum(axis=1))
        columns: dict[str, object] = {
            "patient_id": self.patient_id.take(rows).reset_index(drop=True),
            "week": _flat(np.broadcast_to(self.weeks, (n, c)), keep),
        }
        for name, (of_series, labels) in codes.items():
            flat: NDArray[np.int8] = _flat(np.broadcast_to(of_series[self.series_positions], (n, c)), keep)
            columns[name] = pd.Categorical.from_codes(flat, categories=pd.Index(labels, dtype="str"))
        return pd.DataFrame(columns)


def make_cells(scenario: Scenario, patient_id: pd.Series) -> Cells:
    """Lay out the cells of a scenario: its visit weeks, as far as each series is measured in them."""
    pairs = [
        (w, s)
        for w, week in enumerate(scenario.visit_weeks)
        for s, series in enumerate(scenario.series)
        if week in series.weeks
    ]
    week_positions, series_positions = (np.array(positions) for positions in zip(*pairs, strict=True))
    return Cells(
        patient_id,
        week_positions,
        series_positions,
        np.array(scenario.visit_weeks)[week_positions],
        tuple(series.measure for series in scenario.series),
        tuple(series.limb for series in scenario.series),
    )


def _flat(values: NDArray[Any], keep: NDArray[np.bool_] | None) -> NDArray[Any]:
    return values.ravel() if keep is None else values[keep]

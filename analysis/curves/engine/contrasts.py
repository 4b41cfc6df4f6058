"""Estimates of linear combinations of the coefficients, with their intervals and tests."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from scipy import special

from analysis.curves.covariances.residual_base import Array
from analysis.curves.engine.small_sample import SmallSample
from analysis.curves.engine.working_basis import WorkingBasis
from analysis.errors import ModelError
from analysis.statistics.multiplicity import adjusted_p_values

Adjust = Literal["none", "holm", "bonferroni", "sidak"]

_AGREES = 1e-6
"""Weights on dropped columns agree with what those on the kept ones imply to this share of the largest weight."""


@dataclass(frozen=True, eq=False)
class Contrasts:
    """Turns rows of contrasts of the formula's columns into estimates."""

    basis: WorkingBasis
    small_sample: SmallSample

    @property
    def coefficients(self) -> Array:
        """The working coefficients, with what was subtracted from the outcome."""
        return self.small_sample.evaluation.b + self.basis.offset

    def working(self, rows: Array) -> Array:
        """Rewrite contrasts of the formula's columns as contrasts of the working ones."""
        return np.asarray(np.linalg.solve(self.basis.T.T, rows[:, self.basis.kept].T).T, dtype=np.float64)

    def estimable(self, rows: Array) -> np.ndarray:
        """Tell which contrasts the data can estimate, given the columns that were dropped."""
        gone = np.setdiff1d(np.arange(rows.shape[1]), self.basis.kept)
        if not gone.size:
            return np.ones(len(rows), dtype=bool)
        expected = rows[:, self.basis.kept] @ self.basis.dependence
        size = np.maximum(1.0, np.abs(rows).max(axis=1, initial=0.0))[:, None]
        return np.asarray((np.abs(rows[:, gone] - expected) < _AGREES * size).all(axis=1))

    def estimates(self, rows: Array, level: float) -> pd.DataFrame:
        """Estimate contrasts of the formula's columns, shape (contrasts, columns), with intervals of a confidence level.

        Columns estimate, std_error, df, statistic, p_value, lower, upper; missing where a contrast cannot be estimated.
        """
        if not 0.0 < level < 1.0:
            raise ModelError(f"The level must lie between 0 and 1, not {level}.", what_to_do="Give 0.95 for 95 %.")
        working = self.working(rows)
        scale = self.basis.scale
        estimate = working @ self.coefficients * scale
        variance = np.einsum("ij,jk,ik->i", working, self.small_sample.covariance, working, optimize=True)
        df = self.small_sample.degrees(working)
        with np.errstate(divide="ignore", invalid="ignore"):
            error = np.sqrt(variance) * scale
            statistic = estimate / error
        half = special.stdtrit(df, 0.5 + level / 2.0) * error
        table = pd.DataFrame(
            {
                "estimate": estimate,
                "std_error": error,
                "df": df,
                "statistic": statistic,
                "p_value": 2.0 * special.stdtr(df, -np.abs(statistic)),
                "lower": estimate - half,
                "upper": estimate + half,
            }
        )
        estimable = self.estimable(rows)
        if not estimable.all():
            table.loc[~estimable] = np.nan
        return table

    def joint(self, rows: Array) -> pd.DataFrame:
        """Test contrasts together: one row with statistic (F), df_numerator, df, p_value, method."""
        working = self.working(rows[self.estimable(rows)])
        if not len(working) or not np.abs(working).max() > 0.0:
            nothing = {"statistic": np.nan, "df_numerator": 0, "df": np.nan, "p_value": np.nan}
            return pd.DataFrame([{**nothing, "method": self.small_sample.inference}])
        F, q, df, method = self.small_sample.joint(working, working @ self.coefficients)
        p = special.chdtrc(q, F * q) if np.isinf(df) else special.fdtrc(q, df, F)
        found = {"statistic": F, "df_numerator": q, "df": df, "p_value": float(p), "method": method}
        return pd.DataFrame([found])


def adjust_table(table: pd.DataFrame, adjust: Adjust, level: float) -> pd.DataFrame:
    """Adjust p_value, lower and upper for the number of comparisons: all rows that have a p value.

    Holm has no intervals of its own; they are widened as Bonferroni's, which never claims more than Holm's test. The level is
    the joint one of the intervals.
    """
    if adjust not in {"none", "holm", "bonferroni", "sidak"}:
        raise ModelError(
            f"There is no adjustment {adjust!r}.", what_to_do="Use 'holm', 'bonferroni', 'sidak' or 'none'."
        )
    count = int(table["p_value"].notna().sum())
    if adjust == "none" or count < 2:
        return table
    table = table.copy()
    known = table["p_value"].notna()
    table.loc[known, "p_value"] = adjusted_p_values(table.loc[known, "p_value"].to_numpy(dtype=np.float64), adjust)
    single = level ** (1.0 / count) if adjust == "sidak" else 1.0 - (1.0 - level) / count
    half = special.stdtrit(table["df"], 0.5 + single / 2.0) * table["std_error"]
    table["lower"], table["upper"] = table["estimate"] - half, table["estimate"] + half
    return table

"""Whether groups differ by more than chance, over those whose counts may be shown."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import stats

from analysis.quarter.value_interval import value_interval
from analysis.statistics.multiplicity import adjusted_p_values

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.quarter.access.stratum_counts import Compared, StratumCounts

#: An expected count below this makes the chi-squared test unsure (Cochran 1954, Biometrics 10:417; as usually quoted).
_FEWEST_EXPECTED = 5.0
#: Differences are told below this, after Holm's adjustment over all comparisons.
ALPHA = 0.05


@dataclass(frozen=True)
class StratumTest:
    """One share compared among the groups of one kind.

    Attributes
    ----------
    kind : str
        What patients are grouped by.
    share : Compared
        The share.
    groups, judged : int
        Groups there are, and those whose counts may be shown.
    lowest, highest : tuple of (str, float)
        The groups judged with the lowest and the highest share; empty texts where there was no test.
    p, p_adjusted : float
        Of the chi-squared test among the groups judged, and after Holm's adjustment; missing where there was no test: fewer
        than two groups could be judged, or an expected count lies below five.
    """

    kind: str
    share: Compared
    groups: int
    judged: int
    lowest: tuple[str, float]
    highest: tuple[str, float]
    p: float
    p_adjusted: float

    @property
    def differs(self) -> bool:
        """Whether the groups judged differ by more than chance."""
        return self.p_adjusted < ALPHA


def stratum_shares(counts: StratumCounts, shares: Sequence[Compared], *, level: float) -> pd.DataFrame:
    """Give every share by group with its interval.

    Returns
    -------
    pandas.DataFrame
        One row a kind, share and group: kind, share, group, numerator, denominator, value, lower, upper, level; missing where
        a count is hidden. Intervals: Wilson score.
    """
    rows = []
    for kind in counts.kinds:
        for one in shares:
            for group in counts.groups(kind):
                n, of = (counts.value(kind, group, name) for name in (one.numerator, one.denominator))
                known = bool(np.isfinite([n, of]).all()) and of > 0
                lower, upper = value_interval("share", n, of, level=level) if known else (np.nan, np.nan)
                rows.append((kind, one.name, group, n, of, n / of if known else np.nan, lower, upper, level))
    columns = ["kind", "share", "group", "numerator", "denominator", "value", "lower", "upper", "level"]
    return pd.DataFrame(rows, columns=columns)


def stratum_tests(counts: StratumCounts, shares: Sequence[Compared]) -> tuple[StratumTest, ...]:
    """Test each share among the groups of each kind: Pearson's chi-squared test, adjusted by Holm over all tests made.

    Examples
    --------
    >>> from analysis.quarter.access.stratum_counts import Compared, StratumCounts
    >>> rows = [("sex", group, name, n) for group, of, better in (("female", 100, 70), ("male", 100, 50))
    ...         for name, n in (("seen", of), ("better", better))]
    >>> counts = StratumCounts("2025", "", pd.DataFrame(rows, columns=["kind", "group", "quantity", "value"]))
    >>> (found,) = stratum_tests(counts, [Compared("better", "better", "seen", "Better")])
    >>> round(found.p, 4), found.differs
    (0.0039, True)
    """
    found = [_tested(counts, kind, one) for kind in counts.kinds for one in shares]
    made = [place for place, one in enumerate(found) if np.isfinite(one.p)]
    if made:
        adjusted = adjusted_p_values(np.array([found[place].p for place in made]), "holm")
        for place, value in zip(made, adjusted, strict=True):
            found[place] = replace(found[place], p_adjusted=float(value))
    return tuple(found)


def _tested(counts: StratumCounts, kind: str, one: Compared) -> StratumTest:
    groups = counts.groups(kind)
    known = []
    for group in groups:
        n, of = (counts.value(kind, group, name) for name in (one.numerator, one.denominator))
        if np.isfinite([n, of]).all() and of > 0:
            known.append((group, n, of))
    nobody = ("", float("nan"))
    if len(known) < 2:
        return StratumTest(kind, one, len(groups), len(known), nobody, nobody, float("nan"), float("nan"))
    table = np.array([[n, of - n] for _, n, of in known])
    p = float("nan")
    if (table.sum(axis=0) > 0).all() and stats.contingency.expected_freq(table).min() >= _FEWEST_EXPECTED:
        p = float(stats.chi2_contingency(table, correction=False).pvalue)
    shares = sorted((n / of, group) for group, n, of in known)
    low, high = ((shares[i][1], shares[i][0]) for i in (0, -1))
    return StratumTest(kind, one, len(groups), len(known), low, high, p, float("nan"))

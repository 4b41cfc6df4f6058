"""How sure a signal of a release is: at most 5 of 100 releases without any change have one, over all that is judged."""

from __future__ import annotations

#: Share of releases without any change that may have a signal.
RELEASES_WITH_A_SIGNAL = 0.05
#: Its parts, which add up to it (design choice): charts in the quarter, charts in the year before, sites by the main outcome,
#: sites by all other indicators. Each is divided equally among the comparisons of its part, so that together they are met
#: by chance no more often than the part says, however they depend on each other (Bonferroni's inequality).
CHARTS, YEAR_BEFORE, SITES, OTHER_SITES = 0.02, 0.01, 0.01, 0.01


def limit_of_each(part: float, comparisons: int) -> float:
    """Give the p value up to which each of the comparisons of a part is a signal; 0 where nothing is compared.

    Examples
    --------
    >>> limit_of_each(SITES, 20)
    0.0005
    """
    return part / comparisons if comparisons else 0.0

"""Sites that have a signal: further from the whole than chance takes one in few releases, over all sites judged."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.quarter.signal_level import OTHER_SITES, SITES, limit_of_each

if TYPE_CHECKING:
    from collections.abc import Mapping

    import pandas as pd

    from analysis.quarter.sites.case_mix import CaseMix
    from analysis.quarter.sites.funnel import Funnel


def main_site_signals(funnel: Funnel | None, adjusted: CaseMix | None) -> pd.DataFrame | None:
    """Give the sites with a signal by the main outcome: after adjustment where something was adjusted for.

    Parameters
    ----------
    funnel : Funnel or None
        Sites about the whole; None where there is none.
    adjusted : CaseMix or None
        The same after adjustment; it is passed over where nothing was adjusted for.

    Returns
    -------
    pandas.DataFrame or None
        Rows of the table of the one that judges, those with a p value (or twice the smaller tail of the posterior) up to
        :data:`analysis.quarter.signal_level.SITES` over the number of sites judged; None where no site is judged.

    Notes
    -----
    A funnel of many sites has some beyond 99.8 % limits by chance, so its limits follow their number: Spiegelhalter, Stat
    Med 2005;24:1185. Estimates shrunk towards the whole need less of it; they get the same.

    Examples
    --------
    >>> import pandas as pd
    >>> from analysis.quarter import funnel
    >>> sites = pd.DataFrame({"site": ["a", "b"], "numerator": [140, 100], "denominator": 200})
    >>> main_site_signals(funnel(sites, target=0.7), None)["site"].tolist()
    ['b']
    """
    if adjusted is not None and adjusted.is_adjusted:
        return adjusted.table[adjusted.table["tail"] <= limit_of_each(SITES, len(adjusted.table))]
    return None if funnel is None else funnel.table[funnel.table["p_value"] <= limit_of_each(SITES, len(funnel.table))]


def other_site_signals(funnels: Mapping[str, Funnel | None]) -> dict[str, pd.DataFrame]:
    """Give the sites with a signal by every other indicator, all their comparisons counted together.

    Parameters
    ----------
    funnels : mapping of str to Funnel or None
        Sites about the whole, by name of the indicator.

    Returns
    -------
    dict of str to pandas.DataFrame
        Rows of the table of each funnel that there is.

    Examples
    --------
    >>> other_site_signals({"harms": None})
    {}
    """
    there = {name: one.table for name, one in funnels.items() if one is not None}
    limit = limit_of_each(OTHER_SITES, sum(len(one) for one in there.values()))
    return {name: one[one["p_value"] <= limit] for name, one in there.items()}

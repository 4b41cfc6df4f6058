"""RESPOND, without rows: a comparison of protocols from sums of parts, which sites send that share no row.

- ``agreed``: What the parts agree on before they are counted: the endpoint, the weeks, the names, the visits' plan.
- ``planning``: Those things read off a cohort like theirs.
- ``layout``: The cells that every part fills, so that parts add up cell by cell.
- ``sums``: Counts and sums of a part, and of parts together.
- ``sums_file``: Sums of a part written to a file, to be added another time.
- ``counting``: A cohort becomes sums, by the functions that count a whole cohort.
- ``visits_of_curves``: The visits that the recovery curves of all parts are fitted to.
- ``tables_of_sums``: Tables from sums, finished as those of a whole cohort are.
- ``registry``: A registry that does not fit into memory: parts counted one after the other, and a sample of rows.
- ``comparison``: The tables of a comparison of protocols from sums: what a whole cohort gives, and what only rows could.

Room ``sites``: what sites that share no row send, and how it is combined.
"""

from analysis.pooled.agreed import PoolingPlan, read_pooling_plan
from analysis.pooled.comparison import PooledComparison, compare_from_sums
from analysis.pooled.counting import cohort_sums
from analysis.pooled.planning import plan_pooling
from analysis.pooled.sites.combining import PooledSites, combine_sites, read_network, write_network
from analysis.pooled.sites.site_file import SiteSums, read_site_sums, summarise_site, write_site_sums
from analysis.pooled.sums import CohortSums
from analysis.pooled.sums_file import read_cohort_sums, write_cohort_sums

__all__ = [  # noqa: RUF022 - in the order of the work
    "plan_pooling",  # a cohort like those of the parts -> what they agree on
    "read_pooling_plan",
    "PoolingPlan",
    "cohort_sums",  # a part, and the plan -> its counts and sums, which add up
    "CohortSums",
    "write_cohort_sums",
    "read_cohort_sums",
    "summarise_site",  # the same with the moments of its visits, for a site that shares no row
    "write_site_sums",
    "read_site_sums",
    "SiteSums",
    "combine_sites",  # the files of the sites -> their sums, where they fit
    "write_network",
    "read_network",
    "PooledSites",
    "compare_from_sums",  # sums, and moments -> the comparison of protocols
    "PooledComparison",
]

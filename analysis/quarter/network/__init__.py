"""A network of sites that share counts and no rows: each counts its own cohort, one office combines.

- ``shared_counts``: The counts of one site or of several, with their definitions; small ones may be intervals.
- ``counts_file``: The file that a site sends: written, and read strictly.
- ``shared_case_mix``: A case-mix model that one site fits and the others apply: coefficients and coding, no patients.
- ``aggregate``: Count a cohort for the office that combines: every quantity by period and site, expected sums.
- ``combine``: Check the files of several sites against each other and add them up.
- ``intervals``: Counts that are known within limits only: tightened by the sums between them, and completed.
- ``combined``: A combined folder, and its counts as a quarter's report takes them: what is not known stays missing.
"""

from analysis.quarter.network.aggregate import aggregate
from analysis.quarter.network.combine import combine
from analysis.quarter.network.combined import (
    NETWORK_FILE,
    TABLE_FILE,
    CombinedCounts,
    combined_table,
    read_combined,
    with_unknown_hidden,
    write_combined,
)
from analysis.quarter.network.counts_file import read_counts, write_counts
from analysis.quarter.network.shared_case_mix import SharedCaseMix, fit_case_mix, read_case_mix, write_case_mix
from analysis.quarter.network.shared_counts import SharedCounts

__all__ = [  # noqa: RUF022 - in the order of the work
    "aggregate",  # a site counts
    "SharedCounts",
    "write_counts",
    "read_counts",
    "fit_case_mix",
    "SharedCaseMix",
    "write_case_mix",
    "read_case_mix",
    "combine",  # the office adds up
    "write_combined",
    "NETWORK_FILE",
    "TABLE_FILE",
    "read_combined",  # a report reads
    "CombinedCounts",
    "combined_table",
    "with_unknown_hidden",
]

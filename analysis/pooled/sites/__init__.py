"""What sites that share no row send, and how it is combined.

- ``sealed``: Files with the hash of what they hold, read by the plan and version they were made by.
- ``site_file``: What one site sends: sums, and moments of its visits; written, and read strictly.
- ``first_round``: Patients by pattern of visits and level, pooled first, so that sites leave out what is rare among all.
- ``masks``: Numbers that say nothing alone: masks of pairs of sites cancel in the sum.
- ``masked_site``: What one site sends masked: all its numbers in one row.
- ``combining``: The files of the sites checked against each other and added up.
"""

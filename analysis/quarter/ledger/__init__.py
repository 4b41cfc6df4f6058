"""What earlier releases showed, and what a new one must hide because of it.

- ``entries``: The release ledger: a file beside the cohort with what earlier releases showed, and nothing else.
- ``openness``: Which counts a reader may think to be 11 or more: found by moving a few quantities at a time, then all of them.
- ``system``: One system of the counts of all releases: what a reader of them all knows of every count.
- ``single_quarters``: Counts of one quarter at a site of which only several quarters together were shown.
- ``protection``: What a new release must hide so that no reader of it and of all earlier ones can tell a small count.
"""

"""Figures of a comparison among patients made alike.

- ``balance_figure``: how far the groups lay apart at the start, before and after weighting.
- ``score_figure``: the chances of each protocol, by the protocol that patients had.
- ``adjusted_figure``: means by week among patients made alike, those without balance in grey behind.
"""

"""Sites beside each other, by name and never ranked.

- ``funnel``: Funnel plots: sites against exact limits about the whole, with over-dispersion checked; never a ranking.
- ``site_effects``: How far sites lie from what is expected of them, in log odds: likelihood integrated exactly, shrunk
  to the whole.
- ``case_mix``: Observed against expected by site: a model of the case mix fitted on the whole, and estimates shrunk
  towards it.
- ``site_signals``: Sites that have a signal: further from the whole than chance takes one in few releases, over all sites judged.
"""

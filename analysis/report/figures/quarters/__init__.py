"""Figures of a quarter: indicators over time, sites, and recovery by quarter of start.

- ``control_chart_figure``: an indicator over time: a control chart, or a run chart where there are too few points.
- ``funnel_figure``: sites: a funnel plot about the whole, and observed against expected by name.
- ``over_blocks_figure``: sites over blocks of quarters: a panel a site, by name, each against the line of all of them.
- ``curves_by_quarter_figure``: recovery curves by group of quarters: model means, and no single patient.
- ``small_line``: the last periods of an indicator as a small line: its points, what its chart takes for chance, and its target.
- ``summary_picture``: the summary of a quarter as a picture for a slide: a row an indicator, its small line among the words.
- ``free_places``: names beside marks, each where nothing else lies.
"""

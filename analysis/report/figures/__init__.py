"""Figures of results, each with its sentence and its table.

- ``adherence_figures``: time to stopping, stimulation delivered, classes of adherence.
- ``difference_figure``: differences by week, against the line of no difference.
- ``dose_change_figures``: sessions against recovery: the patients, and the slopes with what they can and cannot say.
- ``flow_figure``: the flow of patients as a diagram: all, with a baseline, seen at each week, lost and why.
- ``model_figures``: whether a mixed model fits: residuals, their quantiles, and the patients' effects.
- ``programme_figures``: sessions by week, patients with any harm, missing visits.
- ``recovery_figure``: recovery curves: model means by week with their intervals, and the patients behind them.
- ``recovery_drawing``: how they are drawn: wide, narrow, in one panel, low on a printed page.
- ``forest``: one row a protocol with its estimate and interval: what a slide shows of many protocols.
- ``forest_figures``: all outcomes in standard deviations, and differences within groups of patients.
- ``responder_figures``: how far patients improved, and how many reached a threshold.
- ``seen_figure``: the values as they were measured, week by week.
- ``sensitivity_figures``: missing data: analyses side by side, the tipping point, whether probabilities are right.

The room ``balanced`` has the figures of a comparison among patients made alike, the room ``thresholds`` those of
thresholds, the room ``quarters`` those of a quarter.
"""

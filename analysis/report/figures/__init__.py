"""Figures of results, each with its sentence and its table.

- ``adherence_figures``: Figures of adherence: time to stopping, stimulation delivered, classes of adherence.
- ``difference_figure``: The figure and the table of differences by week, against the line of no difference.
- ``dose_change_figures``: Figures of home sessions against recovery: the patients, and the slopes with what they can
  and cannot say.
- ``flow_figure``: The flow of patients as a diagram: allocated, with a baseline, seen at each week, lost and why.
- ``model_figures``: Figures that show whether a mixed model fits: residuals, their quantiles, and the patients'
  effects.
- ``programme_figures``: Figures of the home programme and of missing visits.
- ``recovery_figure``: The figure of recovery curves: model means by week with their intervals, and the patients
  behind them.
- ``reliability_figures``: Figure and tables of reliability: agreement of repeated measurements, their error, and what
  a change must exceed.
- ``responder_figures``: Figures of responders: how far patients improved, and how many reached a threshold.
- ``seen_figure``: The figure of the values as they were measured, week by week.
- ``sensitivity_figures``: Figures of missing data: analyses side by side, the tipping point, and whether
  probabilities of response are right.
- ``threshold_figures``: Figures of thresholds: several methods side by side against the error of one test;
  improvement by the anchor.
- ``control_chart_figure``: The figure of an indicator over time: a control chart, or a run chart where there are too
  few points.
- ``funnel_figure``: The figures of sites: a funnel plot about the whole, and observed against expected by name.
"""

"""EXPLORE: look at a cohort without writing code; pictures and words of the rooms below, chosen by widgets.

- ``view``: What is looked at: picture, measure, limb, week, protocols, group of patients, criterion, threshold, patient.
- ``patients_of``: A cohort of some protocols, or of one group of patients.
- ``last_seen_figure``: How many patients were still to be seen, by week.
- ``found``: What a view shows, with how many were seen, and its words; no verdict is given of what was looked for.
- ``looking``: A view of a cohort, computed, with its picture.
- ``code``: The cell of a notebook that makes the picture of a view.
- ``panel``: Widgets over a cohort folder; a change of one gives the next picture.
"""

from analysis.exploring.last_seen_figure import last_seen_figure
from analysis.exploring.looking import Looked, look
from analysis.exploring.panel import Explorer, explore
from analysis.exploring.patients_of import patients_of
from analysis.exploring.view import View

__all__ = ["Explorer", "Looked", "View", "explore", "last_seen_figure", "look", "patients_of"]

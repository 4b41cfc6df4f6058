"""The capstones: a report on an unseen cohort that is held against the truth, and one on own data with a self-check list.

- ``study``: The study as a resident is told it, and the names of what can go wrong with its data.
- ``mending``: Two ways to mend a cohort: values of one site changed, patients left out.
- ``planting``: Six problems, each planted into a cohort whose truth is known.
- ``unseen``: The unseen cohort, made from a seed alone.
- ``claims``: What a report claims, in a closed vocabulary, kept in one file.
- ``knowable``: What a cohort lets one know: the difference, shares, who was not seen.
- ``honest``: An honest report made from the observed data alone, for instructors and tests.
- ``marks``: A mark: one claim, what was said, how it stands, and why.
- ``marking_difference``: Marks of the claims about the difference.
- ``marking``: Marks of all claims.
- ``page``: The page of marks.
- ``report``: The report of the resident, claim by claim.
- ``self_check``: A question for each of the fifteen common errors.
- ``folder``: Folders that are written and marked.
"""

from analysis.lessons.capstone.claims import Claims
from analysis.lessons.capstone.folder import mark_folder, write_capstone, write_own_data
from analysis.lessons.capstone.knowable import lost_and_seen
from analysis.lessons.capstone.marks import Mark
from analysis.lessons.capstone.mending import change_values, leave_out
from analysis.lessons.capstone.report import CapstoneReport, start_report

__all__ = [
    "CapstoneReport",
    "Claims",
    "Mark",
    "change_values",
    "leave_out",
    "lost_and_seen",
    "mark_folder",
    "start_report",
    "write_capstone",
    "write_own_data",
]

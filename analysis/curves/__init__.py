"""FIT: mixed-effects recovery curves by week.

- ``mixed_model``: Fit a linear mixed model to visits, and what can be asked of the fit.
- ``means``: Model means by week, and differences between groups, with intervals.
- ``description``: A fit in words and tables: what a notebook or terminal shows of it.
- ``nested``: Whether one fit is a special case of another.
- ``comparison``: Compare two nested fits by their likelihoods.
- ``own_curve``: One patient's own curve, given some of the visits: also of a patient that the fit has not seen.
- ``patients``: What the model says of single patients: their effects, residuals, predictions and expected curves.
- ``first_converged``: Fit one mean with several covariances in turn, and take the first that converges.
- ``covariates``: What a comparison is adjusted for beside the baseline: columns of the patients, as they are or as a curve.
- ``recovery_choices``: What the recovery-curve model of a report takes from the design of the cohort.
- ``recovery_design``: What recovery curves are fitted to, and by which mean: settled before any value is looked at.
- ``recovery``: The recovery-curve model of a report: chosen from the design of the cohort, never from its results.
- ``second_opinion``: The same model through another program, side by side.
- ``patient_on_cohort``: One patient beside the rest of the cohort: centiles, visits, and the weeks ahead.
"""

from analysis.curves.formula.gathered import plan_moments, visit_moments
from analysis.curves.mixed_model import MixedModel, fit_mixed
from analysis.curves.own_curve import expected_given_visits
from analysis.curves.recovery import RecoveryCurves, fit_recovery
from analysis.curves.rows.moment_disclosure import MomentDisclosure
from analysis.curves.rows.moment_plan import MomentPlan, read_moment_plan
from analysis.curves.rows.moments import VisitMoments, read_moments
from analysis.curves.second_opinion import SecondOpinion, second_opinion

__all__ = [  # noqa: RUF022 - in the order of the work
    "fit_recovery",  # the model of the reports
    "RecoveryCurves",
    "fit_mixed",  # any linear mixed model
    "MixedModel",
    "visit_moments",  # the sums that a fit needs, without rows: kept, added, sent
    "read_moments",
    "VisitMoments",
    "MomentDisclosure",  # what a file of them would tell of single patients
    "plan_moments",  # what parts agree on before their moments are gathered
    "read_moment_plan",
    "MomentPlan",
    "expected_given_visits",  # the expected curve of a patient that the fit has not seen
    "second_opinion",  # the same fit by another library
    "SecondOpinion",
]

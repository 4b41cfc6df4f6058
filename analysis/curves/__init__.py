"""FIT: mixed-effects recovery curves by week."""

from analysis.curves.formula.design import visit_moments
from analysis.curves.mixed_model import MixedModel, fit_mixed
from analysis.curves.own_curve import expected_given_visits
from analysis.curves.recovery import RecoveryCurves, fit_recovery
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
    "expected_given_visits",  # the expected curve of a patient that the fit has not seen
    "second_opinion",  # the same fit by another library
    "SecondOpinion",
]

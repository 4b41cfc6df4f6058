"""FIT: mixed-effects recovery curves by week."""

from analysis.curves.mixed_model import MixedModel, fit_mixed
from analysis.curves.moments import VisitMoments
from analysis.curves.own_curve import expected_given_visits
from analysis.curves.patients import expected_curve
from analysis.curves.recovery import RecoveryCurves, fit_recovery
from analysis.curves.second_opinion import second_opinion

__all__ = [
    "MixedModel",
    "RecoveryCurves",
    "VisitMoments",
    "expected_curve",
    "expected_given_visits",
    "fit_mixed",
    "fit_recovery",
    "second_opinion",
]

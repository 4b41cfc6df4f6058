"""RESPOND: who was followed up, who improved enough, what was done at home, what went missing."""

from analysis.outcomes.change.change import change_at_week, change_frame
from analysis.outcomes.change.gap_regained import GapRegained, gap_regained
from analysis.outcomes.change.regression_to_mean import (
    ChosenGroupChange,
    RegressionToMean,
    chosen_group_change,
    regression_to_mean,
)
from analysis.outcomes.chosen_endpoint import choose_endpoint
from analysis.outcomes.comparisons.compare_outcomes import OutcomesInOrder, compare_outcomes
from analysis.outcomes.comparisons.effect_size import standardised_difference
from analysis.outcomes.comparisons.harm_differences import harm_differences
from analysis.outcomes.comparisons.subgroups import SubgroupDifferences, subgroup_differences
from analysis.outcomes.endpoint import Endpoint
from analysis.outcomes.fitting_endpoint import fitting_endpoint
from analysis.outcomes.home_programme.adherence_association import AdherenceAssociation, adherence_association
from analysis.outcomes.home_programme.adherence_classes import AdherenceClasses, adherence_classes
from analysis.outcomes.home_programme.brace_by_week import BraceByWeek, brace_by_week
from analysis.outcomes.home_programme.complier_effect import ComplierEffect, complier_effect
from analysis.outcomes.home_programme.events import EventsByProtocol, events_by_protocol
from analysis.outcomes.home_programme.events_by_week import EventsByWeek, events_by_week
from analysis.outcomes.home_programme.home_dose import HomeDose, home_dose
from analysis.outcomes.home_programme.reported_adherence import ReportedAdherence, reported_adherence
from analysis.outcomes.home_programme.sessions_done import AdherenceByWeek, adherence_by_week
from analysis.outcomes.home_programme.time_to_stopping import TimeToStopping, time_to_stopping
from analysis.outcomes.home_programme.weeks_with_enough import WeeksWithEnough, weeks_with_enough
from analysis.outcomes.missing.missing_analyses import MissingDataAnalyses, missing_data_analyses
from analysis.outcomes.missing.missing_by_week import MissingByWeek, missing_by_week
from analysis.outcomes.missing.missing_patterns import MissingPatterns, missing_patterns
from analysis.outcomes.missing.states_analyses import missing_states_analyses
from analysis.outcomes.missing.tipping_point import TippingPoint, tipping_point
from analysis.outcomes.patients.baseline_table import BaselineTable, baseline_table
from analysis.outcomes.patients.patient_flow import PatientFlow, patient_flow
from analysis.outcomes.responders.change_distribution import ChangeDistribution, change_distribution
from analysis.outcomes.responders.paired_difference import (
    RespondersAtTwoWeeks,
    paired_difference,
    responders_at_two_weeks,
)
from analysis.outcomes.responders.responders import Responders, responders
from analysis.outcomes.responders.states_together import with_states_together
from analysis.outcomes.responders.stratified_difference import stratified_difference, stratified_responders
from analysis.outcomes.thresholds.chosen_threshold import ChosenThreshold, choose_threshold, published_thresholds
from analysis.outcomes.thresholds.found_thresholds import FoundThresholds, find_thresholds
from analysis.outcomes.thresholds.reliability import Reliability, reliability
from analysis.outcomes.true_response.probability_of_response import ProbabilityOfResponse, probability_of_response
from analysis.outcomes.unrandomised.adjusted_means import AdjustedMeans, adjusted_means
from analysis.outcomes.unrandomised.balance_weights import BalanceWeights, balance_weights
from analysis.outcomes.unrandomised.observational_comparison import ObservationalComparison, observational_comparison
from analysis.statistics.calibration import calibration_table
from analysis.statistics.graphical_tests import graphical_test
from analysis.statistics.proportions import NumberNeeded, number_needed_to_treat, share_difference, share_interval

__all__ = [
    "AdherenceAssociation",
    "AdherenceByWeek",
    "AdherenceClasses",
    "AdjustedMeans",
    "BalanceWeights",
    "BaselineTable",
    "BraceByWeek",
    "ChangeDistribution",
    "ChosenGroupChange",
    "ChosenThreshold",
    "ComplierEffect",
    "Endpoint",
    "EventsByProtocol",
    "EventsByWeek",
    "FoundThresholds",
    "GapRegained",
    "HomeDose",
    "MissingByWeek",
    "MissingDataAnalyses",
    "MissingPatterns",
    "NumberNeeded",
    "ObservationalComparison",
    "OutcomesInOrder",
    "PatientFlow",
    "ProbabilityOfResponse",
    "RegressionToMean",
    "Reliability",
    "ReportedAdherence",
    "Responders",
    "RespondersAtTwoWeeks",
    "SubgroupDifferences",
    "TimeToStopping",
    "TippingPoint",
    "WeeksWithEnough",
    "adherence_association",
    "adherence_by_week",
    "adherence_classes",
    "adjusted_means",
    "balance_weights",
    "baseline_table",
    "brace_by_week",
    "calibration_table",
    "change_at_week",
    "change_distribution",
    "change_frame",
    "choose_endpoint",
    "choose_threshold",
    "chosen_group_change",
    "compare_outcomes",
    "complier_effect",
    "events_by_protocol",
    "events_by_week",
    "find_thresholds",
    "fitting_endpoint",
    "gap_regained",
    "graphical_test",
    "harm_differences",
    "home_dose",
    "missing_by_week",
    "missing_data_analyses",
    "missing_patterns",
    "missing_states_analyses",
    "number_needed_to_treat",
    "observational_comparison",
    "paired_difference",
    "patient_flow",
    "probability_of_response",
    "published_thresholds",
    "regression_to_mean",
    "reliability",
    "reported_adherence",
    "responders",
    "responders_at_two_weeks",
    "share_difference",
    "share_interval",
    "standardised_difference",
    "stratified_difference",
    "stratified_responders",
    "subgroup_differences",
    "time_to_stopping",
    "tipping_point",
    "weeks_with_enough",
    "with_states_together",
]

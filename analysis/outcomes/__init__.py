"""RESPOND: who was followed up, who improved enough, what was done at home, what went missing."""

from analysis.outcomes.adherence import AdherenceByWeek, adherence_by_week
from analysis.outcomes.baseline_table import BaselineTable, baseline_table
from analysis.outcomes.change import change_at_week, change_frame
from analysis.outcomes.change_distribution import ChangeDistribution, change_distribution
from analysis.outcomes.chosen_threshold import ChosenThreshold, choose_threshold
from analysis.outcomes.events import EventsByProtocol, events_by_protocol
from analysis.outcomes.missing_data import MissingByWeek, missing_by_week
from analysis.outcomes.patient_flow import PatientFlow, patient_flow
from analysis.outcomes.proportions import number_needed_to_treat, share_difference, share_interval
from analysis.outcomes.responders import Responders, responders

__all__ = [
    "AdherenceByWeek",
    "BaselineTable",
    "ChangeDistribution",
    "ChosenThreshold",
    "EventsByProtocol",
    "MissingByWeek",
    "PatientFlow",
    "Responders",
    "adherence_by_week",
    "baseline_table",
    "change_at_week",
    "change_distribution",
    "change_frame",
    "choose_threshold",
    "events_by_protocol",
    "missing_by_week",
    "number_needed_to_treat",
    "patient_flow",
    "responders",
    "share_difference",
    "share_interval",
]

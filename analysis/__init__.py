"""Recovery curves, responders and reports for home knee-rehabilitation programmes.

The names below are in the order of the work: load, check, fit, respond, report. Each is loaded when it is first used.

What all rooms share:

- ``foreign_text``: Text of others, made visible before it is printed.
- ``errors``: Errors that say what, where and what to do.
- ``counted``: Nouns and verbs in the form that a count asks for.
- ``progress``: How far a long step is, on a terminal.
- ``result``: How every result shows itself.
- ``cluster``: Sums over the partitions of a Dask data frame, and the cluster that makes them.
- ``printing``: What the command line prints.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from analysis.cluster import *
    from analysis.cohort import *
    from analysis.curves import *
    from analysis.errors import *
    from analysis.outcomes import *

__all__ = [  # noqa: RUF022 - in the order of the work
    # load
    "review_columns",  # a folder or file -> what each column seems to be, for a person to decide what may pass
    "deidentify",  # a folder or file -> the same without identifiers, and what was found and done
    "suggest_map",  # a file -> a first map of it
    "import_cohort",  # a file, or a folder of files, and its map -> a cohort, warnings, what visit windows did
    "to_scheduled_weeks",  # a cohort with actual weeks -> scheduled weeks, and that report
    "VisitSchedule",
    "VisitWindow",
    "load_cohort",  # a cohort folder -> a cohort, or some of its patients and columns
    "cohort_parts",  # a cohort folder in parts -> one cohort after the other
    "write_cohort",  # a cohort -> a cohort folder, in parts where asked
    "Cohort",  # the tables of a cohort
    "load_catalogue",  # the outcome measures that the kit knows
    "Measure",
    "Measures",
    "Threshold",
    # check
    "check_cohort",  # every problem of a cohort in one table
    "check_folder",  # the same for a folder that may not even load
    "CheckReport",
    "disclosure_risk",  # how many patients share what others may know: k-anonymity, l-diversity
    # fit
    "visit_frame",  # one measure, one row a visit: what models take
    "torque_per_kg",  # torque in N·m over the body mass of the nearest visit or the baseline, said which
    "fit_recovery",  # the recovery-curve model of the reports
    "RecoveryCurves",
    "fit_mixed",  # a mixed model of your own
    "MixedModel",
    "visit_moments",  # sufficient statistics by visit pattern: a fit without rows; they are kept, added, sent
    "read_moments",  # from the file they were saved in
    "VisitMoments",
    "MomentDisclosure",  # what a file of moments would tell of single patients
    "plan_moments",  # weeks, levels and scopes that parts agree on before their moments are gathered
    "read_moment_plan",
    "MomentPlan",
    "open_cluster",  # a Dask cluster, here or elsewhere, on which moments of Dask data frames are gathered
    "second_opinion",  # the same model through statsmodels
    # respond
    "patient_flow",
    "baseline_table",
    "change_at_week",
    "gap_regained",  # the gap to the other limb, and how much of it was regained
    "regression_to_mean",  # what a group chosen for a low baseline gains without treatment
    "chosen_group_change",  # the same beside what such a group of the cohort gained
    "reliability",  # test-retest data -> correlations, error, detectable change, limits of agreement
    "find_thresholds",  # an anchor -> thresholds of improvement by several methods
    "published_thresholds",  # the catalogue's thresholds, those that fit the cohort first
    "choose_threshold",  # the one a responder analysis takes
    "choose_endpoint",  # measure, limb, week, threshold, rules: what the functions below count, compare or impute
    "fitting_endpoint",  # the one that fits a measure, by procedure and what weeks count from
    "with_states_together",  # a state of several measures together
    "responders",  # who reached it, by protocol
    "change_distribution",  # the share at every threshold
    "probability_of_response",  # how likely each true change reaches the threshold, error and missed visits counted in
    "calibration_table",  # probabilities beside what was true
    "compare_outcomes",  # a primary and secondary outcomes, tested in order with one error
    "subgroup_differences",  # differences within groups of patients, and whether they differ
    "observational_comparison",  # protocols that nobody drew lots for, by week: weights and mixed model, the crude one beside
    "adjusted_means",  # the same of one value a patient
    "balance_weights",  # scores, weights and balance of patients who were not randomised
    "graphical_test",  # p values, weights and transitions -> which are rejected
    "standardised_difference",  # differences in standard deviations
    "adherence_by_week",
    "weeks_with_enough",  # share of weeks with enough of the sessions done
    "home_dose",  # minutes, and stimulation delivered
    "reported_adherence",  # sessions reported against sessions logged
    "time_to_stopping",  # when patients stopped their home sessions
    "adherence_classes",  # courses of adherence, described
    "adherence_association",  # home sessions and recovery: associations, each labelled
    "complier_effect",  # the effect of the home dose, by the allocation of a trial
    "events_by_protocol",
    "harm_differences",  # the shares of patients with each harm, compared
    "brace_by_week",  # brace limits in force, and who bent as far
    "events_by_week",  # harms beside the sessions done, week by week
    "missing_by_week",
    "missing_patterns",  # who is missing, by pattern of visits and state at the start
    "missing_data_analyses",  # the comparison under several assumptions about the missing, side by side
    "missing_states_analyses",  # the same of states of several measures together
    "tipping_point",  # how far missing values would have to lie off before the finding turns
    # what these give
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
    "DeidentificationReport",
    "DisclosureRisk",
    "Endpoint",
    "EventsByProtocol",
    "EventsByWeek",
    "FailedCheckError",
    "FoundThresholds",
    "GapRegained",
    "HomeDose",
    "Imported",
    "MissingByWeek",
    "MissingDataAnalyses",
    "MissingPatterns",
    "NumberNeeded",
    "ObservationalComparison",
    "OutcomesInOrder",
    "PatientFlow",
    "Prescription",
    "ProbabilityOfResponse",
    "Provenance",
    "RegressionToMean",
    "Reliability",
    "ReportedAdherence",
    "Responders",
    "RespondersAtTwoWeeks",
    "Review",
    "ScheduleReport",
    "SecondOpinion",
    "Source",
    "SubgroupDifferences",
    "TimeToStopping",
    "TippingPoint",
    "UsualSession",
    "WeeksWithEnough",
    # errors and warnings, each with what to do
    "KneecurveError",
    "CohortError",
    "DeidentificationError",
    "ModelError",
    "ReportError",
    "KneecurveWarning",
    "CohortWarning",
    "BoundaryWarning",
    "ConvergenceWarning",
    "InferenceWarning",
    "DesignWarning",
    "DistributionWarning",
]

_HOMES = ("errors", "cluster", "cohort", "curves", "outcomes")


def __getattr__(name: str) -> Any:
    if name in __all__:
        for home in _HOMES:
            package = importlib.import_module(f"analysis.{home}")
            if name in package.__all__:
                value = globals()[name] = getattr(package, name)
                return value
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    return __all__

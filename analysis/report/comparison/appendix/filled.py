"""Analyses of completed data as a comparison shows them: at the level of its verdicts, and of states counted together."""

from collections.abc import Mapping
from typing import Any

import pandas as pd
from scipy.special import stdtrit

from analysis.cohort.tables import Cohort
from analysis.outcomes import Endpoint, MissingDataAnalyses, missing_states_analyses
from analysis.report.comparison.results import Lacking, found_or_lacking


def at_level(differences: pd.DataFrame, level: float) -> pd.DataFrame:
    """Give the intervals of differences, all by t, at another level."""
    half = stdtrit(differences["df"], (1 + level) / 2) * differences["std_error"]
    estimate = differences["difference"]
    return differences.assign(lower=estimate - half, upper=estimate + half, level=level)


def states_filled(
    cohort: Cohort, endpoint: Endpoint, parameters: Mapping[str, Any], draws: int
) -> MissingDataAnalyses | Lacking:
    """Compare states counted together under several assumptions about what is missing; or say what the data lack for it."""
    return found_or_lacking(
        "enough to fill the missing values of the states counted together. ",
        lambda: missing_states_analyses(cohort, endpoint, parameters["together"], draws=draws),
    )

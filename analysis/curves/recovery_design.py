"""What recovery curves are fitted to, and by which mean: settled by who was measured when, before any value is looked at."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, get_args

import pandas as pd

from analysis.cohort.measures import Measure
from analysis.cohort.reference import reference_protocol
from analysis.cohort.tables import Cohort
from analysis.cohort.visit_frame import visit_frame
from analysis.curves.covariates import (
    further_covariates,
    left_out_for_want_of,
    with_covariates,
    with_named_covariates,
)
from analysis.curves.recovery_choices import (
    after_baseline,
    baseline_among_outcomes,
    choose_primary_week,
    fixed_terms,
    has_schedule,
    weeks_to_report,
    with_reference_first,
)
from analysis.errors import ModelError, check_choice

BaselineAs = Literal["covariate", "outcome"]


@dataclass(frozen=True, eq=False)
class CurveDesign:
    """The design of recovery curves; fields as of :class:`analysis.curves.recovery.RecoveryCurves`.

    ``terms`` is the formula of the mean.
    """

    measure: Measure
    limb: str
    frame: pd.DataFrame
    visits: pd.DataFrame
    terms: str
    weeks: tuple[float, ...]
    primary_week: float
    primary_week_rule: str
    protocols: tuple[str, ...]
    scheduled: bool
    baseline_adjusted: bool
    n_without_baseline: int
    choices: tuple[str, ...]
    covariates: tuple[str, ...]
    baseline_outcome: bool


def design_curves(
    cohort: Cohort,
    measure: str,
    *,
    limb: str | None = None,
    primary_week: float | None = None,
    reference: str | None = None,
    adjust_for: Sequence[str] | None = None,
    baseline_as: BaselineAs = "covariate",
) -> CurveDesign:
    """Settle what :func:`analysis.curves.recovery.fit_recovery` fits; parameters and errors as there.

    Of the values only one thing is asked: whether the baseline is the same in every patient.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> design_curves(generate_cohort(patients=90, seed=3).observed, "quadriceps_torque").terms
    'value ~ protocol * C(week) + baseline * C(week) + site'
    """
    check_choice(baseline_as, get_args(BaselineAs), "way to take the baseline in", error=ModelError)
    named = None
    if adjust_for is not None:
        cohort, named = with_named_covariates(cohort, adjust_for)
    visits, nameless, where = values_with_protocol(cohort, measure, limb)
    visits = with_reference_first(visits, reference_protocol(cohort, visits["protocol"], reference))
    as_outcome = baseline_as == "outcome"
    if as_outcome:
        frame, choices = baseline_among_outcomes(visits, where)
        baseline_adjusted, n_without_baseline = False, 0
    else:
        frame, baseline_adjusted, n_without_baseline, choices = after_baseline(visits, where)
    covariates = further_covariates(frame) if named is None else named
    frame, more = with_covariates(frame, covariates, named=named is not None)
    counts = (frame[frame["week"] > 0] if as_outcome else frame).groupby("week")["patient_id"].nunique()
    scheduled = has_schedule(counts)
    protocols = tuple(str(name) for name in frame["protocol"].cat.categories)
    week, rule = choose_primary_week(counts, primary_week, where, scheduled=scheduled)

    adjusted_for = (*(["baseline"] if baseline_adjusted else []), *covariates)
    terms = fixed_terms(frame, protocols, scheduled=scheduled, adjusted_for=adjusted_for, from_one_start=as_outcome)
    return CurveDesign(
        measure=cohort.measures[measure],
        limb=str(frame["limb"].iloc[0]) if "limb" in frame else (limb or "none"),
        frame=frame,
        visits=visits,
        terms=terms,
        weeks=weeks_to_report(counts, week, scheduled=scheduled),
        primary_week=week,
        primary_week_rule=rule,
        protocols=protocols,
        scheduled=scheduled,
        baseline_adjusted=baseline_adjusted,
        n_without_baseline=n_without_baseline,
        choices=(*left_out_for_want_of(nameless, "protocol"), *choices, *more),
        covariates=covariates,
        baseline_outcome=as_outcome,
    )


def values_with_protocol(cohort: Cohort, measure: str, limb: str | None) -> tuple[pd.DataFrame, int, str]:
    """Give the values of a measure, how many patients are left out for want of a protocol, and where to look."""
    visits = visit_frame(cohort, measure, limb)
    where = f"measure {measure!r}" + (f", limb {limb!r}" if limb else "")
    visits = visits[visits["value"].notna()]
    nameless = visits.loc[visits["protocol"].isna(), "patient_id"].nunique()
    visits = visits[visits["protocol"].notna()]
    if visits.empty:
        raise ModelError("There is no value to fit.", where=where, what_to_do="Choose a measure that was taken.")
    return visits, nameless, where

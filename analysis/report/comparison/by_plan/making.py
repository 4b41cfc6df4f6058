"""Make the plan of a protocol comparison: every choice that the report would make, before the outcomes are looked at."""

import inspect
import warnings
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from analysis.cohort import Cohort
from analysis.curves.covariates import with_named_covariates
from analysis.curves.first_converged import fit_first_that_converges
from analysis.curves.mixed_model import fit_mixed
from analysis.curves.recovery_choices import covariance_order
from analysis.curves.recovery_design import design_curves
from analysis.errors import KneecurveWarning, ReportError
from analysis.outcomes.comparisons.compare_outcomes import week_of_outcome
from analysis.outcomes.responders.states_together import with_states_together
from analysis.report.comparison.by_plan.contents import Chosen, analyses_of_missing, analysis_of, baseline_of
from analysis.report.comparison.parameters import (
    ComparisonParameters,
    allocation_of,
    refuse_unknown,
    usual_measure,
)
from analysis.report.comparison.responder_choice import endpoints_of
from analysis.report.planned.design import PlanDesign, design_of
from analysis.report.planned.parts import PlannedAnalysis
from analysis.report.planned.plan import AnalysisPlan
from analysis.report.running.record import time_stamp, versions


def plan_analysis(source: Cohort | Path | str, *, parameters: Mapping[str, Any] | None = None) -> AnalysisPlan:
    """Make the plan of a protocol comparison before the outcomes are looked at.

    Parameters
    ----------
    source : Cohort, Path or str
        A cohort or its folder, of which it is taken who is in which protocol, what was measured when, and the columns of the
        patients, and no measured value; or a design file, see Notes.
    parameters : mapping, optional
        Parameters of the report ``protocol_comparison`` but the folder; what is not named is resolved as the report would, and
        written out.

    Returns
    -------
    AnalysisPlan
        The plan with its hash; :func:`analysis.report.write_plan` writes it, and the document that is signed.

    Raises
    ------
    ReportError
        The source or a parameter is not known or of the wrong type, no reference is named, or there is one protocol only.
    CohortError, ModelError
        A measure, week, covariate or threshold does not fit the design.

    Notes
    -----
    A design file in TOML::

        protocols = ["usual", "early motion"]
        reference = "usual"
        visit_weeks = [0, 6, 12, 26]
        measures = ["quadriceps_torque", "ikdc"]  # or a table: ikdc = [0, 12, 26]
        procedure = "ligament reconstruction"
        counted_from = "surgery"      # or "programme"
        allocation = "randomised"     # or "observational"
        sites = ["A", "B"]
        [covariates]
        sex = ["female", "male"]      # labels
        age_years = [16, 60]          # or the lowest and the highest number

    The first four but ``reference`` are needed. Of a measure of limbs both are measured, or the one named:
    ``"quadriceps_torque involved"``. A scenario file of :mod:`synthetic_cohort` is a design too.

    Who was measured when may change what is planned (a week that few attended is no primary week unless it is named); a cohort of
    which only the first visits are in is therefore planned better from a design file.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> cohort = generate_cohort(patients=90, seed=3).observed
    >>> plan = plan_analysis(cohort, parameters={"secondary": ["ikdc"]})
    >>> plan.analysis.endpoint.primary_week, plan.analysis.responders[0].threshold
    (26.0, 90.0)
    >>> plan.edited
    False
    """
    given = dict(parameters or {})
    if "plan" in given:
        raise ReportError(
            "A plan follows no other plan.", where="parameter plan", what_to_do="Name the parameters that are planned."
        )
    asked = ComparisonParameters.checked("", given)
    asked.refuse_what_cannot_be()
    design = design_of(source)
    asked = ComparisonParameters.checked("", {**design.named, **given})
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", KneecurveWarning)  # what fits or not is in the words of the endpoints
        analysis = _planned(design, asked)
    return AnalysisPlan.of(analysis, kit=versions()["kneecurve"], made=time_stamp()[:10])


def _planned(design: PlanDesign, asked: ComparisonParameters) -> PlannedAnalysis:
    cohort = design.cohort
    if len(cohort.patients["protocol"].dropna().unique()) < 2:
        raise ReportError(
            "There is one protocol only, so no comparison can be planned.",
            where=f"protocols: {', '.join(cohort.protocols) or 'none'}",
            what_to_do="Give a cohort or a design of two protocols or more.",
        )
    reference = asked.reference or cohort.reference
    if reference is None:
        raise ReportError(
            "No reference is named, and a plan must say which protocol the others are compared with.",
            where=f"protocols: {', '.join(cohort.protocols)}",
            what_to_do='Name it: --set "reference=\'...\'", or reference = "..." in the map or the design.',
        )
    allocation = allocation_of(cohort, asked)
    cohort = with_states_together(cohort, asked.together) if asked.together else cohort
    named = None
    if asked.adjust_for is not None:
        cohort, named = with_named_covariates(cohort, asked.adjust_for)
    name = asked.measure or usual_measure(cohort)
    refuse_unknown(cohort, name, asked)
    curves = design_curves(
        cohort, name, limb=asked.limb, primary_week=asked.primary_week, reference=reference, adjust_for=named,
        baseline_as=asked.baseline_as,
    )  # fmt: skip
    week = curves.primary_week
    endpoints, _ = (
        endpoints_of(cohort, name, asked.limb, week, reference, asked.responders, level=asked.level)
        if curves.scheduled
        else ((), "")
    )
    others = [design_curves(cohort, one, reference=reference, adjust_for=named) for one in asked.secondary]
    analyses, of_responders = analyses_of_missing(curves.measure, endpoints, scheduled=curves.scheduled)
    return analysis_of(
        Chosen(
            cohort=cohort,
            allocation=allocation,
            measure=curves.measure,
            limb=curves.limb,
            weeks=curves.weeks if curves.scheduled else (),
            primary_week=week,
            protocols=curves.protocols,
            scheduled=curves.scheduled,
            mean=curves.terms,
            baseline_as=baseline_of(curves),
            adjust_for=curves.covariates if asked.adjust_for is None else asked.adjust_for,
            unrandomised=asked.given(),
            covariances=covariance_order(curves.frame, scheduled=curves.scheduled),
            likelihood=_default(fit_mixed, "method"),
            inference=_default(fit_first_that_converges, "inference"),
            endpoints=endpoints,
            together=asked.together,
            analyses=analyses,
            analyses_of_responders=of_responders,
            secondary=[(one.measure, one.limb, week_of_outcome(one, week)) for one in others],
            groups=asked.subgroups,
            imputations=asked.imputations,
            enough_sessions=asked.enough_sessions,
            level=asked.level,
            made_from=design.made_from,
        )
    )


def _default(function: object, name: str) -> str:
    return str(inspect.signature(function).parameters[name].default)  # type: ignore[arg-type]

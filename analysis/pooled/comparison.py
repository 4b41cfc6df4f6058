"""The tables of a comparison of protocols from sums: what a whole cohort gives, and what only rows could."""

from __future__ import annotations

import warnings
from dataclasses import dataclass

import pandas as pd

from analysis.counted import counted, form
from analysis.curves.engine.contrasts import Adjust
from analysis.curves.first_converged import fit_first_that_converges
from analysis.curves.mixed_model import MixedModel
from analysis.curves.recovery_choices import covariance_in_words, scheduled_candidates
from analysis.curves.rows.moments import VisitMoments
from analysis.errors import KneecurveWarning, ModelError
from analysis.outcomes.comparisons.harm_differences import harm_differences
from analysis.outcomes.home_programme.events import EventsByProtocol
from analysis.outcomes.home_programme.sessions_done import AdherenceByWeek
from analysis.outcomes.home_programme.time_to_stopping import TimeToStopping
from analysis.outcomes.missing.missing_by_week import MissingByWeek
from analysis.outcomes.patients.baseline_table import BaselineTable
from analysis.outcomes.patients.patient_flow import PatientFlow
from analysis.outcomes.responders.responders import Responders
from analysis.pooled.agreed import PoolingPlan
from analysis.pooled.layout import RECORDED
from analysis.pooled.sums import CohortSums
from analysis.pooled.tables_of_sums import (
    adherence_table,
    allocated_table,
    by_week_table,
    harms_table,
    lost_table,
    missing_table,
    no_rows,
    responders_of,
    start_table,
    stopping_of,
)
from analysis.pooled.visits_of_curves import of_somebody
from analysis.result import ResultWithNotes

#: What a report from rows has and sums do not give.
NEEDS_ROWS = (
    "medians and quartiles",
    "patients' own curves and single visits",
    "residuals of the model",
    "missing values filled in, and how far they would have to lie off",
    "subgroups, and adjustment of the responders",
    "how likely each true change reaches the threshold",
    "weights where nobody drew lots",
    "the home dose beside recovery",
    "who got worse by as much as the threshold",
)


@dataclass(frozen=True, eq=False, repr=False)
class PooledComparison(ResultWithNotes):
    """A comparison of protocols from sums: results as of a cohort with all patients, but for what only rows tell.

    Attributes
    ----------
    plan : PoolingPlan
        By which the parts were counted.
    n_patients : int
        Patients of the protocols.
    flow : PatientFlow
    baseline : BaselineTable
        Without medians, quartiles and extremes.
    means, differences, primary : pandas.DataFrame
        Of the recovery curves by week, and the differences at the primary week with limits adjusted for their number (Bonferroni), as
        of :class:`analysis.curves.RecoveryCurves`; empty where there are none.
    covariance : str
        Patient effects and residual of the curves, in words; empty where there are none.
    n_in_curves, left_out : int
        Patients of the curves; and those whose visits are in none, since few have their pattern or a level within it.
    responders : Responders
        With the distribution at the amounts of the plan.
    events : EventsByProtocol
        The denominator is the patients of parts that record events.
    harm_differences : pandas.DataFrame
    missing : MissingByWeek
    adherence : AdherenceByWeek
        Without medians and quartiles.
    stopping : TimeToStopping
    records_events, records_sessions : int
        Patients of parts that record events, and home sessions.
    records_seriousness : int
        Patients of parts that have no event, or say of some whether it was serious.
    """

    plan: PoolingPlan
    n_patients: int
    flow: PatientFlow
    baseline: BaselineTable
    means: pd.DataFrame
    differences: pd.DataFrame
    primary: pd.DataFrame
    covariance: str
    n_in_curves: int
    left_out: int
    responders: Responders
    events: EventsByProtocol
    harm_differences: pd.DataFrame
    missing: MissingByWeek
    adherence: AdherenceByWeek
    stopping: TimeToStopping
    records_events: int
    records_sessions: int
    records_seriousness: int

    def _headline(self) -> str:
        return f"Comparison of {' and '.join(self.plan.protocols)} from sums. {self.plan.endpoint.words}"


def compare_from_sums(sums: CohortSums, moments: VisitMoments | None, *, left_out: int = 0) -> PooledComparison:
    """Make the tables of a comparison of protocols from the sums of all parts.

    Parameters
    ----------
    sums : CohortSums
        Of all patients.
    moments : VisitMoments, optional
        Of their visits, by the same plan; without them there are no curves.
    left_out : int
        Patients whose visits are not in the moments.

    Returns
    -------
    PooledComparison

    Raises
    ------
    ModelError
        No patient is in any protocol, or nobody of the reference.

    Examples
    --------
    >>> from analysis.pooled.counting import cohort_sums
    >>> from analysis.pooled.planning import plan_pooling
    >>> from synthetic_cohort import generate_cohort
    >>> cohort = generate_cohort(patients=90, seed=1).observed
    >>> found = compare_from_sums(cohort_sums(cohort, plan_pooling(cohort, "pain", week=26)), None)
    >>> int(found.flow.allocated["allocated"].sum())
    90
    """
    plan, tables = sums.plan, {name: table.reset_index() for name, table in sums.tables.items()}
    level, base = plan.endpoint.level, plan.protocols[0]
    in_use = tables["patients"].loc[tables["patients"]["allocated"] > 0, "protocol"].tolist()
    if base not in in_use:
        raise ModelError(
            f"Nobody is in {base!r}, which the others are compared with.",
            where=f"plan {plan.digest}; patients in: {', '.join(in_use) or 'no protocol'}",
            what_to_do="Combine parts that have patients of the reference.",
        )
    used = {name: one[one["protocol"].isin(in_use)] if "protocol" in one else one for name, one in tables.items()}
    used = {name: one.reset_index(drop=True) for name, one in used.items()}
    model, covariance, tried = _curves(moments, plan)
    events = harms_table(used, level)
    recorded = used["recorded"].groupby("what")["patients"].sum()
    measure, limb = plan.endpoint.measure.name, plan.endpoint.limb
    return PooledComparison(
        plan=plan,
        n_patients=sums.n_patients,
        flow=PatientFlow(
            measure, plan.weeks, allocated_table(used["patients"]), by_week_table(used["visits"]),
            lost_table(used["lost"], used["patients"]), no_rows("last_week_seen", "lost", "reason"), notes=(),
        ),
        baseline=BaselineTable(start_table(used, plan), notes=()),
        **_by_week(model, plan),
        covariance=covariance,
        n_in_curves=0 if moments is None or model is None else moments.n_patients,
        left_out=left_out,
        responders=responders_of(used, plan),
        events=events,
        harm_differences=harm_differences(events, base, level=level),
        missing=MissingByWeek(measure, limb, plan.weeks, missing_table(used["visits"], level), notes=()),
        adherence=AdherenceByWeek(
            bool(recorded.get(RECORDED[1], 0)), plan.enough, adherence_table(used["sessions"], used["patients"], level),
            adherence_table(used["programme"], used["patients"], level), no_rows("modality", "week", "share"), notes=(),
        ),
        stopping=stopping_of(used["stopping"], used["patients"], plan),
        records_events=int(recorded.get(RECORDED[0], 0)),
        records_sessions=int(recorded.get(RECORDED[1], 0)),
        records_seriousness=int(recorded.get(RECORDED[2], 0)),
        notes=_notes(used, plan, moments, left_out, tried),
    )  # fmt: skip


def _by_week(model: MixedModel | None, plan: PoolingPlan) -> dict[str, pd.DataFrame]:
    """Give means and differences by week, and those of the primary week; empty without curves."""
    if model is None:
        return dict.fromkeys(("means", "differences", "primary"), pd.DataFrame())
    level, base, weeks = plan.endpoint.level, plan.protocols[0], list(map(float, model.design.weeks))

    def against(weeks: list[float], adjust: Adjust) -> pd.DataFrame:
        return model.differences(of="protocol", reference=base, weeks=weeks, level=level, adjust=adjust)

    return {
        "means": model.means(by="protocol", weeks=weeks, level=level),
        "differences": against(weeks, "none"),
        "primary": against([plan.primary_week], "bonferroni") if plan.primary_week in weeks else pd.DataFrame(),
    }


def _curves(moments: VisitMoments | None, plan: PoolingPlan) -> tuple[MixedModel | None, str, tuple[str, ...]]:
    """Fit the curves by the order in which those of a cohort are tried."""
    if moments is None:
        return None, "", ("No curve: nobody's visits are in the sums.",)
    moments = of_somebody(moments)
    (compared,) = (one.levels or () for one in moments.covariates if one.name == "protocol")
    if plan.protocols[0] not in compared or len(compared) == 1:
        return (
            None,
            "",
            (
                f"No curve: of the protocols only {', '.join(compared)} {form(len(compared), 'has', 'have')} visits in the sums.",
            ),
        )
    together = (moments.seen.T * moments.counts) @ moments.seen
    candidates, why = scheduled_candidates(moments.distinct_weeks.tolist(), together)
    with warnings.catch_warnings(record=True) as told:
        warnings.simplefilter("always", KneecurveWarning)
        model, name, tried = fit_first_that_converges(
            moments,
            plan.terms,
            [(*pair, covariance_in_words(pair)) for pair in candidates],
            failure="No covariance structure led to a converged fit.",
            what_to_do="Agree on a plan with fewer covariates, or gather more patients.",
        )
    return model, name, (*why, *tried, *dict.fromkeys(f"Warning: {one.message}" for one in told))


def _notes(
    tables: dict[str, pd.DataFrame],
    plan: PoolingPlan,
    moments: VisitMoments | None,
    left_out: int,
    tried: tuple[str, ...],
) -> tuple[str, ...]:
    recorded, allocated = tables["recorded"], tables["patients"]["allocated"].sum()
    notes = list(tried)
    for what in RECORDED[:2]:
        n = recorded.loc[recorded["what"] == what, "patients"].sum()
        if n < allocated:
            notes.append(
                f"Of {int(allocated):,} patients {int(n):,} are in parts that record {what}; the others are in no count of them."
            )
    if left_out:
        whole = left_out + (0 if moments is None else moments.n_patients)
        notes.append(
            f"Of {whole:,} patients with visits {left_out:,} {form(left_out, 'is', 'are')} in no curve, since fewer than {plan.k} have their "
            "pattern of visits or a level within it. They may fare otherwise than the others."
        )
    notes.append(f"Needs rows, and is not here: {'; '.join(NEEDS_ROWS)}.")
    notes.append(f"Counted by a plan that was agreed before: {plan.digest}, {counted(len(plan.weeks), 'week')}.")
    return tuple(notes)

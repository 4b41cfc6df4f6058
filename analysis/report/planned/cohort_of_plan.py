"""A plan is refused where the cohort lacks what it is about: a protocol, a measure, a week."""

from analysis.cohort import Cohort, visit_frame
from analysis.counted import form
from analysis.errors import ReportError
from analysis.outcomes.responders.states_together import TOGETHER
from analysis.report.parts.numbers import listed, moment
from analysis.report.planned.parts import PlannedAnalysis
from analysis.report.planned.plan import AnalysisPlan


def refuse_what_the_cohort_lacks(plan: AnalysisPlan, cohort: Cohort) -> None:
    """Refuse to follow a plan whose protocols, measures or weeks nobody of the cohort has.

    Raises
    ------
    ReportError
        The cohort lacks some of them; all are named.
    """
    said = plan.analysis
    had = set(cohort.patients["protocol"].dropna().astype("str"))
    protocols = [name for name in dict.fromkeys([*said.design.protocols, said.endpoint.reference]) if name not in had]
    measures = [name for name in _measures(said) if not _weeks(cohort, name, None)]
    weeks: list[float] = []
    if said.endpoint.measure not in measures:
        measured = _weeks(cohort, said.endpoint.measure, said.endpoint.limb)
        planned = [*said.design.weeks, said.endpoint.primary_week]
        # A primary week between visits that had no schedule is one of a smooth curve.
        weeks = [
            week for week in dict.fromkeys(planned) if said.model.weeks_as == "categories" and week not in measured
        ]
    lacking = [
        *([f"{form(len(protocols), 'protocol')} {listed(protocols)}"] if protocols else []),
        *([f"{form(len(measures), 'measure')} {listed(measures)}"] if measures else []),
        *([f"{said.endpoint.measure} at {listed([moment(week) for week in sorted(weeks)])}"] if weeks else []),
    ]
    if lacking:
        raise ReportError(
            f"The cohort lacks what the plan compares: {'; '.join(lacking)}.",
            where=f"plan of {plan.made}, SHA-256 {plan.sha256}",
            what_to_do="Check that plan and cohort belong together and that all was imported; else make the report without the plan.",
        )


def _measures(said: PlannedAnalysis) -> list[str]:
    responders = [one.measure for one in said.responders if one.measure != TOGETHER]
    return list(dict.fromkeys([said.endpoint.measure, *(one.measure for one in said.secondary), *responders]))


def _weeks(cohort: Cohort, measure: str, limb: str | None) -> set[float]:
    """Give the weeks at which anybody has a value of a measure; none of one that is not known."""
    if measure not in cohort.measures or limb not in (None, *cohort.measures[measure].limbs):
        return set()
    visits = visit_frame(cohort, measure, limb)
    return {float(week) for week in visits.loc[visits["value"].notna() & visits["protocol"].notna(), "week"]}

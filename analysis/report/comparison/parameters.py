"""What a protocol comparison is asked: its parameters, each declared once, and what is taken where one names nothing."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from analysis.cohort import Cohort, visit_frame
from analysis.cohort.derived import torque_is_per_kg
from analysis.curves.engine.contrasts import Adjust
from analysis.errors import CohortError, ModelError
from analysis.outcomes.comparisons.subgroups import groups_of_patients
from analysis.outcomes.home_programme.sessions_done import check_enough
from analysis.outcomes.missing.weekly_model import check_draws
from analysis.report.comparison.balanced.covariates import refuse_what_cannot_be_balanced
from analysis.report.comparison.responder_choice import AskedResponders
from analysis.report.parts.numbers import in_text
from analysis.report.running.declared import ReportParameters, parameter
from analysis.statistics.proportions import check_level

Allocation = Literal["randomised", "observational"]

#: How p values at the primary week are adjusted for the number of comparisons, and how intervals are.
ADJUSTED_P_VALUES: Adjust = "holm"
ADJUSTED_INTERVALS: Adjust = "bonferroni"
#: Taken as the measure of a comparison where none is named and the cohort has it (design choice).
USUAL_MEASURE = "quadriceps_torque"


@dataclass(frozen=True)
class ComparisonParameters(ReportParameters):
    """Parameters of a protocol comparison."""

    folder: str = parameter("../cohort", "cohort folder, seen from this notebook")
    measure: str | None = parameter(
        None, "measure compared; None: quadriceps torque, else the measure with most values"
    )
    limb: str | None = parameter(None, "involved, uninvolved or none; None: involved where the measure has limbs")
    primary_week: float | None = parameter(
        None, "week of the main comparison; None: 26 where it is there, else the last attended"
    )
    reference: str | None = parameter(None, "protocol compared with; None: that of the cohort, else the first")
    responder_measure: str | None = parameter(None, "measure of the responders; None: what fits the measure compared")
    criterion: Literal["improvement", "percent", "state"] | None = parameter(
        None, "what makes a responder; None: what fits measure and procedure"
    )
    threshold: float | None = parameter(None, "improvement, per cent or state to be reached; None: the published one")
    change_from: Literal["last before start", "first before start", "mean before start", "first after start"] | None = (
        parameter(None, "value that a change counts from; None: what fits measure and procedure")
    )
    together: list[str] = parameter([], 'states that make a responder together, such as "limb_symmetry_index 90"')
    missing: Literal["excluded", "non-response"] = parameter("excluded", "how patients without a change count")
    adjust_for: list[str] | None = parameter(
        None,
        'columns of the patients adjusted for, such as "sex" or "spline(age_years)"; None: site, where there are several',
    )
    baseline_as: Literal["covariate", "outcome"] = parameter(
        "covariate", "how the baseline enters the curves; outcome keeps patients without one, after a random allocation"
    )
    design: Literal["from the cohort", "randomised", "observational"] = parameter(
        "from the cohort", "wording of differences"
    )
    alike_in: list[str] | None = parameter(
        None,
        'what patients are made alike in where nobody drew lots, such as "sex" or "baseline(pain)"; None: what is usual and known',
    )
    target: str = parameter(
        "overlap",
        'whom a comparison without random allocation speaks of: "overlap", "everybody", "matching", or a protocol',
    )
    negative_control: str | None = parameter(
        None, "measure that no protocol can have changed: without random allocation a difference in it is a warning"
    )
    enough_sessions: float = parameter(0.8, "share of the prescribed sessions that counts as reached")
    imputations: int = parameter(50, "imputed data sets of each assumption about missing visits")
    secondary: list[str] = parameter([], "further measures compared, in the order in which they are tested")
    subgroups: list[str] = parameter([], 'groups of patients compared apart, such as "sex" or "age_years 30"')
    level: float = parameter(0.95, "confidence level of every interval")
    plan: str | None = parameter(
        None, "text of the analysis plan that is followed; kneecurve report --plan FILE gives it"
    )

    def refuse_what_cannot_be(self) -> None:
        """Refuse numbers out of range, and responders asked for in two ways.

        Raises
        ------
        ModelError
            A level, a share or a number of imputations cannot be, or states together and another endpoint are named.
        """
        check_level(self.level)
        check_enough(self.enough_sessions)
        check_draws(self.imputations)
        self.responders.refuse_what_contradicts()

    @property
    def responders(self) -> AskedResponders:
        """What is asked of the responder analysis."""
        return AskedResponders(
            self.responder_measure, self.criterion, self.threshold, self.change_from, self.missing, bool(self.together)
        )


def usual_measure(cohort: Cohort) -> str:
    """Give the measure of a comparison where none is named.

    Raises
    ------
    CohortError
        No value was measured.
    """
    counts = cohort.visits.dropna(subset=["value"])["measure"].astype("str").value_counts(sort=False)
    if USUAL_MEASURE in counts.index or torque_is_per_kg(cohort.visits, cohort.patients):
        return USUAL_MEASURE
    if counts.empty:
        raise CohortError(
            "The cohort holds no measured value.", where="table visits", what_to_do="Check what was imported."
        )
    return str(counts.index[int(counts.to_numpy().argmax())])


def allocation_of(cohort: Cohort, asked: ComparisonParameters) -> Allocation:
    """Say whether patients were allocated at random: as named, else of invented ones only.

    Raises
    ------
    ModelError
        They were not, and the baseline is to be an outcome.
    """
    invented = cohort.provenance.scenario is not None
    found = asked.design if asked.design != "from the cohort" else "randomised" if invented else "observational"
    if asked.baseline_as == "outcome" and found == "observational":
        raise ModelError(
            "One mean of all protocols before the start is given by a random allocation only.",
            where="parameters baseline_as and design",
            what_to_do='Adjust for the baseline, baseline_as="covariate", or say design="randomised" where it was.',
        )
    return found


def refuse_unknown(cohort: Cohort, name: str, asked: ComparisonParameters) -> None:
    """Refuse secondary outcomes and groups of patients that the cohort does not have."""
    for named in filter(None, (asked.measure, asked.responder_measure, asked.negative_control)):
        if not visit_frame(cohort, named)["value"].notna().any():
            raise CohortError(
                f"The cohort holds no value of {in_text(cohort.measures[named].label)}.",
                where=f"measure {named!r}; with values: {', '.join(sorted(set(cohort.visits['measure'].dropna().astype('str'))))}",
                what_to_do="Name a measure that was taken, or check what was imported.",
            )
    for one in asked.secondary:
        if one == name or asked.secondary.count(one) > 1 or not visit_frame(cohort, one)["value"].notna().any():
            raise ModelError(
                f"{one!r} cannot be a secondary outcome: it is the one compared, is named twice, or has no value.",
                where=f"secondary: {', '.join(asked.secondary)}; the measure compared is {name!r}",
                what_to_do="Name other measures with values, each once.",
            )
    for one in asked.subgroups:
        groups_of_patients(cohort, one)
    refuse_what_cannot_be_balanced(cohort, name, asked.alike_in, asked.target)

"""The balanced comparison of a study, or why there is none, in words."""

from dataclasses import dataclass, replace

from analysis.errors import KneecurveError
from analysis.outcomes.unrandomised.observational_comparison import ObservationalComparison, observational_comparison
from analysis.report.comparison.balanced.covariates import balanced_for
from analysis.report.comparison.findings.balanced_rules import balanced_findings, control_findings
from analysis.report.comparison.findings.finding import Findings
from analysis.report.comparison.prepared import Prepared
from analysis.report.comparison.results import Lacking
from analysis.report.parts.numbers import capitalised

#: Weeks nearer to each other than this are one.
_SAME_WEEK = 1e-9


@dataclass(frozen=True)
class NotBalanced(Lacking):
    """Why patients could not be made alike: ``why`` in a sentence, ``what`` with what would help."""

    why: str


def balanced_comparison_of(study: Prepared, measure: str, limb: str | None = None) -> ObservationalComparison | Lacking:
    """Compare the protocols in a measure among patients made alike, where nobody drew lots and the data allow it."""
    curves = study.curves
    if study.allocation == "randomised":
        return Lacking("a comparison to balance, as the protocols were allocated at random.")
    if curves is None or len(curves.protocols) == 1:
        return Lacking("protocols that could be compared.")
    covariates = balanced_for(study.cohort, study.parameters["alike_in"])
    try:
        found = observational_comparison(
            study.cohort, measure, covariates, target=study.parameters["target"], limb=limb,
            reference=curves.protocols[0], level=study.level,
        )  # fmt: skip
    except KneecurveError as error:
        where = f" ({error.where})" if error.where else ""
        return NotBalanced(
            f"what a balanced comparison needs. {error.what}{where} {error.what_to_do}".strip(), error.what
        )
    if not any(abs(week - curves.primary_week) < _SAME_WEEK for week in found.weeks):
        few = "of some protocol there are fewer than ten values at the primary week."
        return NotBalanced(f"what a balanced comparison needs: {few}", capitalised(few))
    return found


def with_balance(
    found: Findings,
    balanced: ObservationalComparison | Lacking,
    control: ObservationalComparison | Lacking | None,
    *,
    level: float,
) -> Findings:
    """Add to findings what was found among patients made alike, or why they were not."""
    week = found.primary_week or 0.0
    if isinstance(balanced, NotBalanced):
        return replace(found, not_balanced=balanced.why)
    if isinstance(balanced, Lacking):
        return found
    judged = balanced_findings(balanced, found.differences, week=week, level=level)
    names = tuple(dict.fromkeys(balanced.balance["covariate"].astype("str")))
    found = replace(found, balanced=judged, balanced_for=names)
    if control is None or isinstance(control, Lacking):
        return found
    return replace(found, controls=control_findings(control, week=week, level=level))

"""The balanced comparison of a study, or why there is none, in words."""

from dataclasses import dataclass

from analysis.errors import KneecurveError
from analysis.outcomes.unrandomised.observational_comparison import ObservationalComparison, observational_comparison
from analysis.report.comparison.balanced.covariates import balanced_for
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
    covariates = balanced_for(study.cohort, study.parameters["adjust_for"])
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

"""The responder endpoint that fits a measure: by what was operated, what weeks count from, and what was measured."""

import tomllib
from dataclasses import dataclass, replace
from functools import cache
from importlib import resources
from typing import Any

from analysis.cohort.tables import Cohort, CountedFrom
from analysis.cohort.visit_frame import visit_frame
from analysis.errors import ModelError
from analysis.outcomes.chosen_endpoint import choose_endpoint
from analysis.outcomes.endpoint import BaselineRule, Endpoint, MissingRule
from analysis.outcomes.thresholds.chosen_threshold import USUAL_TARGET, Criterion, cohort_procedures

_MARKS = {"V": "read in the source", "M": "from memory of the source"}


@dataclass(frozen=True)
class FittingEndpoint:
    """An entry of ``fitting_endpoints.toml``: for which measures, and what is then counted, with the reason and its source."""

    measures: tuple[str, ...]
    criterion: Criterion
    why: str
    source: str
    mark: str
    procedures: tuple[str, ...] = ()
    counted_from: CountedFrom | None = None
    count: str | None = None
    threshold: float | None = None
    baseline: BaselineRule = "last before start"

    def fits(self, cohort: Cohort, measure: str) -> bool:
        """Say whether it is for this measure in this cohort."""
        operated = not self.procedures or cohort_procedures(cohort) in [[one] for one in self.procedures]
        return measure in self.measures and operated and self.counted_from in (None, cohort.counted_from)

    @property
    def words(self) -> str:
        """The reason and its source, in one sentence."""
        read = f" ({_MARKS[self.mark]})" if self.mark in _MARKS else ""
        return f"Counted so because {self.why}. Source: {self.source}{read}."


@cache
def known_endpoints() -> tuple[FittingEndpoint, ...]:
    """Read the entries that come with the kit, in their order."""
    text = resources.files("analysis.outcomes").joinpath("fitting_endpoints.toml").read_text(encoding="utf-8")
    return tuple(_entry(one) for one in tomllib.loads(text)["endpoints"])


def fitting_endpoint(
    cohort: Cohort,
    measure: str,
    *,
    week: float,
    threshold: float | None = None,
    limb: str | None = None,
    missing: MissingRule = "excluded",
    baseline: BaselineRule | None = None,
    reference: str | None = None,
    level: float = 0.95,
) -> Endpoint:
    """Choose the responder endpoint that fits a measure, and say why.

    Where surgery takes away what is measured, improvement since before surgery says little for months: then a state counts
    (a limb symmetry of 90 %, a flexion of 120 degrees), or the change from the first visit after surgery. The catalogue of
    endpoints says which, by measure and procedure; it needs ``cohort.counted_from`` to know whether the baseline is from
    before surgery. Everything else is improvement from the baseline by the published threshold.

    Parameters
    ----------
    cohort : Cohort
    measure : str
        A stored or derived measure.
    week : float
        Week after the start.
    threshold : float, optional
        What is to be reached, by the criterion that fits; by default that of the catalogue. Where a state fits after surgery
        a number alone could be an improvement too: then :func:`analysis.outcomes.choose_endpoint` takes it with a criterion.
    limb, missing, reference, level
        As of :func:`analysis.outcomes.choose_endpoint`; the limb where the measure itself is counted.
    baseline : optional
        As there; by default what fits.

    Returns
    -------
    Endpoint
        Its measure may be another one, such as limb symmetry for torque; ``why`` gives the reason with its source.

    Raises
    ------
    ModelError, CohortError
        As of :func:`analysis.outcomes.choose_endpoint`; or the threshold could be a state or an improvement.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> cohort = generate_cohort(patients=30, seed=1).observed
    >>> found = fitting_endpoint(cohort, "quadriceps_torque", week=26)
    >>> found.words
    'Limb symmetry index, quadriceps torque: at least 90 % at week 26; patients not seen then are left out.'
    >>> found.why.partition(",")[0]
    'Counted so because torque falls with surgery'
    """
    entry = _entry_for(cohort, measure, week, limb)
    if threshold is not None and entry is not None:
        _refuse_threshold_of_two_kinds(cohort, measure, entry, threshold)
    counted = measure if entry is None else entry.count or measure
    found = choose_endpoint(
        cohort, counted, week=week,
        threshold=entry.threshold if entry is not None and threshold is None else threshold,
        criterion="improvement" if entry is None else entry.criterion,
        limb=limb if counted == measure else None, missing=missing,
        baseline=baseline or ("last before start" if entry is None else entry.baseline),
        reference=reference, level=level,
    )  # fmt: skip
    if entry is None:
        return found
    if threshold is None and entry.criterion == "state":
        found = replace(found, threshold=replace(found.to_reach, name=USUAL_TARGET))
    return replace(found, why=entry.words)


def _refuse_threshold_of_two_kinds(cohort: Cohort, measure: str, entry: FittingEndpoint, threshold: float) -> None:
    if entry.criterion == "state" and entry.counted_from is not None:
        known, counted = cohort.measures[measure], cohort.measures[entry.count or measure]
        raise ModelError(
            f"The threshold {threshold:g} could be an improvement or a state.",
            where=f"measure {measure!r}, where {counted.label[:1].lower()}{counted.label[1:]} fits as a state",
            what_to_do=f'Name the criterion with it: "improvement" or "state" in {known.unit}, or "percent".',
        )


def has_fitting_endpoint(cohort: Cohort, measure: str, week: float, limb: str | None = None) -> bool:
    """Say whether :func:`fitting_endpoint` finds something to reach without a threshold of the caller."""
    return cohort.measures[measure].has_threshold or _entry_for(cohort, measure, week, limb) is not None


def _entry_for(cohort: Cohort, measure: str, week: float, limb: str | None) -> FittingEndpoint | None:
    """Give the first entry that fits; none for the other limb, which was not operated on."""
    if limb not in (None, cohort.measures[measure].default_limb):
        return None
    for entry in known_endpoints():
        if entry.fits(cohort, measure) and _has_values(cohort, entry.count or measure, week):
            return entry
    return None


def _has_values(cohort: Cohort, measure: str, week: float) -> bool:
    frame = visit_frame(cohort, measure)
    return bool(frame.loc[frame["week"] == week, "value"].notna().any())


def _entry(data: dict[str, Any]) -> FittingEndpoint:
    lists = {name: tuple(data.get(name, ())) for name in ("measures", "procedures")}
    return FittingEndpoint(**{**data, **lists})

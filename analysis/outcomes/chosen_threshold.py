"""The threshold of a responder analysis: chosen from the catalogue or given, always said where it comes from."""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.cohort.measures import Threshold
from analysis.errors import CohortWarning, ModelError

if TYPE_CHECKING:
    from analysis.cohort.measures import Measure
    from analysis.cohort.tables import Cohort


@dataclass(frozen=True)
class ChosenThreshold:
    """A threshold of improvement with where it comes from.

    Attributes
    ----------
    value : float
        Size of the improvement in the better direction of the measure, positive.
    unit : str
        Unit of the measure.
    name : str
        "minimal important change", "minimal detectable change", or "given by the user".
    direction : str
        "higher is better" or "lower is better".
    published : Threshold or None
        The catalogue's entry; None for a number given by the user.
    caution : str
        Why it may not fit this cohort; empty where nothing is known against it.
    """

    value: float
    unit: str
    name: str
    direction: str
    published: Threshold | None
    caution: str

    @property
    def words(self) -> str:
        """The threshold in one sentence, with population, method and source."""
        way = "rise" if self.direction == "higher is better" else "fall"
        sentence = f"Improvement is a {way} from baseline of at least {self.value:g} {self.unit} ({self.name}"
        if self.published is None:
            return f"{sentence})."
        known = {
            "in": "" if self.published.population.startswith("none") else self.published.population,
            "follow-up": self.published.follow_up,
            "by": self.published.method,
            "source": self.published.source,
        }
        more = "; ".join(f"{word} {text}" for word, text in known.items() if text)
        return f"{sentence}{': ' if more else ''}{more})."


def choose_threshold(cohort: Cohort, measure: str, threshold: float | Threshold | None = None) -> ChosenThreshold:
    """Choose the threshold of improvement of a measure.

    Parameters
    ----------
    cohort : Cohort
        The cohort; its procedure decides between published thresholds.
    measure : str
        The measure.
    threshold : float or Threshold, optional
        A size of improvement in the unit of the measure (positive, whichever direction is better), or an entry of
        the catalogue. By default the catalogue's minimal important change for the procedure of the cohort, otherwise
        its minimal detectable change, named as such.

    Returns
    -------
    ChosenThreshold
        The threshold.

    Raises
    ------
    ModelError
        The threshold is negative (wrong sign for the direction of the measure), zero or not a number.
    CohortError
        The measure is not known, or has no published threshold and none was given.

    Warns
    -----
    CohortWarning
        A catalogue entry was passed that was found after another procedure.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> cohort = generate_cohort(patients=30, seed=1).observed
    >>> choose_threshold(cohort, "pain", 2).words
    'Improvement is a fall from baseline of at least 2 points (given by the user).'
    >>> choose_threshold(cohort, "knee_flexion").name
    'minimal detectable change'
    """
    known = cohort.measures[measure]
    procedures = cohort_procedures(cohort)
    if threshold is None:
        published = known.threshold(procedures[0] if len(procedures) == 1 else None)
        return _published(known, published, procedures)
    if isinstance(threshold, Threshold):
        chosen = _published(known, threshold, procedures)
        if chosen.caution and threshold.procedure:
            warnings.warn(f"{known.label}: {chosen.caution}", CohortWarning, stacklevel=2)
        return chosen
    return ChosenThreshold(_checked(threshold, known), known.unit, "given by the user", known.direction, None, "")


def cohort_procedures(cohort: Cohort) -> list[str]:
    """Give the procedures of the cohort; empty where the column is not there.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> cohort_procedures(generate_cohort(patients=30, seed=1).observed)
    ['ligament reconstruction']
    """
    if "procedure" not in cohort.patients:
        return []
    return [str(name) for name in cohort.patients["procedure"].dropna().unique()]


def _published(measure: Measure, threshold: Threshold, procedures: list[str]) -> ChosenThreshold:
    value = _checked(threshold.value, measure)
    return ChosenThreshold(
        value, measure.unit, threshold.name, measure.direction, threshold, _caution(threshold, procedures)
    )


def _caution(threshold: Threshold, procedures: list[str]) -> str:
    found = threshold.population or "people not described"
    if threshold.kind == "MDC":
        head = "No accepted minimal important change is known; this is the error of measurement, not importance. "
    else:
        head = ""
    if found.startswith("none"):
        return f"{head}The threshold was derived, not studied in patients."
    if not procedures:
        return f"{head}The threshold was found in {found}; the cohort names no procedure to compare with."
    if len(procedures) > 1:
        return f"{head}The threshold was found in {found}; the cohort has several procedures: {', '.join(procedures)}."
    if threshold.procedure == procedures[0]:
        return head.strip()
    return f"{head}The threshold was found in {found}, not named as {procedures[0]}."


def _checked(value: float, measure: Measure) -> float:
    number = float(value)
    if not np.isfinite(number) or number <= 0:
        way = "rises" if measure.direction == "higher is better" else "falls"
        raise ModelError(
            f"The threshold {number:g} {measure.unit} is not a size of improvement.",
            where=f"measure {measure.name!r}, {measure.direction}",
            what_to_do=f"Give a positive number: how far {measure.label.lower()} {way} in a patient who has improved.",
        )
    return number

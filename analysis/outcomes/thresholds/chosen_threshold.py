"""The threshold of a responder analysis: chosen from the catalogue or given, always said where it comes from."""

import re
import warnings
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd

from analysis.cohort.measures import YES_NO, Measure, Threshold
from analysis.cohort.tables import Cohort
from analysis.errors import CohortWarning, ModelError
from analysis.result import Result

Criterion = Literal["improvement", "percent", "state"]
#: What a state is called that is in common use as one to reach.
USUAL_TARGET = "target in common use"


@dataclass(frozen=True, repr=False)
class ChosenThreshold(Result):
    """A threshold of improvement with where it comes from.

    Attributes
    ----------
    value : float
        Size of the improvement in the better direction of the measure, positive; of a measure with a best value how much
        nearer to it.
    unit : str
        Unit of the measure.
    name : str
        "minimal important change", "minimal detectable change", "target in common use", or "given by the user".
    direction : str
        "higher is better" or "lower is better".
    published : Threshold or None
        The catalogue's entry; None for a number given by the user.
    caution : str
        Why it may not fit this cohort; empty where nothing is known against it.
    criterion : {"improvement", "percent", "state"}
        What must reach the value: the improvement from baseline, the improvement in per cent of the baseline, or the
        value itself (at least it where higher is better, at most it where lower is).
    ideal : float or None
        The best value of the measure, where it has one: a state is then reached by every value as near to it.
    """

    value: float
    unit: str
    name: str
    direction: str
    published: Threshold | None
    caution: str
    criterion: Criterion = "improvement"
    ideal: float | None = None

    @property
    def words(self) -> str:
        """The threshold in one sentence, with population, method and source."""
        if self.unit == YES_NO:
            return "Who lacks a value of any part at the visit is not judged."
        if self.criterion == "state":
            return f"Reached means a value {self._reached} ({self.name}), whatever the baseline."
        sentence = f"{self._improved} ({self.name}"
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

    @property
    def _improved(self) -> str:
        if self.ideal is not None:
            return (
                f"Improvement means at least {self.value:g} {self.unit} nearer to {self.ideal:g} than at baseline, from either "
                "side"
            )
        way = "rise" if self.direction == "higher is better" else "fall"
        if self.criterion == "percent":
            return f"Improvement is a {way} of at least {self.value:g} % of the baseline value"
        return f"Improvement is a {way} from baseline of at least {self.value:g} {self.unit}"

    @property
    def _reached(self) -> str:
        if self.ideal is not None:
            return f"within {abs(self.value - self.ideal):g} {self.unit} of {self.ideal:g}, on either side"
        side = "at least" if self.direction == "higher is better" else "at most"
        return f"of {side} {self.value:g} {self.unit}"

    def _headline(self) -> str:
        return self.words

    def _shown_notes(self) -> list[str]:
        return [self.caution] if self.caution else []


def published_thresholds(cohort: Cohort, measure: str, *, week: float | None = None) -> pd.DataFrame:
    """List the catalogue's thresholds of a measure, those that fit the cohort best first.

    Parameters
    ----------
    cohort : Cohort
    measure : str
        The measure.
    week : float, optional
        Week of the analysis, to compare with the follow-up of each threshold.

    Returns
    -------
    pandas.DataFrame
        value, unit, kind, population, procedure, follow_up, follow_up_weeks (missing where the text names no time),
        method, source, mark, accepted, same_procedure, default (the one :func:`choose_threshold` takes), caution; the
        default first, then accepted before others, MIC before MDC, the cohort's procedure, the nearest follow-up.

    Raises
    ------
    CohortError
        The measure is not known.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> cohort = generate_cohort(patients=30, seed=1).observed
    >>> published_thresholds(cohort, "pain", week=26)["value"].tolist()
    [2.0, 1.16, 2.8]
    """
    procedures = cohort_procedures(cohort)
    known = cohort.measures[measure]
    default = _default(known, procedures, week) if known.has_threshold else None
    rows = [
        {
            "value": one.value,
            "unit": known.unit,
            "kind": one.kind,
            "population": one.population,
            "procedure": one.procedure,
            "follow_up": one.follow_up,
            "follow_up_weeks": follow_up_weeks(one.follow_up),
            "method": one.method,
            "source": one.source,
            "mark": one.mark,
            "accepted": one.accepted,
            "same_procedure": procedures == [one.procedure],
            "default": one is default,
            "caution": _caution(one, procedures),
            "_place": place,
        }
        for place, one in enumerate(known.thresholds)
    ]
    if not rows:
        return pd.DataFrame(columns=_PUBLISHED)
    table = pd.DataFrame(rows)
    away = (np.log(table["follow_up_weeks"]) - np.log(week)).abs() if week is not None else 0.0
    table = table.assign(_away=away, _rank=table["kind"].map({"MIC": 0, "MDC": 1}))
    order = ["default", "accepted", "_rank", "same_procedure", "_away", "_place"]
    return table.sort_values(order, ascending=[False, False, True, False, True, True], ignore_index=True)[_PUBLISHED]


_PUBLISHED = [
    "value", "unit", "kind", "population", "procedure", "follow_up", "follow_up_weeks", "method", "source", "mark",
    "accepted", "same_procedure", "default", "caution",
]  # fmt: skip
_WEEKS_IN = {"day": 1 / 7, "week": 1.0, "month": 365.25 / 12 / 7, "year": 365.25 / 7}


def follow_up_weeks(text: str) -> float:
    """Read a follow-up such as "6 months" as weeks; missing where no time is named.

    Examples
    --------
    >>> round(follow_up_weeks("6 months")), follow_up_weeks("8 weeks"), follow_up_weeks("test and retest")
    (26, 8.0, nan)
    """
    found = re.search(r"(\d+(?:\.\d+)?)\s*(day|week|month|year)", text)
    return float(found[1]) * _WEEKS_IN[found[2]] if found else float("nan")


def choose_threshold(
    cohort: Cohort, measure: str, threshold: float | Threshold | None = None, *, week: float | None = None
) -> ChosenThreshold:
    """Choose the threshold of improvement of a measure.

    Parameters
    ----------
    cohort : Cohort
        The cohort; its procedure decides between published thresholds.
    measure : str
        The measure.
    threshold : float or Threshold, optional
        A size of improvement in the unit of the measure (positive, whichever direction is better), or an entry of
        the catalogue. By default the catalogue's minimal important change for the procedure of the cohort (the one
        with the nearest follow-up where a week is named), otherwise its minimal detectable change, named as such.
    week : float, optional
        Week of the analysis.

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
        The catalogue's entry, passed or taken by default, was found after another procedure than the cohort's.

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
    if threshold is None or isinstance(threshold, Threshold):
        published = _default(known, procedures, week) if threshold is None else threshold
        chosen = _published(known, published, procedures)
        # Without one procedure to compare with, a default is cautioned in words only.
        elsewhere = bool(published.procedure) and procedures != [published.procedure]
        if elsewhere and (threshold is not None or len(procedures) == 1):
            warnings.warn(f"{known.label}: {chosen.caution}", CohortWarning, stacklevel=2)
        return chosen
    size = _checked(threshold, known)
    return ChosenThreshold(size, known.unit, "given by the user", known.direction, None, "", ideal=known.ideal)


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


def _default(measure: Measure, procedures: list[str], week: float | None) -> Threshold:
    """Take the catalogue's threshold for the cohort's procedure, where it has one, with the nearest follow-up."""
    published = measure.threshold(procedures[0] if len(procedures) == 1 else None)
    return published if week is None else _nearest_follow_up(measure, published, week)


def _nearest_follow_up(measure: Measure, chosen: Threshold, week: float) -> Threshold:
    """Among the accepted thresholds of the same kind and procedure, take the one with the nearest follow-up."""
    alike = [
        one
        for one in measure.thresholds
        if one.accepted and (one.kind, one.procedure) == (chosen.kind, chosen.procedure)
    ]
    timed = [(abs(np.log(follow_up_weeks(one.follow_up) / week)), one) for one in alike]
    timed = [(away, one) for away, one in timed if np.isfinite(away)]
    return min(timed, key=lambda pair: pair[0])[1] if timed and week > 0 else chosen


def _published(measure: Measure, threshold: Threshold, procedures: list[str]) -> ChosenThreshold:
    value = _checked(threshold.value, measure)
    caution = _caution(threshold, procedures)
    return ChosenThreshold(
        value, measure.unit, threshold.name, measure.direction, threshold, caution, ideal=measure.ideal
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
        moved = f"how far {measure.label.lower()} {way} in a patient who has improved"
        if measure.ideal is not None:
            moved = f"how much nearer to {measure.ideal:g} a patient who has improved has come"
        raise ModelError(
            f"The threshold {number:g} {measure.unit} is not a size of improvement.",
            where=f"measure {measure.name!r}, {measure.direction}",
            what_to_do=f"Give a positive number: {moved}.",
        )
    return number

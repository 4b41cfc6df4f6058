"""The endpoint: what of whom is counted or compared, when, against which threshold; checked once, said in words once."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.cohort.measures import Measure, Values
from analysis.cohort.reference import reference_protocol
from analysis.cohort.schedule import moment
from analysis.cohort.tables import Cohort
from analysis.errors import ModelError
from analysis.outcomes.thresholds.chosen_threshold import ChosenThreshold, Criterion
from analysis.result import Result
from analysis.statistics.proportions import check_level

BaselineRule = Literal["last before start", "first before start", "mean before start", "first after start"]
MissingRule = Literal["excluded", "non-response"]

_BASELINES: dict[BaselineRule, str] = {
    "last before start": "the last value before the start",
    "first before start": "the first value before the start",
    "mean before start": "the mean value before the start",
    "first after start": "the first value after the start",
}
#: Room for the rounding of subtraction: 6.1 - 4.1 is an improvement of 2.
_ROUNDING = 1e-9


@dataclass(frozen=True, repr=False)
class Endpoint(Result):
    """A measure at a week with the rules by which it is counted; made by :func:`analysis.outcomes.chosen_endpoint.choose_endpoint`.

    ``dataclasses.replace(endpoint, week=12)`` gives the same at another week.

    Attributes
    ----------
    measure : Measure
        What was measured.
    limb : str
        involved, uninvolved or none.
    week : float
        Week after the start; a visit at exactly this week counts.
    threshold : ChosenThreshold or None
        What must be reached, by which criterion, and where it comes from; None where means are asked for alone.
    missing : {"excluded", "non-response"}
        Whether patients without what the criterion needs are left out of the denominator or count as not improved.
    baseline : {"last before start", "first before start", "mean before start", "first after start"}
        Which of the values at week 0 or before is the baseline: the last one, the first one, or their mean; or the first one
        after week 0.
    reference : str or None
        The protocol that others are compared with, where it was named; None for that of the cohort.
    level : float
        Confidence level of the intervals.
    why : str
        Why it is counted so, where :func:`analysis.outcomes.fitting_endpoint.fitting_endpoint` chose it; empty otherwise.
    """

    measure: Measure
    limb: str
    week: float
    threshold: ChosenThreshold | None = None
    missing: MissingRule = "excluded"
    baseline: BaselineRule = "last before start"
    reference: str | None = None
    level: float = 0.95
    why: str = ""

    def _headline(self) -> str:
        return f"Endpoint. {self.words}"

    def _shown_notes(self) -> tuple[str, ...]:
        return () if self.threshold is None else self.notes

    def __post_init__(self) -> None:
        check_level(self.level)
        for rule, known, what in (
            (self.missing, MissingRule, "rule {!r} for missing visits"),
            (self.baseline, BaselineRule, "baseline rule {!r}"),
        ):
            if rule not in get_args(known):
                raise ModelError(
                    f"There is no {what.format(rule)}.", what_to_do=f"Use one of: {', '.join(get_args(known))}."
                )
        if not np.isfinite(self.week):
            raise ModelError(
                f"The week {self.week!r} is not a number of weeks.", what_to_do="Name a week of the cohort."
            )
        if self.week <= 0 and self.criterion != "state":
            raise ModelError(
                f"There is no change from baseline at {moment(self.week)}.",
                what_to_do="Name a week after the start (after 0) at which patients were seen.",
            )

    @property
    def notes(self) -> tuple[str, ...]:
        """What must be known to read a count: what is reached, why that is counted, cautions, and who is counted."""
        chosen, parts = self.to_reach, self.measure.description if self.measure.is_yes_no else ""
        return tuple(note for note in (parts, chosen.words, self.why, chosen.caution, self.denominator) if note)

    @property
    def criterion(self) -> Criterion:
        """What must reach the threshold; the improvement where there is none."""
        return "improvement" if self.threshold is None else self.threshold.criterion

    @property
    def to_reach(self) -> ChosenThreshold:
        """The threshold, in what cannot be done without one.

        Raises
        ------
        ModelError
            The endpoint was chosen without a threshold.
        """
        if self.threshold is None:
            raise ModelError(
                "Nobody can be counted as improved without a threshold.",
                where=f"endpoint: {self.words}",
                what_to_do="Choose the endpoint with a criterion, for example improvement.",
            )
        return self.threshold

    @property
    def turn(self) -> int:
        """1, or -1 where a value must be at most the threshold; limits are multiplied by it where they are shown."""
        return self.measure.sign if self.criterion == "state" else 1

    @property
    def limit(self) -> float:
        """The threshold on the scale of :meth:`amount`."""
        return float(self.limits([self.to_reach.value])[0])

    def limits(self, thresholds: Sequence[float]) -> NDArray[np.float64]:
        """Give thresholds on the scale of :meth:`amount`."""
        values = np.asarray(thresholds, dtype=float)
        return self.measure.worth(values) if self.criterion == "state" else values

    @property
    def denominator(self) -> str:
        """Who is in the denominator, in one sentence."""
        needed = "a value at the week" if self.criterion == "state" else "a value at the week and a baseline"
        if self.missing == "excluded":
            return f"Denominator: patients with {needed}; the others are left out."
        return f"Denominator: every patient of the protocol; one without {needed} counts as {self.not_reached_words}."

    @property
    def words(self) -> str:
        """All of it in one sentence but where the threshold comes from, which ``threshold.words`` says.

        Examples
        --------
        >>> from analysis.outcomes import choose_endpoint
        >>> from synthetic_cohort import generate_cohort
        >>> cohort = generate_cohort(patients=30, seed=1).observed
        >>> choose_endpoint(cohort, "limb_symmetry_index", week=26, threshold=90, criterion="state").words
        'Limb symmetry index, quadriceps torque: at least 90 % at week 26; patients not seen then are left out.'
        """
        what = self.measure.label_on(self.limb)
        start, week = _BASELINES[self.baseline], moment(self.week)
        ideal = self.measure.ideal
        if self.threshold is None and ideal is None:
            return f"{what}: improvement from {start} to {week}."
        if self.threshold is None:
            return f"{what}: how much nearer to {ideal:g} at {week} than {start}."
        way, side = ("rise", "at least") if self.measure.sign > 0 else ("fall", "at most")
        amount = f"{self.threshold.value:g} {self.threshold.unit}"
        sought = {
            "improvement": f"a {way} of at least {amount} from {start} to {week}",
            "percent": f"a {way} of at least {amount} of {start} by {week}",
            "state": f"{side} {amount} at {week}",
        }[self.criterion]
        if ideal is not None:
            nearer = f"at least {amount} nearer to {ideal:g} at {week} than {start}"
            sought = f"{self._within} at {week}" if self.criterion == "state" else nearer
        if self.measure.is_yes_no:
            sought = f"reached at {week}"
        lost = "not seen then" if self.criterion == "state" else "not seen then or without a baseline"
        rule = "are left out" if self.missing == "excluded" else f"count as {self.not_reached_words}"
        return f"{what}: {sought}; patients {lost} {rule}."

    @property
    def reached_words(self) -> str:
        """What is true of a measure in a patient who reached the threshold, as it follows its name.

        Examples
        --------
        >>> from analysis.outcomes import choose_endpoint
        >>> from synthetic_cohort import generate_cohort
        >>> cohort = generate_cohort(patients=30, seed=1).observed
        >>> choose_endpoint(cohort, "ikdc", week=26, threshold=9).reached_words
        'had improved by 9 points or more'
        >>> choose_endpoint(cohort, "pain", week=26, threshold=3, criterion="state").reached_words
        'was 3 points or less'
        """
        amount, ideal = f"{self.to_reach.value:g} {self.to_reach.unit}", self.measure.ideal
        if self.criterion == "state":
            return "were reached" if self.measure.is_yes_no else f"was {self.level_words}"
        return f"had {'improved' if ideal is None else f'come nearer to {ideal:g}'} by {amount} or more"

    @property
    def level_words(self) -> str:
        """The state to be reached, as it follows the name of the measure.

        Examples
        --------
        >>> from analysis.cohort.catalogue import load_catalogue
        >>> from analysis.outcomes.thresholds.chosen_threshold import ChosenThreshold
        >>> pain = load_catalogue()["pain"]
        >>> goal = ChosenThreshold(3, "points", "given by the user", pain.direction, None, "", "state")
        >>> Endpoint(pain, "none", 26, goal).level_words
        '3 points or less'
        """
        if self.measure.ideal is not None:
            return self._within
        return f"{self.to_reach.value:g} {self.to_reach.unit} or {'more' if self.measure.sign > 0 else 'less'}"

    @property
    def when_words(self) -> str:
        """When the threshold is reached: a state at the week, an improvement by then."""
        return f"{'at' if self.criterion == 'state' else 'by'} {moment(self.week)}"

    @property
    def not_reached_words(self) -> str:
        """What a patient is who is counted without having reached the threshold."""
        return "not improved" if self.criterion != "state" else "not having reached it"

    @property
    def amount_words(self) -> str:
        """What is compared with the threshold, as a reader knows it; its unit is ``to_reach.unit``."""
        return {"improvement": "improvement", "percent": "improvement in per cent of the baseline", "state": "value"}[
            self.criterion
        ]

    @property
    def _within(self) -> str:
        ideal, limit = self.measure.ideal or 0.0, self.to_reach
        return f"within {abs(limit.value - ideal):g} {limit.unit} of {ideal:g}"

    def improvement(self, baseline: Values, value: Values) -> Values:
        """Give how much better a value is than the baseline, in the unit of the measure.

        Where the measure has a best value, that is how much nearer to it the value lies, on whichever side of it.

        Examples
        --------
        >>> from analysis.cohort import load_catalogue
        >>> extension, baseline, value = load_catalogue()["knee_extension"], np.array([-8.0, 2.0]), np.array([0.0, 9.5])
        >>> Endpoint(extension, "involved", 26).improvement(baseline, value).tolist()
        [8.0, -7.5]
        """
        return self.measure.worth(value) - self.measure.worth(baseline)

    def as_adjusted_for(self, baseline: Values) -> Values:
        """Give baselines as models of the improvement adjust for them: as measured, or what they are worth.

        The improvement in a measure with a best value goes with how far a patient began from it, not with the side.
        """
        return baseline if self.measure.ideal is None else self.measure.worth(baseline)

    def amount(self, baseline: Values, value: Values) -> Values:
        """Give what is compared with the threshold: more is better, whichever direction the measure has.

        Parameters
        ----------
        baseline, value : pandas.Series or ndarray
            A row a patient or visit.

        Returns
        -------
        pandas.Series or ndarray
            Improvement; improvement in per cent of the size of the baseline, or of its distance from the best value (missing
            where that is 0); or what the value is worth (:meth:`analysis.cohort.measures.Measure.worth`).

        Examples
        --------
        >>> from analysis.cohort import load_catalogue
        >>> pain, baseline, value = load_catalogue()["pain"], np.array([4.0, 0.0]), np.array([3.0, 1.0])
        >>> Endpoint(pain, "none", 26).amount(baseline, value).tolist()
        [1.0, -1.0]
        """
        if self.criterion == "state":
            return self.measure.worth(value)
        improvement = self.improvement(baseline, value)
        if self.criterion == "percent":
            size = abs(baseline - (self.measure.ideal or 0.0))
            return 100 * improvement / (size + np.where(size > 0, 0.0, np.nan))
        return improvement

    def reached(self, amount: pd.Series) -> pd.Series:
        """Say who reached the threshold: True, False, or missing where the amount is."""
        return reached(amount, self.limit)

    def compared_with(self, cohort: Cohort, protocol: pd.Series) -> str:
        """Give the protocol that the others among ``protocol`` are compared with."""
        return reference_protocol(cohort, protocol, self.reference)


def reached(amount: pd.Series, limit: float) -> pd.Series:
    """Say where an amount is at least a limit: True, False, or missing where the amount is.

    Examples
    --------
    >>> reached(pd.Series([6.1 - 4.1, 1.9, float("nan")]), 2).tolist()
    [True, False, <NA>]
    """
    answer = (amount >= limit - rounding_room(limit)).astype("boolean")
    return answer.mask(amount.isna())


def rounding_room(threshold: float | NDArray[np.float64]) -> float | NDArray[np.float64]:
    """Give the room left for the rounding of subtraction at a threshold."""
    return _ROUNDING * np.maximum(1.0, np.abs(threshold))

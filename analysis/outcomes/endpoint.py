"""The endpoint: what of whom is counted or compared, when, against which threshold; checked once, said in words once."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, TypedDict, get_args

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.cohort.measures import Measure, Threshold, Values
from analysis.cohort.reference import reference_protocol
from analysis.cohort.schedule import moment
from analysis.cohort.tables import Cohort
from analysis.errors import ModelError, check_choice
from analysis.outcomes.thresholds.chosen_threshold import ChosenThreshold, Criterion, choose_threshold
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
    """A measure at a week with the rules by which it is counted; made by :func:`choose_endpoint`.

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


class EndpointOptions(TypedDict, total=False):
    """What :func:`choose_endpoint` takes beside the cohort and the measure."""

    week: float
    threshold: float | Threshold | None
    criterion: Criterion | None
    limb: str | None
    missing: MissingRule
    baseline: BaselineRule
    reference: str | None
    level: float


def choose_endpoint(
    cohort: Cohort,
    measure: str,
    *,
    week: float,
    threshold: float | Threshold | None = None,
    criterion: Criterion | None = "improvement",
    limb: str | None = None,
    missing: MissingRule = "excluded",
    baseline: BaselineRule = "last before start",
    reference: str | None = None,
    level: float = 0.95,
) -> Endpoint:
    """Choose what is counted or compared, and check that the cohort's measures know it.

    Parameters
    ----------
    cohort : Cohort
    measure : str
        A stored or derived measure.
    week : float
        Week after the start; visits at exactly this week are taken. A state can be asked for at the start too.
    threshold : float or Threshold, optional
        For an improvement its size in the unit of the measure, positive whichever direction is better; by default from the
        catalogue: the minimal important change, otherwise the minimal detectable change. For "percent" and "state" a
        number; they have no default. Reached means at least. Of a measure with a best value improvement is how much nearer
        to it, and a state is reached by every value as near to it as the threshold.
    criterion : {"improvement", "percent", "state"} or None
        What must reach the threshold: the improvement; the improvement in per cent of the baseline; or the value
        itself, for example a limb symmetry index of 90 % (at most the threshold where lower is better). None where means
        are compared and nobody is counted: then there is no threshold.
    limb : str, optional
        The limb; by default the involved one where the measure has limbs.
    missing : {"excluded", "non-response"}
        Whether patients without a change are left out of the denominator or count as non-responders.
    baseline : {"last before start", "first before start", "mean before start", "first after start"}
        Which of the values at week 0 or before is the baseline. The last is the usual one of a trial (common practice, no
        source); the mean carries less error of measurement. The first one after week 0 is for what surgery takes away; what a
        protocol had done by then is not counted.
    reference : str, optional
        The protocol compared with; by default that of the cohort, or the first one where it names none.
    level : float
        Confidence level of the intervals.

    Returns
    -------
    Endpoint
        The endpoint.

    Raises
    ------
    ModelError
        The threshold is missing, impossible or of the wrong sign, the week is not after the start, an option or the
        reference is not known.
    CohortError
        The measure or the limb is not known, or there is no threshold to take.

    Warns
    -----
    CohortWarning
        As of :func:`analysis.outcomes.thresholds.chosen_threshold.choose_threshold`.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> cohort = generate_cohort(patients=30, seed=1).observed
    >>> choose_endpoint(cohort, "quadriceps_torque", week=26, criterion=None).words
    'Quadriceps torque, involved limb: improvement from the last value before the start to week 26.'
    """
    known = cohort.measures[measure]
    chosen = None if criterion is None else _threshold(cohort, measure, threshold, criterion, week)
    if reference is not None:
        reference_protocol(cohort, cohort.patients["protocol"], reference)
    return Endpoint(known, known.limb_named(limb), float(week), chosen, missing, baseline, reference, level)


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


def _threshold(
    cohort: Cohort, measure: str, threshold: float | Threshold | None, criterion: Criterion, week: float
) -> ChosenThreshold:
    known = cohort.measures[measure]
    check_choice(criterion, get_args(Criterion), "criterion", error=ModelError)
    if criterion == "improvement":
        return choose_threshold(cohort, measure, threshold, week=week if 0 < week < np.inf else None)
    if threshold is None or isinstance(threshold, Threshold):
        raise ModelError(
            f"The criterion {criterion!r} needs a number to reach.",
            where=f"measure {measure!r}",
            what_to_do="Give threshold=30 for 30 per cent." if criterion == "percent" else "Give the value to reach.",
        )
    value = float(threshold)
    if criterion == "percent" and not (np.isfinite(value) and value > 0):
        raise ModelError(
            f"An improvement of {value:g} per cent is none.",
            where=f"measure {measure!r}, {known.direction}",
            what_to_do="Give a positive number of per cent, for example 30, whichever direction is better.",
        )
    if criterion == "state" and not known.lowest <= value <= known.highest:
        raise ModelError(
            f"Nobody can reach {value:g} {known.unit} in {known.label.lower()}.",
            where=f"plausible range of {measure!r}: {known.lowest:g} to {known.highest:g}",
            what_to_do="Give a value inside the range.",
        )
    unit = "%" if criterion == "percent" else known.unit
    return ChosenThreshold(value, unit, "given by the user", known.direction, None, "", criterion, known.ideal)

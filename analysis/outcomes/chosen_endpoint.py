"""How an endpoint is chosen: from the catalogue or by what was named, checked against the measures of the cohort."""

from typing import TypedDict, get_args

import numpy as np

from analysis.cohort.measures import Threshold
from analysis.cohort.reference import reference_protocol
from analysis.cohort.tables import Cohort
from analysis.errors import ModelError, check_choice
from analysis.outcomes.endpoint import BaselineRule, Endpoint, MissingRule
from analysis.outcomes.thresholds.chosen_threshold import ChosenThreshold, Criterion, choose_threshold


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

"""What a responder must reach: an improvement, an improvement in per cent of the baseline, or a state."""

from __future__ import annotations

from typing import TYPE_CHECKING, get_args

import numpy as np

from analysis.cohort.measures import Threshold
from analysis.errors import ModelError
from analysis.outcomes.thresholds.chosen_threshold import ChosenThreshold, Criterion, choose_threshold

if TYPE_CHECKING:
    import pandas as pd

    from analysis.cohort.measures import Measure
    from analysis.cohort.tables import Cohort

_GIVEN = "given by the user"


def choose_criterion(
    cohort: Cohort,
    measure: str,
    threshold: float | Threshold | None = None,
    *,
    criterion: Criterion = "improvement",
    week: float | None = None,
) -> ChosenThreshold:
    """Choose the threshold of a criterion.

    Parameters
    ----------
    cohort : Cohort
        The cohort.
    measure : str
        The measure.
    threshold : float or Threshold, optional
        For "improvement" as in :func:`analysis.outcomes.thresholds.chosen_threshold.choose_threshold`; for "percent" the
        improvement in per cent of the baseline; for "state" the value to be reached. The last two have no default.
    criterion : {"improvement", "percent", "state"}
        What must reach the threshold.
    week : float, optional
        Week of the analysis.

    Returns
    -------
    ChosenThreshold
        The threshold with its criterion.

    Raises
    ------
    ModelError
        The criterion is not known, or its threshold is missing or impossible.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> cohort = generate_cohort(patients=30, seed=1).observed
    >>> choose_criterion(cohort, "pain", 30, criterion="percent").words
    'Improvement is a fall of at least 30 % of the baseline value (given by the user).'
    >>> choose_criterion(cohort, "limb_symmetry_index", 90, criterion="state").words
    'Reached means a value of at least 90 % (given by the user), whatever the baseline.'
    """
    known = cohort.measures[measure]
    if criterion not in get_args(Criterion):
        raise ModelError(
            f"There is no criterion {criterion!r}.", what_to_do=f"Use one of: {', '.join(get_args(Criterion))}."
        )
    if criterion == "improvement":
        return choose_threshold(cohort, measure, threshold, week=week)
    if threshold is None or isinstance(threshold, Threshold):
        raise ModelError(
            f"The criterion {criterion!r} needs a number to reach.",
            where=f"measure {measure!r}",
            what_to_do="Give threshold=30 for 30 per cent." if criterion == "percent" else "Give the value to reach.",
        )
    value = float(threshold)
    if criterion == "percent":
        if not np.isfinite(value) or value <= 0:
            raise ModelError(
                f"An improvement of {value:g} per cent is none.",
                where=f"measure {measure!r}, {known.direction}",
                what_to_do="Give a positive number of per cent, for example 30, whichever direction is better.",
            )
        return ChosenThreshold(value, "%", _GIVEN, known.direction, None, "", criterion)
    if not known.lowest <= value <= known.highest:
        raise ModelError(
            f"Nobody can reach {value:g} {known.unit} in {known.label.lower()}.",
            where=f"plausible range of {measure!r}: {known.lowest:g} to {known.highest:g}",
            what_to_do="Give a value inside the range.",
        )
    return ChosenThreshold(value, known.unit, _GIVEN, known.direction, None, "", criterion)


def compared_amount(patients: pd.DataFrame, criterion: Criterion, measure: Measure) -> pd.Series:
    """Give what is compared with the threshold: more is better, whichever direction the measure has.

    Parameters
    ----------
    patients : pandas.DataFrame
        As :func:`analysis.outcomes.change.change.change_at_week` gives it.
    criterion : {"improvement", "percent", "state"}
        The criterion.
    measure : Measure
        The measure.

    Returns
    -------
    pandas.Series
        Improvement; improvement in per cent of the size of the baseline (missing where that is 0); or the value, with
        its sign turned where lower is better.

    Examples
    --------
    >>> import pandas as pd
    >>> from analysis.cohort import load_catalogue
    >>> patients = pd.DataFrame({"baseline": [4.0, 0.0], "value": [3.0, 1.0], "improvement": [1.0, -1.0]})
    >>> pain = load_catalogue()["pain"]
    >>> [compared_amount(patients, one, pain).tolist() for one in ("improvement", "percent", "state")]
    [[1.0, -1.0], [25.0, nan], [-3.0, -1.0]]
    """
    if criterion == "state":
        return measure.sign * patients["value"] + 0.0
    if criterion == "percent":
        size = patients["baseline"].abs()
        return 100 * patients["improvement"] / size.where(size > 0)
    return patients["improvement"]


def compared_value(chosen: ChosenThreshold, measure: Measure) -> float:
    """Give the threshold on the scale of :func:`compared_amount`."""
    return measure.sign * chosen.value if chosen.criterion == "state" else chosen.value

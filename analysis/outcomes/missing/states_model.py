"""The joint model of several measures at several weeks: what fills the missing values of states that are counted together."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.cohort.follow_up.expected_visits import expected_weeks, seen_weeks
from analysis.cohort.measures import YES_NO
from analysis.cohort.schedule import moment
from analysis.cohort.tables import Cohort
from analysis.cohort.visit_frame import visit_frame
from analysis.counted import counted
from analysis.curves.covariances.residual_structures import Residual
from analysis.curves.first_converged import fit_first_that_converges
from analysis.errors import ModelError
from analysis.outcomes.endpoint import Endpoint, rounding_room
from analysis.outcomes.missing.imputation import imputations
from analysis.outcomes.missing.monotone_draws import how_drawn
from analysis.outcomes.missing.weekly_model import WeeklyModel, people_of

Floats = NDArray[np.float64]

#: Values of a patient in the model at most, and patients for each of them at least, where visits between are taken (design
#: choices: an unstructured covariance of nine values has 45 parameters, and is fitted in seconds).
MOST_VALUES, PATIENTS_PER_VALUE = 9, 10
_UNSTRUCTURED: tuple[tuple[str | None, Residual, str], ...] = ((None, "unstructured", "an unstructured covariance"),)


@dataclass(frozen=True, eq=False)
class StatesModel:
    """A normal model of several measures at several weeks; made by :func:`fit_states`.

    Attributes
    ----------
    states : tuple of Endpoint
        What is to be reached, each at the week.
    values : tuple of (Endpoint, float)
        The measure and week of each value of a patient, in the order of the model, whose "weeks" are their places.
    scales : ndarray, shape (values,)
        Standard deviation of each, by which it is divided in the model.
    model : WeeklyModel
        The fit: means by protocol for each value, unstructured covariance, so that measures go with one another as they did.
    """

    states: tuple[Endpoint, ...]
    values: tuple[tuple[Endpoint, float], ...]
    scales: Floats
    model: WeeklyModel

    def reached(self, number: int, rng: np.random.Generator) -> Iterator[NDArray[np.bool_]]:
        """Fill what is missing at the week, missing at random, and judge every patient by all states, again and again.

        Yields
        ------
        ndarray of bool, shape (patients,)
            In the order of ``model.patients``.
        """
        at_week = {_key(one): place for place, (one, week) in enumerate(self.values) if week == one.week}
        places = [at_week[_key(one)] for one in self.states]
        for filled in imputations(self.model, number, rng, places=sorted(set(places))):
            answer = np.ones(len(filled), dtype=bool)
            for one, place in zip(self.states, places, strict=True):
                values = pd.Series(filled[:, place] * self.scales[place])
                amount = one.amount(values, values).to_numpy(dtype=np.float64)
                answer &= amount >= one.limit - rounding_room(one.limit)
            yield answer


def fit_states(cohort: Cohort, states: Sequence[Endpoint]) -> StatesModel:
    """Fit the joint model of the measures of several states at one week.

    Parameters
    ----------
    cohort : Cohort
    states : sequence of Endpoint
        As :func:`analysis.outcomes.responders.states_together.states_of` gives them, at one week after the start.

    Returns
    -------
    StatesModel
        Of each measure its baseline (the last value at or before week 0) and its value at the week; and visits between, the
        latest first, as long as there are at most :data:`MOST_VALUES` values and :data:`PATIENTS_PER_VALUE` patients for each.
        A value that nobody of a protocol has, or that is the same in all, is left out, unless it is the one at the week.

    Raises
    ------
    ModelError
        A part is a yes or no, nobody of a protocol has one of the measures at the week, all have the same value there, or
        the model cannot be fitted.

    Examples
    --------
    >>> from analysis.outcomes.responders.states_together import states_of
    >>> from synthetic_cohort import generate_cohort
    >>> cohort = generate_cohort(patients=120, seed=1).observed
    >>> found = fit_states(cohort, states_of(cohort, ["pain 3", "ikdc 75"], week=26))
    >>> [(one.measure.name, week) for one, week in found.values]
    [('pain', 0.0), ('ikdc', 0.0), ('pain', 6.0), ('ikdc', 6.0), ('pain', 12.0), ('ikdc', 12.0), ('pain', 26.0), ('ikdc', 26.0)]
    """
    parts = list({_key(one): one for one in states}.values())
    _refuse_yes_no(parts)
    people, left_out = people_of(cohort, ())
    columns = {
        (one, float(str(week))): values
        for one in parts
        for week, values in _by_week(cohort, one).reindex(people["patient_id"]).items()
    }
    chosen, scales = _chosen(columns, parts, people)
    wide = np.column_stack([columns[value].to_numpy(dtype=np.float64) for value in chosen]) / scales
    rows = pd.DataFrame(
        {
            "patient_id": np.repeat(people["patient_id"].to_numpy(), len(chosen)),
            "week": np.tile(np.arange(len(chosen), dtype=np.float64), len(people)),
            "value": wide.ravel(),
        }
    )
    rows = rows[rows["value"].notna()].merge(people, on="patient_id", validate="many_to_one")
    names = tuple(str(name) for name in people["protocol"].cat.categories)
    fit, _, _ = fit_first_that_converges(
        rows, f"value ~ {'protocol * C(week)' if len(names) > 1 else 'C(week)'}", _UNSTRUCTURED, inference="normal",
        failure="No joint model of the measures counted together could be fitted.",
        what_to_do="Count fewer measures together, or a week that more patients attended.",
    )  # fmt: skip
    said = "; ".join(
        f"{one.measure.label_on(one.limb)} at {', '.join(moment(week) for of, week in chosen if of == one)}"
        for one in parts
    )
    choices = (
        *left_out,
        f"Joint normal model of {counted(len(chosen), 'value')} of a patient, each divided by its standard deviation: {said}.",
        "Means by protocol, an unstructured covariance, not adjusted.",
    )
    places = np.arange(len(chosen), dtype=np.float64)
    model = WeeklyModel("states together", "none", fit, places, names, people, wide, choices)
    drawn = how_drawn(model).replace("week after week", "value after value").replace("came to a week", "have a value")
    drawn = drawn.replace("the weeks before", "those before")
    return StatesModel(tuple(states), tuple(chosen), scales, replace(model, choices=(*choices, drawn)))


def _key(one: Endpoint) -> tuple[str, str]:
    return one.measure.name, one.limb


def _refuse_yes_no(parts: Sequence[Endpoint]) -> None:
    wrong = [one.measure.name for one in parts if one.measure.unit == YES_NO]
    if wrong:
        raise ModelError(
            "A yes or no is no value of a normal model, so it cannot be filled together with others.",
            where=f"states of {', '.join(wrong)}",
            what_to_do="Count those seen, or those not judged as not reached.",
        )


def _by_week(cohort: Cohort, one: Endpoint) -> pd.DataFrame:
    """Give a measure by patient (rows) and week up to the week of the state (columns); week 0 is the baseline."""
    frame = visit_frame(cohort, one.measure.name, one.limb)
    frame = frame[frame["value"].notna()]
    frame = frame.assign(week=frame["week"].clip(lower=0.0)).drop_duplicates(["patient_id", "week"], keep="last")
    known = {*expected_weeks(seen_weeks(cohort, one.measure.name, one.limb)), one.week}
    frame = frame[frame["week"].isin([week for week in known if week <= one.week])]
    return frame.pivot(index="patient_id", columns="week", values="value").reindex(
        columns=sorted({*frame["week"].unique(), one.week})
    )


def _chosen(
    columns: dict[tuple[Endpoint, float], pd.Series], parts: Sequence[Endpoint], people: pd.DataFrame
) -> tuple[list[tuple[Endpoint, float]], Floats]:
    """Choose the values of the model, in the order of their weeks, with the standard deviation of each."""
    usable: dict[tuple[Endpoint, float], float] = {}
    for (one, week), values in columns.items():
        seen = values.notna().groupby(people["protocol"].to_numpy(), observed=False).sum()
        nobody, spread = [str(name) for name in seen.index[seen == 0]], float(values.std())
        if not nobody and np.isfinite(spread) and spread > 0:
            usable[one, week] = spread
        elif week == one.week:
            what = one.measure.label_on(one.limb)
            raise ModelError(
                f"Nobody of {', '.join(nobody)} has a value of {what} at {moment(week)}."
                if nobody
                else f"All values of {what} at {moment(week)} are the same.",
                where="states counted together",
                what_to_do="Name a week at which patients of every protocol were measured, or count those seen.",
            )
    chosen = [one for one in usable if one[1] in (0.0, one[0].week)]
    weeks = sorted({week for _, week in usable} - {week for _, week in chosen}, reverse=True)
    for week in weeks:
        further = [(one, at) for one, at in usable if at == week]
        many = len(chosen) + len(further)
        if many > MOST_VALUES or many * PATIENTS_PER_VALUE > len(people):
            break
        chosen += further
    order = {_key(one): place for place, one in enumerate(parts)}
    chosen.sort(key=lambda value: (value[1], order[_key(value[0])]))
    return chosen, np.array([usable[value] for value in chosen])

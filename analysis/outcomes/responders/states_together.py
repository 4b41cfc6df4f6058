"""A state of several measures together, such as strength, extension and score: reached where all of them are at one visit."""

import re
from collections.abc import Sequence
from dataclasses import replace

import pandas as pd

from analysis.cohort.measures import YES_NO, Measure
from analysis.cohort.tables import Cohort
from analysis.cohort.visit_frame import visit_frame
from analysis.errors import ModelError
from analysis.outcomes.chosen_endpoint import choose_endpoint
from analysis.outcomes.endpoint import Endpoint

TOGETHER = "states_together"
_STATE = re.compile(r"\s*(\w+)\s*(>=|<=)?\s*(-?\d+(?:\.\d+)?)\s*")


def with_states_together(cohort: Cohort, states: Sequence[str]) -> Cohort:
    """Add a measure to a cohort that says at each visit whether several states were reached together.

    Parameters
    ----------
    cohort : Cohort
    states : sequence of str
        Two or more, each a measure and the value to reach: ``"limb_symmetry_index 90"``, ``"pain 3"``. Whether at least or at
        most follows from the measure; ``"pain <= 3"`` says it too. Of a measure with a best value such as 0 degrees, every
        value as near to it. Of a measure of limbs the involved one.

    Returns
    -------
    Cohort
        With the measure ``states_together``: 1 where all were reached, 0 where one was not, and no value at visits at which
        one of them was not measured. It is counted as a state of at least 1.

    Raises
    ------
    ModelError
        There are fewer than two, one is not written so, or says the other side than the measure's better one; or no visit
        has a value of all of them.
    CohortError
        A measure is not known.

    Examples
    --------
    >>> from analysis.outcomes import responders
    >>> from synthetic_cohort import generate_cohort
    >>> cohort = generate_cohort(patients=60, seed=1).observed
    >>> both = with_states_together(cohort, ["limb_symmetry_index 90", "ikdc 75"])
    >>> found = responders(both, "states_together", week=52, criterion="state", threshold=1)
    >>> alone = responders(cohort, "ikdc", week=52, criterion="state", threshold=75)
    >>> bool((found.table["responders"] <= alone.table["responders"]).all())
    True
    """
    endpoints = states_of(cohort, states)
    at_visits = [_reached_at_visits(cohort, one).rename(str(place)) for place, one in enumerate(endpoints)]
    known = pd.concat(at_visits, axis=1, join="inner").dropna()
    if known.empty:
        raise ModelError(
            "At no visit was everything measured that is to be reached together.",
            where=f"states: {', '.join(states)}",
            what_to_do="Name measures that were taken at the same visits.",
        )
    parts = "; ".join(f"{one.measure.label_on(one.limb)}: {one.level_words}" for one in endpoints)
    measure = Measure(
        TOGETHER, f"All {len(endpoints)} states", YES_NO, "higher is better", lowest=0, highest=1, decimals=0,
        description=f"All at one visit: {parts}.",
    )  # fmt: skip
    rows = known.all(axis=1).astype("float64").rename("value").reset_index()
    rows = rows.assign(measure=TOGETHER, limb="none")
    visits = pd.concat([cohort.visits.astype({"measure": "str", "limb": "str"}), rows], ignore_index=True)
    return replace(cohort, visits=visits, measures=cohort.measures.with_measures(measure))


def states_of(cohort: Cohort, states: Sequence[str], *, week: float = 0.0) -> list[Endpoint]:
    """Read states as :func:`with_states_together` is given them, each as an endpoint at a week.

    Raises
    ------
    ModelError
        There are fewer than two, or one is not written so.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> cohort = generate_cohort(patients=30, seed=1).observed
    >>> [one.level_words for one in states_of(cohort, ["pain 3", "ikdc 75"], week=26)]
    ['3 points or less', '75 points or more']
    """
    if len(states) < 2:
        raise ModelError(
            f"{'One state is' if states else 'No states are'} named to be reached together.",
            where=f"states: {', '.join(states) or 'none'}",
            what_to_do='Name two or more, for example ["limb_symmetry_index 90", "ikdc 75"].',
        )
    return [_endpoint(cohort, text, week) for text in states]


def _endpoint(cohort: Cohort, text: str, week: float) -> Endpoint:
    written = _STATE.fullmatch(text)
    if written is None:
        raise ModelError(
            f"{text!r} names no state.",
            where="states to be reached together",
            what_to_do='Write a measure and the value to reach, for example "limb_symmetry_index 90".',
        )
    name, side, value = written.groups()
    found = choose_endpoint(cohort, name, week=week, criterion="state", threshold=float(value))
    if side is not None and side != (">=" if found.measure.sign > 0 else "<="):
        raise ModelError(
            f"{text!r} asks for the worse side: of {name}, {found.measure.direction}.",
            where="states to be reached together",
            what_to_do=f'Write "{name} {value}".',
        )
    return found


def _reached_at_visits(cohort: Cohort, endpoint: Endpoint) -> pd.Series:
    """Say whether a state was reached at each visit with a value, by patient and week."""
    frame = visit_frame(cohort, endpoint.measure.name, endpoint.limb).dropna(subset=["value"])
    answer = endpoint.reached(endpoint.amount(frame["baseline"], frame["value"]))
    return answer.set_axis(pd.MultiIndex.from_frame(frame[["patient_id", "week"]]))

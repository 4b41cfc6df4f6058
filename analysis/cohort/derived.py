"""Measures computed from stored ones at the same visit; they are never stored."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analysis.errors import CohortError

if TYPE_CHECKING:
    from collections.abc import Callable

_KEY = ["patient_id", "week"]


def measured_values(visits: pd.DataFrame, measure: str, limb: str) -> pd.DataFrame:
    """Take one measure of one limb out of the visits, or compute it where it is a derived one.

    Parameters
    ----------
    visits : pandas.DataFrame
        Columns patient_id, week, measure, limb, value.
    measure : str
        Name of a stored measure, or limb_symmetry_index (%), arc_of_motion (deg) or extension_deficit (deg).
    limb : str
        involved, uninvolved or none.

    Returns
    -------
    pandas.DataFrame
        Columns patient_id, week, value, in the order of the visits.

    Raises
    ------
    CohortError
        The measure was taken twice at one visit.

    Examples
    --------
    >>> visits = pd.DataFrame({"patient_id": "a", "week": 12.0, "measure": "quadriceps_torque",
    ...                        "limb": ["involved", "uninvolved"], "value": [1.5, 2.0]})
    >>> measured_values(visits, "limb_symmetry_index", "none")
      patient_id  week  value
    0          a  12.0   75.0
    """
    compute = _DERIVED.get(measure)
    return _stored(visits, measure, limb) if compute is None else compute(visits, limb)


def _stored(visits: pd.DataFrame, measure: str, limb: str) -> pd.DataFrame:
    chosen = visits.loc[(visits["measure"] == measure) & (visits["limb"] == limb), [*_KEY, "value"]]
    twice = chosen.duplicated(_KEY)
    if twice.any():
        patient, week, _ = chosen[twice].iloc[0]
        raise CohortError(
            f"The measure {measure!r} (limb {limb!r}) comes twice at one visit.",
            where=f"table visits, {int(twice.sum()):,} rows; the first: patient {patient}, week {week:g}",
            what_to_do="Run check_cohort on the cohort and keep one row of each.",
        )
    return chosen.reset_index(drop=True)


def _pair(first: pd.DataFrame, second: pd.DataFrame) -> pd.DataFrame:
    return first.merge(second, on=_KEY, how="inner", suffixes=("", "_other"), validate="one_to_one")


def _limb_symmetry_index(visits: pd.DataFrame, limb: str) -> pd.DataFrame:  # noqa: ARG001 - one index for both limbs
    both = _pair(_stored(visits, "quadriceps_torque", "involved"), _stored(visits, "quadriceps_torque", "uninvolved"))
    other = both["value_other"].where(both["value_other"] > 0)
    return both[_KEY].assign(value=100.0 * both["value"] / other)


def _arc_of_motion(visits: pd.DataFrame, limb: str) -> pd.DataFrame:
    both = _pair(_stored(visits, "knee_flexion", limb), _stored(visits, "knee_extension", limb))
    return both[_KEY].assign(value=both["value"] + both["value_other"])


def _extension_deficit(visits: pd.DataFrame, limb: str) -> pd.DataFrame:
    extension = _stored(visits, "knee_extension", limb)
    return extension.assign(value=np.maximum(0.0, -extension["value"]))


_DERIVED: dict[str, Callable[[pd.DataFrame, str], pd.DataFrame]] = {
    "limb_symmetry_index": _limb_symmetry_index,
    "arc_of_motion": _arc_of_motion,
    "extension_deficit": _extension_deficit,
}

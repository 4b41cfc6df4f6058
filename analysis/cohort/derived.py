"""Measures computed from stored ones; they are never stored."""

from __future__ import annotations

from collections.abc import Callable
from typing import Literal, get_args

import numpy as np
import pandas as pd

from analysis.cohort.schedule import days_apart, moment
from analysis.cohort.tables import Cohort
from analysis.errors import CohortError

BodyMass = Literal["nearest visit", "baseline"]

_KEY = ["patient_id", "week"]
_TORQUE, _NEWTON_METRES, _MASS = "quadriceps_torque", "quadriceps_torque_nm", "body_mass"
_PRE_INJURY = "quadriceps_torque_pre_injury"


def measured_values(
    visits: pd.DataFrame, measure: str, limb: str, patients: pd.DataFrame | None = None
) -> pd.DataFrame:
    """Take one measure of one limb out of the visits, or compute it where it is a derived one.

    Parameters
    ----------
    visits : pandas.DataFrame
        Columns patient_id, week, measure, limb, value.
    measure : str
        Name of a stored measure, or limb_symmetry_index, limb_symmetry_to_baseline, limb_symmetry_to_pre_injury,
        torque_gap_regained (%), arc_of_motion, extension_deficit or extension_side_difference (deg). Where torque is stored
        in N·m, quadriceps_torque is computed as :func:`torque_per_kg` does with the body mass of the nearest visit.
    limb : str
        involved, uninvolved or none.
    patients : pandas.DataFrame, optional
        The table patients: body_mass_kg and quadriceps_torque_pre_injury are taken from it.

    Returns
    -------
    pandas.DataFrame
        Columns patient_id, week, value, in the order of the visits.

    Raises
    ------
    CohortError
        The measure was taken twice at one visit, or the patients lack the column that it is computed from.

    Examples
    --------
    >>> visits = pd.DataFrame({"patient_id": "a", "week": 12.0, "measure": "quadriceps_torque",
    ...                        "limb": ["involved", "uninvolved"], "value": [1.5, 2.0]})
    >>> measured_values(visits, "limb_symmetry_index", "none")
      patient_id  week  value
    0          a  12.0   75.0
    """
    compute = _DERIVED.get(measure)
    return _stored(visits, measure, limb) if compute is None else compute(visits, limb, patients)


def torque_per_kg(cohort: Cohort, limb: str = "involved", *, body_mass: BodyMass = "nearest visit") -> pd.DataFrame:
    """Divide quadriceps torque in N·m by body mass, and say which body mass was taken.

    Parameters
    ----------
    cohort : Cohort
        A cohort with the measure quadriceps_torque_nm, and body mass: the measure body_mass at visits, the column
        body_mass_kg of patients, or both.
    limb : {"involved", "uninvolved"}
        The limb.
    body_mass : {"nearest visit", "baseline"}
        nearest visit: of the visit with a body mass that is nearest in days, the earlier of two equally near; where a
        patient has none, that of the baseline. baseline: body_mass_kg of patients, else the last visit at or before
        week 0.

    Returns
    -------
    pandas.DataFrame
        One row a torque: patient_id, week, torque_nm (N·m), body_mass_kg, body_mass_from ("visit", "baseline", or empty
        where there is none), body_mass_week (missing for the column of patients), value (N·m/kg; missing without a body
        mass).

    Raises
    ------
    CohortError
        The choice of body mass is not known, or a measure comes twice at a visit.

    Examples
    --------
    >>> from analysis.cohort.tables import Cohort
    >>> patients = pd.DataFrame({"patient_id": ["a"], "protocol": ["usual"], "body_mass_kg": [80.0]})
    >>> visits = pd.DataFrame({"patient_id": "a", "week": [0, 12], "measure": "quadriceps_torque_nm",
    ...                        "limb": "involved", "value": [120, 160]})
    >>> torque_per_kg(Cohort(patients, visits))[["week", "value", "body_mass_from"]].values.tolist()
    [[0.0, 1.5, 'baseline'], [12.0, 2.0, 'baseline']]
    """
    return _per_kg(cohort.visits, limb, cohort.patients, body_mass)


def _per_kg(visits: pd.DataFrame, limb: str, patients: pd.DataFrame | None, body_mass: BodyMass) -> pd.DataFrame:
    if body_mass not in get_args(BodyMass):
        raise CohortError(
            f"There is no choice of body mass {body_mass!r}.", what_to_do=f"Use {' or '.join(get_args(BodyMass))}."
        )
    torque = _stored(visits, _NEWTON_METRES, limb).rename(columns={"value": "torque_nm"})
    masses = _stored(visits, _MASS, "none").dropna().sort_values("week", kind="stable")
    if body_mass == "baseline":
        masses = masses[masses["week"] <= 0].drop_duplicates("patient_id", keep="last")
    masses = masses.rename(columns={"week": "body_mass_week", "value": "body_mass_kg"})
    rows = torque.reset_index().merge(masses, on="patient_id", how="left")
    rows["distance"] = days_apart(rows["week"].to_numpy(), rows["body_mass_week"].to_numpy())
    rows = rows.sort_values(["index", "distance", "body_mass_week"], kind="stable").drop_duplicates("index")
    answer = rows.drop(columns=["index", "distance"]).reset_index(drop=True)
    has_visit = answer["body_mass_kg"].notna()
    answer["body_mass_from"] = pd.Series(np.where(has_visit, "visit", ""), dtype="str")
    if patients is not None and "body_mass_kg" in patients:
        first = patients.drop_duplicates("patient_id").set_index("patient_id")["body_mass_kg"]
        own = answer["patient_id"].map(first).astype("float64")
        taken = own.notna() & (~has_visit | (body_mass == "baseline"))
        answer["body_mass_kg"] = own.where(taken, answer["body_mass_kg"])
        answer["body_mass_week"] = answer["body_mass_week"].mask(taken)
        answer["body_mass_from"] = answer["body_mass_from"].mask(taken, "baseline")
    if body_mass == "baseline":
        answer["body_mass_from"] = answer["body_mass_from"].replace("visit", "baseline")
    usable = answer["body_mass_kg"].where(answer["body_mass_kg"] > 0)
    answer["value"] = answer["torque_nm"] / usable
    return answer[[*_KEY, "torque_nm", "body_mass_kg", "body_mass_from", "body_mass_week", "value"]]


def _stored(visits: pd.DataFrame, measure: str, limb: str) -> pd.DataFrame:
    of_both = [
        np.asarray(visits[name].array == one, dtype=bool) for name, one in (("measure", measure), ("limb", limb))
    ]
    rows = np.flatnonzero(of_both[0] & of_both[1])
    chosen = pd.DataFrame({name: visits[name].array.take(rows) for name in (*_KEY, "value")}, copy=False)
    twice = chosen.duplicated(_KEY)
    if twice.any():
        patient, week, _ = chosen[twice].iloc[0]
        raise CohortError(
            f"The measure {measure!r} (limb {limb!r}) comes twice at one visit.",
            where=f"table visits, {int(twice.sum()):,} rows; the first: patient {patient}, {moment(week)}",
            what_to_do="Run check_cohort on the cohort and keep one row of each.",
        )
    return chosen


def _torque(visits: pd.DataFrame, limb: str, patients: pd.DataFrame | None) -> pd.DataFrame:
    """Give torque per kilogram as stored; where only N·m are stored, computed."""
    stored = _stored(visits, _TORQUE, limb)
    if stored.empty and (visits["measure"] == _NEWTON_METRES).any():
        return _per_kg(visits, limb, patients, "nearest visit")[[*_KEY, "value"]]
    return stored


def torque_is_per_kg(visits: pd.DataFrame, patients: pd.DataFrame) -> bool:
    """Say whether quadriceps torque in N·m/kg can be computed from stored N·m and body mass; then it is the one to take.

    Examples
    --------
    >>> visits = pd.DataFrame({"patient_id": "a", "week": [0.0], "measure": "quadriceps_torque_nm", "limb": "involved", "value": [120.0]})
    >>> [torque_is_per_kg(visits, pd.DataFrame({"patient_id": ["a"]} | mass)) for mass in ({}, {"body_mass_kg": [80.0]})]
    [False, True]
    """
    return bool(
        _per_kg(visits.drop_duplicates([*_KEY, "measure", "limb"]), "involved", patients, "nearest visit")["value"]
        .notna()
        .any()
    )


def _pair(first: pd.DataFrame, second: pd.DataFrame) -> pd.DataFrame:
    return first.merge(second, on=_KEY, how="inner", suffixes=("", "_other"), validate="one_to_one")


def _share(values: pd.DataFrame, of: pd.Series) -> pd.DataFrame:
    return values[_KEY].assign(value=100.0 * values["value"] / of.where(of > 0))


def _limb_symmetry_index(visits: pd.DataFrame, limb: str, patients: pd.DataFrame | None) -> pd.DataFrame:  # noqa: ARG001
    both = _pair(_torque(visits, "involved", patients), _torque(visits, "uninvolved", patients))
    return _share(both, both["value_other"])


def _to_baseline(visits: pd.DataFrame, limb: str, patients: pd.DataFrame | None) -> pd.DataFrame:  # noqa: ARG001
    involved, other = _torque(visits, "involved", patients), _torque(visits, "uninvolved", patients)
    return _share(involved, involved["patient_id"].map(_last_before(other)).astype("float64"))


def _last_before(values: pd.DataFrame) -> pd.Series:
    """Give the last value at or before week 0 of each patient."""
    before = values[values["week"].le(0) & values["value"].notna()].sort_values("week", kind="stable")
    return before.drop_duplicates("patient_id", keep="last").set_index("patient_id")["value"]


def _to_pre_injury(visits: pd.DataFrame, limb: str, patients: pd.DataFrame | None) -> pd.DataFrame:  # noqa: ARG001
    if patients is None or _PRE_INJURY not in patients:
        raise CohortError(
            "There is no torque from before the injury to compare with.",
            where=f"table patients, column {_PRE_INJURY}",
            what_to_do="Add the column (N·m/kg, involved limb), or compare with the other limb at baseline: "
            "limb_symmetry_to_baseline.",
        )
    involved = _torque(visits, "involved", patients)
    stored = patients.drop_duplicates("patient_id").set_index("patient_id")[_PRE_INJURY]
    return _share(involved, involved["patient_id"].map(stored).astype("float64"))


def _gap_regained(visits: pd.DataFrame, limb: str, patients: pd.DataFrame | None) -> pd.DataFrame:  # noqa: ARG001
    involved, other = _torque(visits, "involved", patients), _torque(visits, "uninvolved", patients)
    own, target = (involved["patient_id"].map(_last_before(one)).astype("float64") for one in (involved, other))
    return _share(involved.assign(value=involved["value"] - own), target - own)


def _arc_of_motion(visits: pd.DataFrame, limb: str, patients: pd.DataFrame | None) -> pd.DataFrame:  # noqa: ARG001
    both = _pair(_stored(visits, "knee_flexion", limb), _stored(visits, "knee_extension", limb))
    return both[_KEY].assign(value=both["value"] + both["value_other"])


def _extension_deficit(visits: pd.DataFrame, limb: str, patients: pd.DataFrame | None) -> pd.DataFrame:  # noqa: ARG001
    extension = _stored(visits, "knee_extension", limb)
    return extension.assign(value=(-extension["value"]).clip(lower=0.0) + 0.0)  # of a straight knee 0, not -0


def _extension_side_difference(visits: pd.DataFrame, limb: str, patients: pd.DataFrame | None) -> pd.DataFrame:  # noqa: ARG001
    both = _pair(_stored(visits, "knee_extension", "involved"), _stored(visits, "knee_extension", "uninvolved"))
    return both[_KEY].assign(value=both["value"] - both["value_other"])


#: Of which stored measures a measure is computed, if it is not stored itself.
MEASURED_FROM: dict[str, tuple[str, ...]] = {
    _TORQUE: (_NEWTON_METRES,),
    **dict.fromkeys(
        ("limb_symmetry_index", "limb_symmetry_to_baseline", "limb_symmetry_to_pre_injury", "torque_gap_regained"),
        (_TORQUE, _NEWTON_METRES),
    ),
    "arc_of_motion": ("knee_flexion", "knee_extension"),
    "extension_deficit": ("knee_extension",),
    "extension_side_difference": ("knee_extension",),
}
_DERIVED: dict[str, Callable[[pd.DataFrame, str, pd.DataFrame | None], pd.DataFrame]] = {
    _TORQUE: _torque,
    "limb_symmetry_index": _limb_symmetry_index,
    "limb_symmetry_to_baseline": _to_baseline,
    "limb_symmetry_to_pre_injury": _to_pre_injury,
    "torque_gap_regained": _gap_regained,
    "arc_of_motion": _arc_of_motion,
    "extension_deficit": _extension_deficit,
    "extension_side_difference": _extension_side_difference,
}

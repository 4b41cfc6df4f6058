"""One patient beside the rest of the cohort: centiles, each visit against what was expected, and the weeks ahead."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy import special

from analysis.cohort.measures import Measure
from analysis.cohort.tables import Cohort
from analysis.cohort.visit_frame import visit_frame
from analysis.curves.own_curve import expected_given_visits
from analysis.curves.recovery import RecoveryCurves, fit_recovery
from analysis.errors import ModelError
from analysis.result import ResultWithNotes

#: Centiles of the rest of the cohort that are given (design choice; growth charts use the like).
CENTILES = (5.0, 25.0, 50.0, 75.0, 95.0)
#: With fewer others of the same protocol the centiles are said to be rough (design choice).
FEW_OTHERS = 20
_SMOOTH_WEEKS = 30


@dataclass(frozen=True, eq=False, repr=False)
class PatientOnCohort(ResultWithNotes):
    """One measure of one patient on the curves of all the others.

    Attributes
    ----------
    patient, protocol : str
        Who, and what was followed.
    measure : Measure
        What was measured.
    limb : str
        ``"involved"``, ``"uninvolved"`` or ``"none"``.
    visits : pandas.DataFrame
        A row a visit with a value: week, value, expected, lower, upper (of a value at that visit, given the earlier
        ones), centile (0 to 100, among patients of the same protocol and baseline), place ("within", "above",
        "below" the interval; "start" at or before week 0; "not compared" at a week that the model does not know).
    centiles : pandas.DataFrame
        week, centile, value: for the patient's protocol and baseline.
    ahead : pandas.DataFrame
        week, estimate, lower, upper (of a value) at the weeks after the last visit, given all visits. As everywhere
        here, what the normal distribution puts beyond the ends of the measure's scale is moved to its end.
    others : RecoveryCurves
        The curves, fitted without the patient.
    n_others, n_same_protocol : int
        Patients the curves rest on, and those of them with the patient's protocol.
    level : float
        Level of the intervals.
    """

    patient: str
    protocol: str
    measure: Measure
    limb: str
    visits: pd.DataFrame
    centiles: pd.DataFrame
    ahead: pd.DataFrame
    others: RecoveryCurves
    n_others: int
    n_same_protocol: int
    level: float

    def _headline(self) -> str:
        return f"{self.measure.label} of patient {self.patient} ({self.protocol}) beside {self.n_others:,} others"

    @property
    def compared(self) -> pd.DataFrame:
        """The visits that have an expectation."""
        return self.visits[self.visits["expected"].notna()]

    @property
    def off(self) -> pd.DataFrame:
        """The visits off the expected curve."""
        return self.visits[self.visits["place"].isin(["above", "below"])]


def patient_on_cohort(
    cohort: Cohort, patient: str, measure: str, *, limb: str | None = None, level: float = 0.95
) -> PatientOnCohort:
    """Compare one patient's visits with the curves of all other patients.

    The model is that of :func:`analysis.curves.recovery.fit_recovery`, fitted without the patient. A visit is off the
    expected curve where its value lies outside the interval in which the model expects a value, given the protocol,
    the baseline and the patient's earlier visits: a visit that stays off on the same curve is not marked again and
    again, and the first sharp turn is. By chance alone 1 - ``level`` of the visits of an ordinary recovery are marked.

    Parameters
    ----------
    cohort : Cohort
        The cohort, the patient included.
    patient : str
        The patient's id.
    measure : str
        A stored or derived measure.
    limb : str, optional
        The limb; the involved one where the measure has limbs.
    level : float
        Level of the intervals.

    Returns
    -------
    PatientOnCohort
        Visits, centiles and the weeks ahead.

    Raises
    ------
    ModelError
        The patient is not in the cohort or has no value of the measure, has no baseline where the curves are adjusted
        for it, nobody else followed the protocol, or the others have no curve.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> cohort = generate_cohort(patients=120, seed=3).observed
    >>> found = patient_on_cohort(cohort, "p0001", "pain")
    >>> bool(found.visits["place"].isin(["start", "within", "above", "below"]).all())
    True
    """
    where = f"patient {patient!r}, measure {measure!r}"
    if not (cohort.patients["patient_id"] == patient).any():
        raise ModelError(
            f"There is no patient {patient!r}.",
            where=f"{len(cohort.patients)} patients",
            what_to_do="Name one of them.",
        )
    frame = visit_frame(cohort, measure, limb)
    own = frame[(frame["patient_id"] == patient) & frame["value"].notna()]
    if own.empty:
        raise ModelError("The patient has no value.", where=where, what_to_do="Choose a measure that was taken.")
    others = fit_recovery(_without(cohort, patient), measure, limb=limb)
    protocol = str(own["protocol"].iloc[0])
    if protocol not in others.protocols:
        raise ModelError(
            f"Nobody else with values of this measure followed the protocol {protocol!r}.",
            where=where,
            what_to_do="Compare a patient whose protocol others followed too.",
        )
    if others.baseline_adjusted and not own["baseline"].notna().any():
        raise ModelError(
            "The patient has no value at or before week 0, and the curves are adjusted for it.",
            where=where,
            what_to_do="Choose a measure that the patient has a baseline of.",
        )
    own = own.astype({"protocol": "str"})
    visits = _against_earlier_visits(others, own, level)
    weeks = _weeks(others)
    centiles = _centiles(others, own, weeks)
    ahead = _ahead(others, own, level)
    same = int(others.frame.loc[others.frame["protocol"].astype("str") == protocol, "patient_id"].nunique())
    return PatientOnCohort(
        patient=patient,
        protocol=protocol,
        measure=cohort.measures[measure],
        limb=others.limb,
        visits=visits,
        centiles=centiles,
        ahead=ahead,
        others=others,
        n_others=others.model.n_patients,
        n_same_protocol=same,
        level=level,
        notes=_notes(visits, same, protocol),
    )


def _without(cohort: Cohort, patient: str) -> Cohort:
    kept = cohort.patients[cohort.patients["patient_id"] != patient]
    visits = cohort.visits[cohort.visits["patient_id"] != patient]
    return replace(cohort, patients=kept, visits=visits, reference=None)  # nothing is compared with a reference


def _known(others: RecoveryCurves, weeks: pd.Series) -> pd.Series:
    """Say which weeks the curves have an expectation for: those of a schedule, or from the first to the last."""
    fitted = others.frame["week"]
    return weeks.isin(fitted.unique()) if others.scheduled else weeks.between(fitted.min(), fitted.max())


def _against_earlier_visits(others: RecoveryCurves, own: pd.DataFrame, level: float) -> pd.DataFrame:
    visits = own[["week", "value"]].reset_index(drop=True).astype("float64")
    visits = visits.assign(expected=np.nan, lower=np.nan, upper=np.nan, centile=np.nan)
    after = own[(own["week"] > 0) & _known(others, own["week"])] if _starts_after(others) else own
    after = after[_known(others, after["week"])]
    place = np.where(visits["week"] <= 0, "start", "not compared").astype(object)
    rows = {float(week): row for row, week in enumerate(visits["week"])}
    if len(after):
        typical = expected_given_visits(others.model, after.iloc[:0], after, level=level)
        centile = 100.0 * special.ndtr((after["value"].to_numpy() - typical["estimate"]) / typical["prediction_error"])
    for count in range(len(after)):
        now = after.iloc[[count]]
        expected = expected_given_visits(others.model, after.iloc[:count], now, level=level).iloc[0]
        row, value = rows[float(now["week"].iloc[0])], float(now["value"].iloc[0])
        limits = expected[["estimate", "prediction_lower", "prediction_upper"]].to_list()
        visits.loc[row, ["expected", "lower", "upper"]] = limits
        visits.loc[row, "centile"] = float(centile.iloc[count])
        place[row] = "below" if value < limits[1] else "above" if value > limits[2] else "within"
    limits = ["expected", "lower", "upper"]
    visits[limits] = visits[limits].clip(others.measure.lowest, others.measure.highest)
    return visits.assign(place=pd.Series(place, dtype="str"))


def _starts_after(others: RecoveryCurves) -> bool:
    return bool(others.frame["week"].min() > 0)


def _weeks(others: RecoveryCurves) -> np.ndarray:
    fitted = others.frame["week"]
    if others.scheduled:
        return np.sort(fitted.unique()).astype(np.float64)
    return np.linspace(float(fitted.min()), float(fitted.max()), _SMOOTH_WEEKS)


def _at(own: pd.DataFrame, weeks: np.ndarray) -> pd.DataFrame:
    """Repeat what is known of the patient at other weeks."""
    return own.iloc[[-1] * len(weeks)].drop(columns="value").assign(week=weeks).reset_index(drop=True)


def _centiles(others: RecoveryCurves, own: pd.DataFrame, weeks: np.ndarray) -> pd.DataFrame:
    typical = expected_given_visits(others.model, own.iloc[:0], _at(own, weeks))
    places = special.ndtri(np.asarray(CENTILES) / 100.0)
    values = typical["estimate"].to_numpy()[:, None] + typical["prediction_error"].to_numpy()[:, None] * places
    values = values.clip(others.measure.lowest, others.measure.highest)
    return pd.DataFrame(
        {"week": np.repeat(weeks, len(CENTILES)), "centile": np.tile(CENTILES, len(weeks)), "value": values.ravel()}
    )


def _ahead(others: RecoveryCurves, own: pd.DataFrame, level: float) -> pd.DataFrame:
    weeks = np.array([week for week in others.weeks if week > own["week"].max()], dtype=np.float64)
    columns = {"prediction_lower": "lower", "prediction_upper": "upper"}
    if not weeks.size:
        return pd.DataFrame({name: np.zeros(0) for name in ("week", "estimate", "lower", "upper")})
    seen = own[_known(others, own["week"])]
    table = expected_given_visits(others.model, seen, _at(own, weeks), level=level)
    table = table[["week", "estimate", *columns]].rename(columns=columns)
    limits = ["estimate", "lower", "upper"]
    table[limits] = table[limits].clip(others.measure.lowest, others.measure.highest)
    return table


def _notes(visits: pd.DataFrame, same: int, protocol: str) -> tuple[str, ...]:
    notes = []
    if same < FEW_OTHERS:
        notes.append(f"Only {same} other patients of the protocol {protocol} are behind the curves: they are rough.")
    strange = visits.loc[visits["place"] == "not compared", "week"]
    if len(strange):
        weeks = ", ".join(f"{week:g}" for week in strange)
        notes.append(f"Not compared, since the others were not seen then: week {weeks}.")
    return tuple(notes)

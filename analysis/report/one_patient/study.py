"""Everything one patient's page is made of, computed once; refused where the cohort must not show single patients."""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from analysis.cohort import Cohort, Measure, load_cohort
from analysis.cohort.derived import measured_values
from analysis.curves.patient_on_cohort import PatientOnCohort, patient_on_cohort
from analysis.errors import CohortError, ConvergenceWarning, KneecurveWarning, ModelError
from analysis.outcomes.thresholds.chosen_threshold import ChosenThreshold, choose_threshold
from analysis.report.one_patient.findings import PatientFindings, find
from analysis.report.running.declared import ReportParameters, parameter, takes

#: Measures shown where none is named: at most this many, in the order of the data (design choice).
MOST_MEASURES = 8
_SYMMETRY = "limb_symmetry_index"


@dataclass(frozen=True)
class PatientParameters(ReportParameters):
    """Parameters of one patient's page."""

    folder: str = parameter("../cohort", "cohort folder at the limited level, or an invented one")
    patient: str | None = parameter(None, "the patient's id; None: the first patient, in an invented cohort only")
    measures: list[str] = parameter([], "measures shown, in this order; none named: those that the patient has")
    level: float = parameter(0.95, "level of the prediction intervals")


@dataclass(frozen=True, eq=False)
class PatientPage:
    """One patient's page, ready to be shown.

    Attributes
    ----------
    folder : Path
        The cohort folder.
    cohort : Cohort
        The cohort, at the limited level or invented.
    patient : str
        The patient's id.
    about : pandas.Series
        The patient's row.
    found : tuple of PatientOnCohort
        A measure each, on the curves of the others.
    not_compared : dict of str to str
        Measures that could not be compared, by label, and why.
    thresholds : dict of str to ChosenThreshold
        By the name of the measure, where there is one.
    sessions, brace, events : pandas.DataFrame or None
        The patient's rows of the tables; None where the cohort does not have the table.
    level : float
        Level of the intervals.
    parameters : dict
        The parameters as given.
    warnings : tuple of str
        What was warned of on the way.
    findings : PatientFindings
        What was found; every claim of the page speaks from it.
    """

    folder: Path
    cohort: Cohort
    patient: str
    about: pd.Series
    found: tuple[PatientOnCohort, ...]
    not_compared: dict[str, str]
    thresholds: dict[str, ChosenThreshold]
    sessions: pd.DataFrame | None
    brace: pd.DataFrame | None
    events: pd.DataFrame | None
    level: float
    parameters: dict[str, Any]
    warnings: tuple[str, ...]
    findings: PatientFindings

    @property
    def protocol(self) -> str:
        """The programme that the patient was given."""
        return str(self.about["protocol"])

    @property
    def invented(self) -> bool:
        """Whether the cohort was generated."""
        return self.cohort.provenance.scenario is not None


@takes(PatientParameters)
def prepare_patient(folder: Path | str, **given: Any) -> PatientPage:
    """Load a cohort and compute everything one patient's page shows.

    Parameters
    ----------
    folder : Path or str
        Cohort folder, at the limited level or invented.
    {parameters}

    Returns
    -------
    PatientPage
        What :mod:`analysis.report.one_patient` shows.

    Raises
    ------
    ReportError
        There is no such parameter, or a value is of another type.
    CohortError
        The cohort is at the safe-harbor level, the patient is not named or not there, or a measure is not known.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> from analysis.cohort import write_cohort
    >>> from synthetic_cohort import generate_cohort
    >>> with TemporaryDirectory() as name:
    ...     written = write_cohort(generate_cohort(patients=90, seed=3).observed, Path(name) / "cohort")
    ...     page = prepare_patient(written, patient="p0002", measures=["pain"])
    >>> page.protocol, [found.measure.label for found in page.found]
    ('exercise only', ['Pain'])
    """
    asked = PatientParameters.checked(folder, given)
    cohort = load_cohort(folder)
    name = _patient(cohort, asked.patient, str(folder))
    wanted = [cohort.measures[one] for one in asked.measures] or _measures(cohort, name)
    found: list[PatientOnCohort] = []
    not_compared: dict[str, str] = {}
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always", KneecurveWarning)
        for measure in wanted:
            try:
                found.append(patient_on_cohort(cohort, name, measure.name, level=asked.level))
            except ModelError as error:
                not_compared[measure.label] = error.what
        thresholds = {
            measure.name: choose_threshold(cohort, measure.name) for measure in wanted if measure.has_threshold
        }
    ours = [one for one in caught if issubclass(one.category, KneecurveWarning)]
    said = [str(one.message) for one in ours if not issubclass(one.category, ConvergenceWarning)]
    events = _own(cohort.events, name)
    return PatientPage(
        folder=Path(folder),
        cohort=cohort,
        patient=name,
        about=cohort.patients[cohort.patients["patient_id"] == name].iloc[0],
        found=tuple(found),
        not_compared=not_compared,
        thresholds=thresholds,
        sessions=_own(cohort.sessions, name),
        brace=_own(cohort.brace_limits, name),
        events=events,
        level=asked.level,
        parameters=asked.given(),
        warnings=tuple(dict.fromkeys(said)),
        findings=find(found, thresholds=thresholds, cohort=cohort, patient=name, events=events, level=asked.level),
    )


def _patient(cohort: Cohort, patient: str | None, folder: str) -> str:
    if cohort.level == "safe-harbor":
        raise CohortError(
            "A page about one patient is made from a cohort at the limited level, or an invented one; this cohort is at "
            "the safe-harbor level.",
            where=folder,
            what_to_do="Make the page where the limited cohort is kept, with whoever may see it; groups can be reported here.",
        )
    known = cohort.patients["patient_id"]
    if patient is None and cohort.level == "synthetic" and len(known):
        return str(known.iloc[0])
    if patient is None or not (known == patient).any():
        raise CohortError(
            "No patient is named." if patient is None else f"There is no patient {patient!r}.",
            where=f"{folder}, {len(known)} patients",
            what_to_do="Name the patient by the id in the table patients, for example --set \"patient='p0001'\".",
        )
    return patient


def _measures(cohort: Cohort, patient: str) -> list[Measure]:
    own = cohort.visits[(cohort.visits["patient_id"] == patient) & cohort.visits["value"].notna()]
    names = [str(name) for name in dict.fromkeys(own["measure"].astype("str"))]
    symmetry = cohort.measures.get(_SYMMETRY)
    if symmetry is not None and set(symmetry.derived_from) <= set(names):
        values = measured_values(own, symmetry.name, symmetry.default_limb, cohort.patients)
        if values["value"].notna().any():
            names.insert(names.index(symmetry.derived_from[-1]) + 1, symmetry.name)
    return [cohort.measures[name] for name in names[:MOST_MEASURES]]


def _own(table: pd.DataFrame | None, patient: str) -> pd.DataFrame | None:
    return None if table is None else table[table["patient_id"] == patient].reset_index(drop=True)

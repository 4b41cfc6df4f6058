"""Generate a cohort: what was observed, what would have been seen, what is missing, and the truth."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.cohort import Cohort, Provenance
from analysis.errors import CohortError
from synthetic_cohort.home_programme.brace import draw_brace_limits
from synthetic_cohort.home_programme.sessions import draw_sessions, own_gain
from synthetic_cohort.patients.patients import Patients, draw_patients
from synthetic_cohort.patients.quarters import collected_until, draw_access, draw_quarters
from synthetic_cohort.patients.trajectories import Curves, draw_curves, draw_traits
from synthetic_cohort.scenarios.scenario import Scenario
from synthetic_cohort.scenarios.scenario_files import list_scenarios, load_scenario
from synthetic_cohort.scenarios.scenario_rules import check_scenario
from synthetic_cohort.seen.events import draw_events
from synthetic_cohort.seen.long_table import make_cells
from synthetic_cohort.seen.missingness import REASONS, Missing, draw_missing
from synthetic_cohort.truth import Truth

_SESSIONS = ["patient_id", "week", "modality", "sessions_prescribed", "sessions_done", "minutes_done", "level_knee",
             "level_thigh"]  # fmt: skip
_MOST_PATIENTS = 20_000_000
_MOST_QUARTERS = 200


@dataclass(frozen=True, eq=False)
class SyntheticCohort:
    """A generated cohort with its truth. Every frame is made when it is first asked for.

    Parameters
    ----------
    scenario : Scenario
        What it was made from.
    seed : int
        Seed it was made with.
    truth : Truth
        What is true: curves, protocol means and differences, dose-response, sites, therapists.
    """

    scenario: Scenario
    seed: int
    truth: Truth
    _patients: Patients
    _curves: Curves
    _missing: Missing
    _sessions: pd.DataFrame
    _brace_limits: pd.DataFrame
    _events: pd.DataFrame

    @cached_property
    def observed(self) -> Cohort:
        """The cohort as a clinic would have it: what is missing is not there, and nothing after a patient was lost."""
        seen = self._reason_by_cell() == 0
        lost = self._missing.lost_week
        return self._cohort(
            self.truth.cells.frame(self._curves.measured, seen),
            *(self._until_lost(frame, lost) for frame in (self._sessions, self._brace_limits, self._events)),
            step="Observed values: measurement error and missing values as in the scenario.",
        )

    @cached_property
    def complete(self) -> Cohort:
        """Every planned visit of every patient, with measurement error: what would have been seen."""
        return self._cohort(
            self.truth.cells.frame(self._curves.measured),
            self._sessions,
            self._brace_limits,
            self._events,
            step="Complete values: measurement error, nothing missing.",
        )

    @cached_property
    def missing(self) -> pd.DataFrame:
        """One row a planned value: patient_id, week, measure, limb, missing (bool), reason (missing where observed)."""
        codes = self._reason_by_cell().ravel().astype(np.int8)
        reason = pd.Categorical.from_codes(codes - 1, categories=pd.Index(REASONS[1:], dtype="str"))
        return self.truth.cells.labels().assign(missing=codes > 0, reason=reason)

    @cached_property
    def reported_sessions(self) -> pd.DataFrame:
        """What patients say: patient_id, modality, week, sessions_prescribed, sessions_reported (done or more).

        Until a patient was lost, like the sessions of :attr:`observed`.
        """
        numbers = ["week", "sessions_prescribed", "sessions_reported"]
        if not self.scenario.modalities:
            return pd.DataFrame(columns=["patient_id", "modality", *numbers])
        frame = self._with_id(self._until_lost(self._sessions, self._missing.lost_week))
        return frame.loc[:, ["patient_id", "modality", *numbers]].astype(dict.fromkeys(numbers, "float64"))

    def __repr__(self) -> str:
        n, cells = self.truth.cells.shape
        share = float((self._reason_by_cell() > 0).mean())
        return (
            f"SyntheticCohort: {self.scenario.name}, seed {self.seed}, {n:,} patients, {n * cells:,} planned values, "
            f"{share:.1%} of them missing"
        )

    def _reason_by_cell(self) -> NDArray[np.int8]:
        cells = self.truth.cells
        return np.asarray(self._missing.reason[:, cells.week_positions, cells.series_positions])

    def _until_lost(self, frame: pd.DataFrame, lost_week: NDArray[np.float64]) -> pd.DataFrame:
        if frame.empty:
            return frame
        kept: pd.DataFrame = frame[frame["week"].to_numpy() <= lost_week[frame["patient"].to_numpy()]]
        return kept

    def _with_id(self, frame: pd.DataFrame) -> pd.DataFrame:
        ids = self._patients.frame["patient_id"].take(frame["patient"].to_numpy()).reset_index(drop=True)
        frame = frame.drop(columns="patient").reset_index(drop=True)
        frame.insert(0, "patient_id", ids)
        return frame

    def _cohort(
        self, visits: pd.DataFrame, sessions: pd.DataFrame, brace: pd.DataFrame, events: pd.DataFrame, *, step: str
    ) -> Cohort:
        n = len(self._patients)
        known = self.scenario.name in _known_names() and load_scenario(self.scenario.name) == self.scenario
        parameters = {"patients": n} if known else {"patients": n, "scenario": self.scenario.to_json()}
        until = None
        if "quarter" in self._patients.frame:
            quarters = len(self._patients.frame["quarter"].cat.categories)
            parameters["quarters"] = quarters
            until = collected_until(quarters, self.scenario.visit_weeks[-1])
        return Cohort(
            patients=self._patients.frame,
            visits=visits,
            sessions=self._with_id(sessions)[_SESSIONS] if self.scenario.modalities else None,
            brace_limits=self._with_id(brace) if self.scenario.brace else None,
            events=self._with_id(events),
            provenance=Provenance(
                scenario=self.scenario.name,
                seed=self.seed,
                parameters=parameters,
                steps=(f"Generated: an invented cohort of {n:,} patients, no real person.", step),
            ),
            reference=self.scenario.reference,
            counted_from=self.scenario.counted_from,
            as_of=until,
        )


def generate_cohort(
    scenario: str | Scenario = "ligament reconstruction",
    *,
    patients: int = 240,
    seed: int = 1,
    quarters: int | None = None,
) -> SyntheticCohort:
    """Generate a cohort whose truth is known.

    Parameters
    ----------
    scenario : str or Scenario, default "ligament reconstruction"
        A name of :func:`list_scenarios`, or a scenario of your own.
    patients : int, default 240
        Number of patients, 1 or more.
    seed : int, default 1
        Seed, 0 or more. The same scenario, number of patients and seed give the same cohort on every platform.
    quarters : int, optional
        Number of quarters over which the patients started, for reports by quarter; the as-of date and the columns quarter,
        language, distance_band, days_to_surgery and days_to_first_session are added, and nothing else of the cohort
        changes. By default there is none.

    Returns
    -------
    SyntheticCohort
        ``observed`` and ``complete`` (cohorts), ``missing`` (frame), ``truth``.

    Raises
    ------
    CohortError
        The scenario is not known or breaks a rule; the number of patients or the seed is not a whole number in range.

    Examples
    --------
    >>> made = generate_cohort("ligament reconstruction", patients=60, seed=1)
    >>> made.observed.protocols
    ['exercise only', 'home stimulation', 'home stimulation and early motion']
    >>> made.truth.protocol_differences.query("measure == 'quadriceps_torque' and limb == 'involved' and week == 26")[
    ...     ["protocol", "difference"]
    ... ].round(2)
                                 protocol  difference
    ...
    """
    _check_count(patients, "patients", 1, _MOST_PATIENTS)
    _check_count(seed, "seed", 0, 2**63 - 1)
    if isinstance(scenario, Scenario):
        check_scenario(scenario, "generate_cohort(scenario=...)")
        plan = scenario
    else:
        plan = load_scenario(scenario)
    people = draw_patients(plan, patients, seed)
    if quarters is not None:
        _check_count(quarters, "quarters", 1, _MOST_QUARTERS)
        frame = people.frame.assign(quarter=draw_quarters(patients, quarters, seed))
        people = replace(people, frame=frame.join(draw_access(patients, seed).set_axis(frame.index)))
    traits = draw_traits(patients, seed)
    sessions = draw_sessions(plan, people, traits, seed)
    curves = draw_curves(plan, people, traits, own_gain(plan, sessions), seed)
    missing = draw_missing(plan, curves, sessions, seed)
    cells = make_cells(plan, people.frame["patient_id"])
    return SyntheticCohort(
        plan,
        seed,
        Truth(plan, cells, curves, traits, sessions),
        people,
        curves,
        missing,
        sessions.frame,
        draw_brace_limits(plan, people, curves, seed),
        draw_events(plan, people, missing, seed),
    )


def _known_names() -> set[str]:
    mechanisms = ("", "completely at random", "at random", "not at random")
    return {f"{name}, missing {one}" if one else name for name in list_scenarios() for one in mechanisms}


def _check_count(value: object, name: str, lowest: int, highest: int) -> None:
    if isinstance(value, bool) or not isinstance(value, int | np.integer) or not lowest <= value <= highest:
        raise CohortError(
            f"{name} should be a whole number from {lowest:,} to {highest:,}, not {value!r}.",
            where=f"generate_cohort({name}=...)",
            what_to_do="Give such a number.",
        )

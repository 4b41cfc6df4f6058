"""The indicators of a quarter from a cohort: numerator and denominator of each, by quarter of start and by site."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analysis.cohort.derived import measured_values
from analysis.cohort.follow_up.as_of import as_of_day, due_weeks, follow_up_words
from analysis.cohort.schedule import moment
from analysis.errors import CohortError
from analysis.outcomes.change.change import change_at_week, weeks_seen
from analysis.outcomes.chosen_endpoint import choose_endpoint
from analysis.outcomes.endpoint import Endpoint
from analysis.outcomes.home_programme.sessions_done import session_shares
from analysis.outcomes.patients.limits import limit_values
from analysis.quarter.access.waits import wait_indicators
from analysis.quarter.counted import STARTED, Counted
from analysis.quarter.counts import NO_SITE, Indicator, QuarterCounts
from analysis.quarter.harms import harm_indicators
from analysis.result import ResultWithNotes
from analysis.statistics.small_counts import LARGEST_HIDDEN

if TYPE_CHECKING:
    from analysis.cohort.tables import Cohort

QUARTER_COLUMN = "quarter"
#: The week reported where none is named and the cohort has it (design choice, as in the protocol comparison).
USUAL_WEEK = 26.0
SYMMETRY, SYMMETRY_REACHED = "limb_symmetry_index", 90.0
DUE, NOT_YET_DUE = "due", "not yet due"
CHANGE, IMPROVED, GAIN = "change known", "improved", "improvement, summed"


@dataclass(frozen=True, eq=False, repr=False)
class QuarterCohort(ResultWithNotes):
    """The counts of a cohort, with what they were made from.

    Attributes
    ----------
    counts : QuarterCounts
        Counts by quarter and site; not for release.
    patients : pandas.DataFrame
        One row a patient with a known outcome: patient_id, site, quarter, outcome (0 or 1), baseline and the covariates
        of the case-mix model; not for release.
    measure, label : str
        The main measure, and its name for readers.
    week : float
        Week of the outcomes.
    people : pandas.DataFrame
        One row a patient with a quarter: period, site, and whether the patient is counted in each quantity that is a count of
        patients; not for release.
    defined : str
        What the quantities mean: measure, week, threshold, and from which share on sessions are reached.
    notes : tuple of str
        What was counted, threshold and source; no counts.
    """

    counts: QuarterCounts
    patients: pd.DataFrame
    measure: str
    label: str
    week: float
    people: pd.DataFrame
    defined: str

    def _headline(self) -> str:
        return f"{self.label} at {moment(self.week)}: {self.counts._headline()}"


def quarter_indicators(
    cohort: Cohort,
    *,
    measure: str | None = None,
    week: float | None = None,
    threshold: float | None = None,
    enough_sessions: float = 0.8,
    floor: float = 0.8,
) -> QuarterCohort:
    """Count the indicators of a quarter's report.

    Parameters
    ----------
    cohort : Cohort
        At the ``limited`` level, with a column quarter (such as 2026-Q1) in patients: the quarter of the start.
    measure : str, optional
        The main measure; by default the one with most values among those with a published minimal important change,
        for the cohort's procedure where there is one.
    week : float, optional
        Week of the outcomes; 26 by default, or the last at which the measure was taken.
    threshold : float, optional
        Improvement that counts, positive; by default the published one.
    enough_sessions : float
        Share of the prescribed sessions that counts as reached; 0.8 by custom, no source.
    floor : float
        Share of the patients due that should have a value of each measure; 0.8 by custom, no source.

    Returns
    -------
    QuarterCohort
        Indicators: patients improved, limb symmetry of 90 % or more (where both limbs were measured), mean
        improvement, completeness of each measure, adherence, waits where they are on record, harms.

    Raises
    ------
    CohortError
        The cohort holds no quarter, and why; or no value of any measure.

    Notes
    -----
    Patients belong to the quarter of their start, and are due once the week has passed by the as-of date of the cohort, a late
    window included (:func:`analysis.cohort.follow_up.as_of.due_weeks`). A quarter of whose patients nobody is due has no
    denominator for outcomes, rather than a completeness of 0 %. Harms are counted within six weeks of the start, of those
    followed that long, so that a shorter follow-up does not look like fewer harms.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> quarter_indicators(generate_cohort(patients=30, seed=1).observed)
    Traceback (most recent call last):
    ...
    analysis.errors.CohortError: This cohort does not say in which quarter a patient started.
      where: table patients: no column 'quarter'; level of de-identification: safe-harbor
      what to do: ...
    """
    quarter = _quarters(cohort)
    people = pd.DataFrame({"patient_id": cohort.patients["patient_id"], "period": quarter, "site": _sites(cohort)})
    name = measure or _main_measure(cohort)
    at = _week(cohort, name, week)
    endpoint = choose_endpoint(cohort, name, week=at, threshold=threshold)
    chosen = endpoint.to_reach
    label = cohort.measures[name].label
    until = due_weeks(cohort)
    due = (until >= at) & people["period"].notna()
    counted = Counted(people)
    counted.add(STARTED, pd.Series(True, index=people.index))
    counted.add(DUE, due, among=due)
    counted.split(STARTED, DUE, NOT_YET_DUE)

    change = change_at_week(cohort, endpoint)
    known = due & change["improvement"].notna()
    enough = known & endpoint.reached(change["improvement"]).fillna(False).astype(bool)
    counted.add(CHANGE, known, among=due)
    counted.add(IMPROVED, enough)
    counted.split(CHANGE, IMPROVED, "not improved")
    counted.add(GAIN, known, weights=change["improvement"])
    measure_text, week_text = f"{_lower(label)}", moment(at)
    change_words = f"patients with {measure_text} at the start and at {week_text}"
    unit = cohort.measures[name].unit
    indicators = [
        Indicator(
            "improved", f"Improved by {chosen.value:g} {unit} or more in {measure_text} by {week_text}", "share",
            "outcome", "higher", IMPROVED, CHANGE, "patients improved", change_words, short="Patients improved",
        ),
        Indicator(
            "gain", f"Mean improvement in {measure_text} by {week_text}", "mean", "outcome", "higher", GAIN, CHANGE,
            "sum of improvements", change_words, unit=unit, short="Mean improvement",
        ),
    ]  # fmt: skip
    indicators += _symmetry(cohort, counted, due, at)
    indicators += _completeness(cohort, counted, due, at, floor, main=(name, known))
    indicators += _adherence(cohort, counted, enough_sessions)
    indicators += wait_indicators(cohort, counted)
    harms, kinds = harm_indicators(cohort, counted, until)
    indicators += harms
    patients = cohort.patients.assign(
        site=people["site"],
        quarter=quarter,
        outcome=enough.astype(float),
        baseline=endpoint.as_adjusted_for(change["baseline"]),
    )
    notes = [
        "Patients belong to the quarter of their start; patients without a quarter are left out.",
        chosen.words,
        *([chosen.caution] if chosen.caution else []),
        *_limits(cohort, endpoint),
        f"A patient is due once {moment(at)} and its late window (a tenth of that time) have passed.",
    ]
    late, day = people["period"].notna() & ~due, as_of_day(cohort)
    of_values = frozenset(one.numerator for one in indicators if one.kind == "mean")
    counts = QuarterCounts(
        tuple(indicators), counted.table(), tuple(counted.sums), of_values, counted.not_yet,
        details=tuple(kinds), immature=tuple(sorted(set(people.loc[late, "period"]))),
        shown_too=(STARTED,), as_of=None if day is None else day.isoformat(), follow_up=follow_up_words(cohort),
    )  # fmt: skip
    flags = pd.DataFrame(counted.flags).loc[counted.people.index]
    defined = f"{name}, week {at:g}, {chosen.value:g} or more, sessions {enough_sessions:g} or more"
    return QuarterCohort(
        counts, patients[known & quarter.notna()], name, label, at,
        counted.people[["period", "site"]].join(flags), defined, notes=tuple(notes),
    )  # fmt: skip


def _limits(cohort: Cohort, endpoint: Endpoint) -> list[str]:
    """Say how many values of the outcome are limits; few of them, and of how many, are not said, as counts may be hidden."""
    found = limit_values(cohort, endpoint.measure.name, endpoint.limb)
    if found is None or not found.n:
        return []
    counted = f"From 1 to {LARGEST_HIDDEN} values" if found.n <= LARGEST_HIDDEN else f"{found.n:,} values"
    return [found.in_words(_lower(endpoint.measure.label), counted=counted)]


def _quarters(cohort: Cohort) -> pd.Series:
    held = cohort.patients.get(QUARTER_COLUMN)
    if held is None or not held.notna().any():
        raise CohortError(
            "This cohort does not say in which quarter a patient started.",
            where=f"table patients: no column {QUARTER_COLUMN!r}; level of de-identification: {cohort.privacy}",
            what_to_do=(
                "A quarter is an element of a date finer than the year, which safe harbor forbids (45 CFR "
                "164.514(b)(2)(i)(C)): make a limited data set from the source (kneecurve deidentify --level limited, or "
                'privacy = "limited" at the top of the map), under a data use agreement or for the organisation\'s own quality '
                "work, or give a folder with aggregates.csv, counts by quarter without patients."
            ),
        )
    if cohort.privacy != "limited" and cohort.provenance.scenario is None:
        raise CohortError(
            "This cohort holds quarters but is not marked as a limited data set.",
            where=f"level of de-identification: {cohort.privacy}",
            what_to_do="Safe harbor forbids quarters (45 CFR 164.514(b)(2)(i)(C)): import it again with "
            'privacy = "limited" at the top of the map.',
        )
    return held.astype("str").where(held.notna())


def _sites(cohort: Cohort) -> pd.Series:
    if "site" not in cohort.patients:
        return pd.Series(NO_SITE, index=cohort.patients.index)
    return cohort.patients["site"].astype("str").where(cohort.patients["site"].notna(), NO_SITE)


def _main_measure(cohort: Cohort) -> str:
    values = cohort.visits.dropna(subset=["value"])["measure"].astype("str").value_counts()
    if values.empty:
        raise CohortError(
            "The cohort holds no measured value.", where="table visits", what_to_do="Check what was imported."
        )
    names = sorted(values.index, key=lambda name: (-int(values[name]), name))
    important = {name: _importance(cohort, name) for name in names}
    own = set(cohort.patients["procedure"].dropna().astype("str")) if "procedure" in cohort.patients else set()
    fitting = [name for name in names if own & important[name]]
    with_threshold = [name for name in names if cohort.measures[name].has_threshold]
    return str((fitting or [name for name in names if important[name]] or with_threshold or names)[0])


def _importance(cohort: Cohort, measure: str) -> set[str]:
    """Give the procedures for which a minimal important change of a measure is accepted."""
    known = cohort.measures[measure].thresholds
    return {str(one.procedure) for one in known if one.kind == "MIC" and one.accepted}


def _week(cohort: Cohort, measure: str, week: float | None) -> float:
    weeks = [one for one in weeks_seen(cohort, measure) if one > 0]
    if week is not None and week not in weeks:
        raise CohortError(
            f"Nobody has {cohort.measures[measure].label} at {moment(week)}.",
            where=f"weeks with values: {', '.join(f'{one:g}' for one in weeks[:20]) or 'none'}",
            what_to_do="Name one of these weeks.",
        )
    if not weeks:
        raise CohortError(
            f"Nobody has {cohort.measures[measure].label} after the start.",
            where="table visits",
            what_to_do="Name another measure, or check what was imported.",
        )
    return week if week is not None else (USUAL_WEEK if USUAL_WEEK in weeks else weeks[-1])


def _symmetry(cohort: Cohort, counted: Counted, due: pd.Series, week: float) -> list[Indicator]:
    both = _both_limbs(cohort)
    if not both:
        return []
    value = _at_week(cohort, SYMMETRY, week)
    known = due & value.notna()
    counted.add(both, known, among=due)
    counted.add("symmetry reached", known & (value >= SYMMETRY_REACHED))
    counted.split(both, "symmetry reached", "symmetry not reached")
    words = f"patients with both limbs measured at {moment(week)}"
    return [
        Indicator(
            "symmetry", f"Limb symmetry index of {SYMMETRY_REACHED:g} % or more at {moment(week)}", "share", "outcome",
            "higher", "symmetry reached", both, "patients with 90 % or more", words, short="Limb symmetry of 90 %",
        )
    ]  # fmt: skip


def _both_limbs(cohort: Cohort) -> str:
    """Name the quantity of patients with both limbs measured; empty where limb symmetry cannot be computed."""
    stored = set(cohort.visits["measure"].dropna().astype("str"))
    needed = set(cohort.measures[SYMMETRY].derived_from) if SYMMETRY in cohort.measures else set()
    return f"{sorted(needed)[0]} seen" if needed and needed <= stored else ""


def _completeness(
    cohort: Cohort, counted: Counted, due: pd.Series, week: float, floor: float, *, main: tuple[str, pd.Series]
) -> list[Indicator]:
    found, both = [], _both_limbs(cohort)
    for name in dict.fromkeys(cohort.visits["measure"].dropna().astype("str")):
        known = cohort.measures[name]
        value = _at_week(cohort, name, week)
        if not value.notna().any() and week not in weeks_seen(cohort, name):
            continue
        seen, label = f"{name} seen", known.label
        if seen == both:  # counted with limb symmetry, whose denominator would else differ by a few patients
            label = f"{label}, both limbs"
        else:
            counted.add(seen, due & value.notna())
        counted.split(DUE, seen, f"{name} not seen")
        if name == main[0] and seen != both:
            counted.split(seen, CHANGE, f"{name} seen without a start")
        found.append(
            Indicator(
                f"complete {name}", label, "share", "process", "higher", seen, DUE,
                f"patients with a value at {moment(week)}", "patients due", floor=floor,
            )
        )  # fmt: skip
    return found


def _at_week(cohort: Cohort, measure: str, week: float) -> pd.Series:
    rows = measured_values(cohort.visits, measure, cohort.measures[measure].default_limb)
    rows = rows[(rows["week"] == week) & rows["value"].notna()]
    return cohort.patients["patient_id"].map(rows.set_index("patient_id")["value"]).astype(float)


def _adherence(cohort: Cohort, counted: Counted, threshold: float) -> list[Indicator]:
    if cohort.sessions is None:
        return []
    entries = session_shares(cohort).dropna(subset=["share"])  # weeks with some prescribed, and the sessions done known
    sums = entries.groupby("patient_id")[["sessions_prescribed", "sessions_done"]].sum()
    share = cohort.patients["patient_id"].map(sums["sessions_done"] / sums["sessions_prescribed"])
    counted.add("sessions reached", share >= threshold - np.finfo(float).eps)
    counted.split(STARTED, "sessions reached", "sessions not reached or not recorded")
    percent = f"{100 * threshold:g} % or more"
    return [
        Indicator(
            "adherence", f"Recorded {percent} of the home sessions prescribed", "share", "balancing", "higher",
            "sessions reached", STARTED, f"patients who recorded {percent}", "patients who started", short="Adherence",
        )
    ]  # fmt: skip


def _lower(label: str) -> str:
    """Write a label within a sentence, unless it begins with a name or an abbreviation."""
    first = label.split(" ", 1)[0]
    return label if first[1:] != first[1:].lower() else label[:1].lower() + label[1:]

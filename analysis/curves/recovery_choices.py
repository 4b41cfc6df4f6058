"""What the recovery-curve model of a report takes from the design of the cohort, never from its results."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.cohort.schedule import moment
from analysis.counted import form, none_or
from analysis.curves.covariances.residual_structures import Residual
from analysis.errors import ModelError

#: Patient effects and residual of a mixed model.
Covariance = tuple[str | None, Residual]
#: A measure seen at more weeks than this is taken as having no schedule (design choice).
MOST_SCHEDULED_WEEKS = 12
#: An unstructured covariance of m weeks asks for this many times m patients at every pair of weeks (design choice).
PATIENTS_PER_WEEK_OF_A_PAIR = 4
#: A baseline that fewer patients than this share have is not adjusted for (design choice).
LEAST_SHARE_WITH_BASELINE = 0.5
#: The column of the protocol where nobody has had one before the start: all have the reference there.
PROTOCOL_THEN = "protocol_then"
#: The primary week where none is named and the cohort has it (common practice after ligament surgery, no source).
USUAL_PRIMARY_WEEK = 26.0
#: Weeks of visits without a schedule that are nearer to each other differ by rounding.
_SAME_WEEK = 1e-9
#: Orders in which covariances are tried, as (patient effects, residual); the first that converges is taken.
#: Of one visit a patient there is no choice.
OF_ONE_VISIT: tuple[Covariance, ...] = ((None, "independent"),)
OF_SCHEDULED: tuple[Covariance, ...] = (
    (None, "unstructured"),
    (None, "ar1-by-week"),
    ("1", "by-week"),
    ("1", "independent"),
)
OF_UNSCHEDULED: tuple[Covariance, ...] = (("1 + log1p(week)", "independent"), ("1", "independent"))


def with_reference_first(visits: pd.DataFrame, reference: str) -> pd.DataFrame:
    """Order the protocols seen, the reference first."""
    protocol = visits["protocol"].astype("category").cat.remove_unused_categories()
    names = [reference, *(str(name) for name in protocol.cat.categories if name != reference)]
    return visits.assign(protocol=protocol.cat.set_categories(names))


def after_baseline(visits: pd.DataFrame, where: str) -> tuple[pd.DataFrame, bool, int, list[str]]:
    """Split off the visits after the baseline; say whether the baseline can be adjusted for."""
    after = visits[visits["week"] > 0]
    if after.empty:
        raise ModelError(
            "Every visit of this measure is at or before week 0, so there is no recovery to fit.",
            where=where,
            what_to_do="Check the weeks of the cohort, or choose a measure that was followed up.",
        )
    per_patient = after.groupby("patient_id")["baseline"].first()
    share = float(per_patient.notna().mean())
    if share < LEAST_SHARE_WITH_BASELINE:
        seen = int(per_patient.notna().sum())
        choice = (
            f"Not adjusted for the baseline: of {len(per_patient)} patients {none_or(seen, 'has')} a "
            "value at or before week 0."
        )
        frame = after if seen else visits
        return _trim(frame), False, 0, [choice]
    missing = int(per_patient.isna().sum())
    rest = f"without one, {missing} of {len(per_patient)} patients are left out" if missing else "every patient has one"
    choice = f"Adjusted for the baseline value; {rest}."
    frame = after[after["baseline"].notna()]
    flat = bool(np.isclose(per_patient.dropna().std(ddof=0), 0.0))
    if flat:
        return _trim(frame), False, missing, ["Not adjusted for the baseline: it is the same in every patient."]
    return _trim(frame), True, missing, [choice]


def baseline_among_outcomes(visits: pd.DataFrame, where: str) -> tuple[pd.DataFrame, list[str]]:
    """Give the visits with the last value at or before week 0 as the outcome at week 0, where all have the reference.

    Before the start nobody has had a protocol, so the protocols share one mean there (constrained longitudinal data analysis:
    Liang & Zeger, Sankhya B 2000;62:134; Lu, Stat Med 2010;29:474). That is so of patients allocated at random.

    Raises
    ------
    ModelError
        Nobody has a value before or after the start, or visits have no schedule.
    """
    before = visits[visits["week"] <= 0].drop_duplicates("patient_id", keep="last").assign(week=0.0)
    after = visits[visits["week"] > 0]
    if before.empty or after.empty or not has_schedule(after.groupby("week")["patient_id"].nunique()):
        raise ModelError(
            "The baseline cannot be an outcome.",
            where=f"{where}; {len(before)} values before the start, {after['week'].nunique()} weeks after it",
            what_to_do='Values before the start and scheduled visits are needed: adjust for the baseline, baseline_as="covariate".',
        )
    reference = visits["protocol"].cat.categories[0]
    both = pd.concat([before, after], ignore_index=True)
    both[PROTOCOL_THEN] = both["protocol"].mask(both["week"] == 0, reference)
    kept = both["patient_id"].nunique()
    either = kept - len(set(before["patient_id"]) & set(after["patient_id"]))
    choice = (
        "The baseline is an outcome at week 0, with one mean of all protocols, as after a random allocation (Liang & Zeger "
        f"2000; Lu 2010): {either} of {kept} patients {form(either, 'is')} kept without a baseline or a later value."
    )
    return both.sort_values(["patient_id", "week"], kind="stable", ignore_index=True), [choice]


def _trim(frame: pd.DataFrame) -> pd.DataFrame:
    return frame.assign(protocol=frame["protocol"].cat.remove_unused_categories()).reset_index(drop=True)


def has_schedule(counts: pd.Series) -> bool:
    """Say whether so few distinct weeks were seen that visits were scheduled; ``counts`` is patients by week."""
    return len(counts) <= MOST_SCHEDULED_WEEKS


def choose_primary_week(
    counts: pd.Series, primary_week: float | None, where: str, *, scheduled: bool
) -> tuple[float, str]:
    """Give the week of the main comparison and how it came about, in words."""
    seen = [float(week) for week in counts.index]
    if primary_week is not None:
        inside = float(primary_week) in seen if scheduled else min(seen) <= primary_week <= max(seen)
        if not inside:
            known = ", ".join(f"{week:g}" for week in seen) if scheduled else f"{min(seen):g} to {max(seen):g}"
            raise ModelError(
                f"Nobody was seen at the primary {moment(primary_week)}.",
                where=f"{where}; weeks seen after the baseline: {known}",
                what_to_do="Name one of these weeks.",
            )
        return float(primary_week), "named by the user"
    if scheduled and USUAL_PRIMARY_WEEK in seen:
        return USUAL_PRIMARY_WEEK, f"{moment(USUAL_PRIMARY_WEEK)}, the default where the measure was seen then"
    if scheduled:
        attended = counts[counts >= counts.max() / 2]
        rule = "the last week seen by at least half as many patients as the best-attended week"
        return float(attended.index.max()), rule
    middle = float(np.median(np.repeat(seen, counts.to_numpy())))
    return middle, "the median week of the visits, since they had no schedule"


def weeks_to_report(counts: pd.Series, primary_week: float, *, scheduled: bool) -> tuple[float, ...]:
    """Give the weeks of means and differences: the schedule, or ten weeks spread over the visits."""
    seen = np.asarray(counts.index, dtype=float)
    if scheduled:
        return tuple(float(week) for week in seen)
    grid = np.quantile(np.repeat(seen, counts.to_numpy()), np.linspace(0.05, 0.95, 9))
    grid = grid[(np.diff(grid, prepend=-np.inf) > _SAME_WEEK) & (np.abs(grid - primary_week) > _SAME_WEEK)]
    return tuple(sorted(float(week) for week in [*grid, primary_week]))


def fixed_terms(
    frame: pd.DataFrame,
    protocols: Sequence[str],
    *,
    scheduled: bool,
    adjusted_for: Sequence[str],
    from_one_start: bool = False,
) -> str:
    """Give the formula of the mean; ``from_one_start`` has the protocols differ after the first week only."""
    distinct = int(frame["week"].nunique())
    if scheduled and distinct > 1:
        week = "C(week)"
    elif distinct > 1:
        week = f"natural_spline(log1p(week), knots={_knots(frame)})"
    else:
        week = ""
    by_week = f" * {week}" if week else ""
    terms = []
    if from_one_start and len(protocols) > 1:
        terms.append(f"{week} + {PROTOCOL_THEN}:{week}")
    elif len(protocols) > 1:
        terms.append(f"protocol{by_week}")
    elif week:
        terms.append(week)
    if "baseline" in adjusted_for:
        terms.append(f"baseline{by_week if scheduled else ''}")
    terms += [name if name.isidentifier() else f"`{name}`" for name in adjusted_for if name != "baseline"]
    return "value ~ " + (" + ".join(terms) if terms else "1")


def _knots(frame: pd.DataFrame) -> list[float]:
    """Place four knots on the scale of log(1 + week): between the 5th and the 95th percentile of the visits."""
    places = np.quantile(np.log1p(frame["week"].to_numpy(dtype=float)), [0.05, 0.35, 0.65, 0.95])
    return [float(place) for place in np.unique(places.round(4))]


def covariance_order(frame: pd.DataFrame, *, scheduled: bool) -> tuple[Covariance, ...]:
    """Give the order in which covariances are tried by design: visits on a schedule or not, one or several a patient."""
    if not frame.drop_duplicates(["patient_id", "week"]).duplicated("patient_id").any():
        return OF_ONE_VISIT
    return OF_SCHEDULED if scheduled else OF_UNSCHEDULED


def covariance_candidates(frame: pd.DataFrame, *, scheduled: bool) -> tuple[list[Covariance], list[str]]:
    """Give those of the order that these visits allow, to be tried in turn, and why an unstructured one is not among them.

    The order is fixed by who was seen when, before any outcome is looked at. All but the last for scheduled visits have a
    variance for each week, since with one for all the comparison of protocols is anticonservative in a small trial whose
    spread changes over time; ``tests/simulation/report_trials.csv`` has the type I error that follows.
    """
    order = list(covariance_order(frame, scheduled=scheduled))
    if len(order) == 1:
        return order, []
    counts = frame.groupby(["patient_id", "week"], observed=True).size().unstack(fill_value=0)
    weeks, seen = counts.columns, counts.clip(upper=1).to_numpy()
    if not scheduled:
        slopes = float((seen.sum(axis=1) > 1).mean()) > 0.5 and len(seen) >= 20
        return (order if slopes else order[1:]), []
    if len(frame) > seen.sum():
        return order[2:], ["An unstructured covariance was not tried: some patients have two values at one week."]
    return scheduled_candidates([float(week) for week in weeks], seen.T @ seen)


def scheduled_candidates(weeks: Sequence[float], together: NDArray[np.float64]) -> tuple[list[Covariance], list[str]]:
    """Give the same of visits on a schedule, one a patient and week, from the patients seen at each pair of weeks.

    ``together`` has shape (weeks, weeks), with the patients seen at each week on its diagonal.

    Examples
    --------
    >>> candidates, why = scheduled_candidates([6.0, 26.0], np.array([[40, 5], [5, 30]]))
    >>> len(candidates), why[0][:41]
    (3, 'An unstructured covariance was not tried:')
    """
    order = list(OF_SCHEDULED)
    if len(weeks) == 1 or not (together - np.diag(np.diag(together))).any():
        return list(OF_ONE_VISIT), []
    one, other = min(itertools.combinations(range(len(weeks)), 2), key=lambda pair: together[pair])
    needed = PATIENTS_PER_WEEK_OF_A_PAIR * len(weeks)
    if together[one, other] >= needed:
        return order, []
    why = (
        f"An unstructured covariance was not tried: {int(together[one, other])} patients were seen at both "
        f"{moment(weeks[one])} and {moment(weeks[other])}, and it is tried from {needed} on at every pair of the "
        f"{len(weeks)} weeks."
    )
    return order[1:], [why]


def covariance_in_words(covariance: Covariance) -> str:
    """Name patient effects and residual, as the choices of the curves do.

    Examples
    --------
    >>> covariance_in_words((None, "unstructured"))
    'patient effects none, residual unstructured'
    """
    effects, residual = covariance
    return f"patient effects {effects or 'none'}, residual {residual}"

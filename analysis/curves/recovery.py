"""The recovery-curve model of a report: chosen from the design of the cohort, never from its results."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from analysis.cohort.visit_frame import visit_frame
from analysis.curves.mixed_model import MixedModel, fit_mixed
from analysis.errors import ModelError

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd

    from analysis.cohort.measures import Measure
    from analysis.cohort.tables import Cohort

#: A measure seen at more weeks than this is taken as having no schedule (design choice).
MOST_SCHEDULED_WEEKS = 12
#: An unstructured covariance of m weeks asks for this many times m patients at every pair of weeks (design choice).
PATIENTS_PER_WEEK_OF_A_PAIR = 4
#: A baseline that fewer patients than this share have is not adjusted for (design choice).
LEAST_SHARE_WITH_BASELINE = 0.5
#: The primary week where none is named and the cohort has it (common practice after ligament surgery, no source).
USUAL_PRIMARY_WEEK = 26.0

Adjustment = Literal["none", "holm", "bonferroni", "sidak"]


@dataclass(frozen=True)
class RecoveryCurves:
    """The fitted recovery curves of one measure.

    Attributes
    ----------
    measure : Measure
        What was measured.
    limb : str
        ``"involved"``, ``"uninvolved"`` or ``"none"``.
    model : MixedModel
        The fitted model.
    frame : pandas.DataFrame
        The visits the model was fitted to, one row a visit.
    visits : pandas.DataFrame
        Every visit of the measure, the baseline included, one row a visit.
    weeks : tuple of float
        The weeks at which means and differences are given.
    primary_week : float
        The week of the main comparison.
    primary_week_rule : str
        How the primary week came about, in words.
    protocols : tuple of str
        The protocols compared; the first is the reference.
    scheduled : bool
        Whether weeks entered as categories (scheduled visits) or as a smooth curve.
    baseline_adjusted : bool
        Whether the baseline value is in the model.
    n_without_baseline : int
        Patients with visits left out because their baseline is missing (0 where not adjusted).
    choices : tuple of str
        How the model was chosen, one sentence a choice, and what was tried.
    """

    measure: Measure
    limb: str
    model: MixedModel
    frame: pd.DataFrame
    visits: pd.DataFrame
    weeks: tuple[float, ...]
    primary_week: float
    primary_week_rule: str
    protocols: tuple[str, ...]
    scheduled: bool
    baseline_adjusted: bool
    n_without_baseline: int
    choices: tuple[str, ...]

    def means(self, *, level: float = 0.95) -> pd.DataFrame:
        """Give the model mean of every protocol at every week.

        Parameters
        ----------
        level : float
            Confidence level of the intervals.

        Returns
        -------
        pandas.DataFrame
            Columns as of :meth:`MixedModel.means`: protocol, week, estimate, std_error, df, lower, upper, level,
            method, n, in the unit of the measure.
        """
        return self.model.means(by="protocol", weeks=list(self.weeks), level=level)

    def differences(self, *, level: float = 0.95, adjust: Adjustment = "none") -> pd.DataFrame:
        """Give the difference of every protocol from the reference at every week.

        Parameters
        ----------
        level : float
            Confidence level of the intervals.
        adjust : {"none", "holm", "bonferroni", "sidak"}
            Adjustment for several comparisons.

        Returns
        -------
        pandas.DataFrame
            Columns as of :meth:`MixedModel.differences`; empty where there is one protocol only.
        """
        return self.model.differences(
            of="protocol", reference=self.protocols[0], weeks=list(self.weeks), level=level, adjust=adjust
        )

    def primary_differences(self, *, level: float = 0.95, adjust: Adjustment = "none") -> pd.DataFrame:
        """Give the differences at the primary week only; ``adjust`` works among these.

        Returns
        -------
        pandas.DataFrame
            One row a protocol other than the reference.
        """
        return self.model.differences(
            of="protocol", reference=self.protocols[0], weeks=[self.primary_week], level=level, adjust=adjust
        )


def fit_recovery(
    cohort: Cohort,
    measure: str,
    *,
    limb: str | None = None,
    primary_week: float | None = None,
    reference: str | None = None,
) -> RecoveryCurves:
    """Fit the recovery curves of one measure by a model that follows from the cohort's design.

    Scheduled visits: protocol by week as categories, the baseline by week, site where there are several, and an
    unstructured covariance within the patient (the usual primary analysis of a trial with repeated visits). Where
    too few patients were seen at a pair of weeks, a patient intercept with a variance per week takes its place;
    should that not converge, a patient intercept alone. Unscheduled visits: a natural cubic spline of the week by
    protocol, with an intercept (and a slope, where most patients came twice or more) for each patient.

    Parameters
    ----------
    cohort : Cohort
        The cohort.
    measure : str
        A stored or derived measure.
    limb : str, optional
        The limb; the involved one where the measure has limbs.
    primary_week : float, optional
        Week of the main comparison. Default: week 26 where the measure was seen then, otherwise the last week at
        which at least half as many patients were seen as at the best-attended one.
    reference : str, optional
        The protocol that others are compared with; the first of the cohort by default.

    Returns
    -------
    RecoveryCurves
        The fit with its means and differences by week.

    Raises
    ------
    ModelError
        The measure has no visits after the baseline, an unknown reference or primary week, or nothing could be fitted.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> cohort = generate_cohort("ligament reconstruction", patients=90, seed=3).observed
    >>> curves = fit_recovery(cohort, "quadriceps_torque")
    >>> curves.primary_week
    26.0
    >>> curves.differences()["week"].nunique() == len(curves.weeks)
    True
    """
    visits = _with_reference_first(visit_frame(cohort, measure, limb), reference)
    where = f"measure {measure!r}" + (f", limb {limb!r}" if limb else "")
    visits = visits[visits["value"].notna()]
    if visits.empty:
        raise ModelError("There is no value to fit.", where=where, what_to_do="Choose a measure that was taken.")

    frame, baseline_adjusted, n_without_baseline, choices = _after_baseline(visits, where)
    counts = frame.groupby("week")["patient_id"].nunique()
    scheduled = len(counts) <= MOST_SCHEDULED_WEEKS
    protocols = tuple(str(name) for name in frame["protocol"].cat.categories)
    week, rule = _choose_primary_week(counts, primary_week, where, scheduled=scheduled)
    weeks = _weeks_to_report(counts, week, scheduled=scheduled)

    terms, more = _fixed_terms(frame, protocols, scheduled=scheduled, baseline_adjusted=baseline_adjusted)
    model, tried = _fit_first_that_converges(frame, terms, scheduled=scheduled)
    return RecoveryCurves(
        measure=cohort.measures[measure],
        limb=str(frame["limb"].iloc[0]) if "limb" in frame else (limb or "none"),
        model=model,
        frame=frame,
        visits=visits,
        weeks=weeks,
        primary_week=week,
        primary_week_rule=rule,
        protocols=protocols,
        scheduled=scheduled,
        baseline_adjusted=baseline_adjusted,
        n_without_baseline=n_without_baseline,
        choices=(*choices, *more, *tried),
    )


def _with_reference_first(visits: pd.DataFrame, reference: str | None) -> pd.DataFrame:
    protocol = visits["protocol"].astype("category").cat.remove_unused_categories()
    names = [str(name) for name in protocol.cat.categories]
    if reference is not None:
        if reference not in names:
            raise ModelError(
                f"There is no protocol {reference!r} to compare with.",
                where=f"protocols of this measure: {', '.join(names)}",
                what_to_do="Name one of them as the reference.",
            )
        names = [reference, *(name for name in names if name != reference)]
    return visits.assign(protocol=protocol.cat.set_categories(names))


def _after_baseline(visits: pd.DataFrame, where: str) -> tuple[pd.DataFrame, bool, int, list[str]]:
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
        choice = f"Not adjusted for the baseline: {seen} of {len(per_patient)} patients have a value at or before week 0."
        frame = after if seen else visits
        return _trim(frame), False, 0, [choice]
    missing = int(per_patient.isna().sum())
    choice = f"Adjusted for the baseline value; {missing} of {len(per_patient)} patients left out for want of one."
    frame = after[after["baseline"].notna()]
    flat = bool(np.isclose(per_patient.dropna().std(ddof=0), 0.0))
    if flat:
        return _trim(frame), False, missing, ["Not adjusted for the baseline: it is the same in every patient."]
    return _trim(frame), True, missing, [choice]


def _trim(frame: pd.DataFrame) -> pd.DataFrame:
    return frame.assign(protocol=frame["protocol"].cat.remove_unused_categories()).reset_index(drop=True)


def _choose_primary_week(
    counts: pd.Series, primary_week: float | None, where: str, *, scheduled: bool
) -> tuple[float, str]:
    seen = [float(week) for week in counts.index]
    if primary_week is not None:
        inside = float(primary_week) in seen if scheduled else min(seen) <= primary_week <= max(seen)
        if not inside:
            known = ", ".join(f"{week:g}" for week in seen) if scheduled else f"{min(seen):g} to {max(seen):g}"
            raise ModelError(
                f"Nobody was seen at the primary week {primary_week:g}.",
                where=f"{where}; weeks seen after the baseline: {known}",
                what_to_do="Name one of these weeks.",
            )
        return float(primary_week), "named by the user"
    if scheduled and USUAL_PRIMARY_WEEK in seen:
        return USUAL_PRIMARY_WEEK, f"week {USUAL_PRIMARY_WEEK:g}, the default where the measure was seen then"
    if scheduled:
        attended = counts[counts >= counts.max() / 2]
        return float(attended.index.max()), "the last week seen by at least half as many patients as the best-attended week"
    return float(np.repeat(counts.index, counts).max() / 2), "the middle of the weeks seen, since visits had no schedule"


def _weeks_to_report(counts: pd.Series, primary_week: float, *, scheduled: bool) -> tuple[float, ...]:
    seen = np.asarray(counts.index, dtype=float)
    if scheduled:
        return tuple(float(week) for week in seen)
    grid = np.quantile(np.repeat(seen, counts.to_numpy()), np.linspace(0.05, 0.95, 9))
    return tuple(float(week) for week in np.unique(np.append(grid, primary_week)))


def _fixed_terms(
    frame: pd.DataFrame, protocols: Sequence[str], *, scheduled: bool, baseline_adjusted: bool
) -> tuple[str, list[str]]:
    distinct = frame["week"].nunique()
    if scheduled and distinct > 1:
        week = "C(week)"
    elif distinct > 1:
        week = "natural_spline(week, df=3)"
    else:
        week = ""
    by_week = f" * {week}" if week else ""
    terms = []
    if len(protocols) > 1:
        terms.append(f"protocol{by_week}")
    elif week:
        terms.append(week)
    if baseline_adjusted:
        terms.append(f"baseline{by_week if scheduled else ''}")
    choices = []
    if "site" in frame and 1 < frame["site"].nunique() <= frame["patient_id"].nunique() / 10:
        terms.append("site")
        choices.append("Adjusted for site, since there are several.")
    return "value ~ " + (" + ".join(terms) if terms else "1"), choices


def _candidates(frame: pd.DataFrame, *, scheduled: bool) -> list[tuple[str | None, str]]:
    """Give the (patient effects, residual) pairs to try, the first that converges is taken."""
    visits_each = frame.groupby("patient_id")["week"].nunique()
    if visits_each.max() == 1:
        return [(None, "independent")]
    if not scheduled:
        slopes = float((visits_each > 1).mean()) > 0.5 and len(visits_each) >= 20
        return [("1 + week", "independent"), ("1", "independent")] if slopes else [("1", "independent")]
    weeks = sorted(frame["week"].unique())
    seen = frame.assign(seen=1).pivot_table(index="patient_id", columns="week", values="seen", aggfunc="max")
    present = seen.notna().to_numpy()
    fewest = min(int((present[:, a] & present[:, b]).sum()) for a, b in itertools.combinations(range(len(weeks)), 2))
    simpler: list[tuple[str | None, str]] = [("1", "by-week"), ("1", "independent")]
    if fewest >= PATIENTS_PER_WEEK_OF_A_PAIR * len(weeks) and not frame.duplicated(["patient_id", "week"]).any():
        return [(None, "unstructured"), *simpler]
    return simpler if len(visits_each) >= PATIENTS_PER_WEEK_OF_A_PAIR * len(weeks) else simpler[1:]


def _fit_first_that_converges(frame: pd.DataFrame, fixed: str, *, scheduled: bool) -> tuple[MixedModel, list[str]]:
    tried: list[str] = []
    last: ModelError | None = None
    for effects, residual in _candidates(frame, scheduled=scheduled):
        name = f"patient effects {effects or 'none'}, residual {residual}"
        try:
            model = fit_mixed(
                frame, fixed, patient="patient_id", week="week", patient_effects=effects, residual=residual
            )
        except ModelError as error:
            tried.append(f"Tried {name}: {error.what}")
            last = error
            continue
        if model.converged:
            return model, [*tried, f"Covariance within the patient: {name}."]
        tried.append(f"Tried {name}: did not converge.")
    raise ModelError(
        "No covariance structure led to a converged fit.",
        where="; ".join(tried),
        what_to_do="Fit a simpler mean with fit_mixed, or look at the visits by week: too few patients may be left.",
    ) from last

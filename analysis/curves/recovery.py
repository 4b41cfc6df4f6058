"""The recovery-curve model of a report: chosen from the design of the cohort, never from its results."""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import dataclass

import pandas as pd

from analysis.cohort.measures import Measure
from analysis.cohort.schedule import moment
from analysis.cohort.tables import Cohort
from analysis.curves.covariates import further_covariates
from analysis.curves.engine.contrasts import Adjust
from analysis.curves.first_converged import fit_first_that_converges
from analysis.curves.mixed_model import MixedModel
from analysis.curves.recovery_choices import PROTOCOL_THEN, after_baseline, covariance_candidates, covariance_in_words
from analysis.curves.recovery_design import BaselineAs, design_curves, values_with_protocol
from analysis.errors import DesignWarning
from analysis.result import Result

DIFFERENCE_COLUMNS = (
    "protocol", "reference", "week", "estimate", "std_error", "df", "statistic", "p_value", "lower", "upper", "level",
    "method", "adjust",
)  # fmt: skip


@dataclass(frozen=True, repr=False)
class RecoveryCurves(Result):
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
    covariates : tuple of str
        Columns of the patients in the model beside the baseline.
    baseline_outcome : bool
        Whether the baseline is an outcome, with one mean of all protocols, in place of a covariate.
    covariance : str
        Patient effects and residual that were taken, in words.
    not_taken : tuple of str
        Why those before it in the order were not, one sentence each.
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
    covariates: tuple[str, ...] = ()
    baseline_outcome: bool = False
    covariance: str = ""
    not_taken: tuple[str, ...] = ()

    @property
    def adjusted_for(self) -> tuple[str, ...]:
        """What the model is adjusted for: ``"baseline"`` where the baseline is, and columns of the patients."""
        return (*(["baseline"] if self.baseline_adjusted else []), *self.covariates)

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
        if len(self.protocols) == 1:
            means = self.model.means(weeks=list(self.weeks), level=level)
            return means.assign(protocol=pd.Categorical([self.protocols[0]] * len(means)))[["protocol", *means.columns]]
        means = self.model.means(by=self._group, weeks=list(self.weeks), level=level)
        if self.baseline_outcome:  # in the model all are counted under the reference at week 0
            means = means.rename(columns={PROTOCOL_THEN: "protocol"})
            patients = self.frame.groupby("protocol", observed=True)["patient_id"].nunique()
            means["n"] = means["protocol"].map(patients).astype("float64")
        return means

    def differences(self, *, level: float = 0.95, adjust: Adjust = "none") -> pd.DataFrame:
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
        return self._differences(self.weeks, level, adjust)

    def primary_differences(self, *, level: float = 0.95, adjust: Adjust = "none") -> pd.DataFrame:
        """Give the differences at the primary week only; ``adjust`` works among these.

        Returns
        -------
        pandas.DataFrame
            One row a protocol other than the reference.
        """
        return self._differences((self.primary_week,), level, adjust)

    def _headline(self) -> str:
        return (
            f"Recovery curves of {self.measure.label_on(self.limb)} ({self.measure.unit}): {self.model.n_patients:,} patients, "
            f"{self.model.n_visits:,} visits; main comparison at {moment(self.primary_week)}; "
            f"reference {self.protocols[0]}"
        )

    def _shown_tables(self) -> dict[str, pd.DataFrame]:
        columns = ["protocol", "week", "estimate", "std_error", "df", "p_value", "lower", "upper", "level", "method"]
        means = self.means()
        if len(self.protocols) == 1:
            return {"means()": means}
        return {"differences()": self.differences()[columns], "means()": means}

    def _shown_notes(self) -> tuple[str, ...]:
        return (f"Main comparison: {self.primary_week_rule}.", *self.choices, *self.model.record.notes)

    def _differences(self, weeks: tuple[float, ...], level: float, adjust: Adjust) -> pd.DataFrame:
        if len(self.protocols) == 1:
            return pd.DataFrame(columns=pd.Index(DIFFERENCE_COLUMNS))
        found = self.model.differences(
            of=self._group, reference=self.protocols[0], weeks=list(weeks), level=level, adjust=adjust
        )
        return found.rename(columns={PROTOCOL_THEN: "protocol"})

    @property
    def _group(self) -> str:
        return PROTOCOL_THEN if self.baseline_outcome else "protocol"


def fit_recovery(
    cohort: Cohort,
    measure: str,
    *,
    limb: str | None = None,
    primary_week: float | None = None,
    reference: str | None = None,
    adjust_for: Sequence[str] | None = None,
    baseline_as: BaselineAs = "covariate",
) -> RecoveryCurves:
    """Fit the recovery curves of one measure by a model that follows from the cohort's design.

    Scheduled visits: protocol by week as categories, the baseline by week, site where there are several, and an
    unstructured covariance within the patient (the usual primary analysis of a trial with repeated visits). Where
    too few patients were seen at a pair of weeks, or it does not converge, a variance per week with a correlation that
    falls from visit to visit takes its place; then a patient intercept with a variance per week; then a patient
    intercept alone. Unscheduled visits: a natural cubic spline of log(1 + week), on
    which recoveries that level off are close to straight, by protocol, with an intercept (and a slope on the
    same scale, where most patients came twice or more) for each patient. These choices are the kit's own.

    The baseline as a covariate is what trials report most; it leaves out patients without one. As an outcome at week 0, with
    one mean of all protocols (constrained longitudinal data analysis), it keeps patients without a baseline or without a later
    value; that takes a random allocation.

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
        The protocol that others are compared with; by default that of the cohort, or the first one where it names none.
    adjust_for : sequence of str, optional
        Columns of the patients adjusted for beside the baseline, as
        :func:`analysis.curves.covariates.with_named_covariates` takes them: ``["site", "spline(age_years)"]``. By default site,
        where there are several; an empty list adjusts for none. Patients without a value of one are left out.
    baseline_as : {"covariate", "outcome"}
        How the baseline is taken in.

    Returns
    -------
    RecoveryCurves
        The fit with its means and differences by week.

    Raises
    ------
    ModelError
        The measure has no visits after the baseline, an unknown reference, primary week or covariate, or nothing could be
        fitted; or the baseline cannot be an outcome.

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
    design = design_curves(
        cohort, measure, limb=limb, primary_week=primary_week, reference=reference, adjust_for=adjust_for,
        baseline_as=baseline_as,
    )  # fmt: skip
    with warnings.catch_warnings():
        if design.baseline_outcome:  # no protocol but the reference has a mean of its own at week 0, which is meant
            warnings.simplefilter("ignore", DesignWarning)
        model, covariance, not_taken, chosen = _fit(design.frame, design.terms, scheduled=design.scheduled)
    return RecoveryCurves(
        measure=design.measure,
        limb=design.limb,
        model=model,
        frame=design.frame,
        visits=design.visits,
        weeks=design.weeks,
        primary_week=design.primary_week,
        primary_week_rule=design.primary_week_rule,
        protocols=design.protocols,
        scheduled=design.scheduled,
        baseline_adjusted=design.baseline_adjusted,
        n_without_baseline=design.n_without_baseline,
        choices=(*design.choices, *not_taken, chosen),
        covariates=design.covariates,
        baseline_outcome=design.baseline_outcome,
        covariance=covariance,
        not_taken=not_taken,
    )


def adjustment(
    cohort: Cohort, measure: str, *, limb: str | None = None, covariates: Sequence[str] | None = None
) -> tuple[str, ...]:
    """Give what the recovery curves of a measure are adjusted for, so that analyses beside them do the same.

    ``"baseline"`` where half of the patients or more have one and it varies, and columns of the patients: site, where there
    are several with ten patients each on average or more.

    Raises
    ------
    ModelError
        The measure has no visit after the baseline.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> adjustment(generate_cohort(patients=90, seed=3).observed, "pain")
    ('baseline', 'site')
    """
    visits, _, where = values_with_protocol(cohort, measure, limb)
    visits = visits.assign(protocol=visits["protocol"].astype("category"))
    frame, baseline_adjusted, _, _ = after_baseline(visits, where)
    further = further_covariates(frame) if covariates is None else covariates
    return (*(["baseline"] if baseline_adjusted else []), *further)


def _fit(frame: pd.DataFrame, fixed: str, *, scheduled: bool) -> tuple[MixedModel, str, tuple[str, ...], str]:
    """Give the fit, its covariance, why those before it in the order were not taken, and the choice in a sentence."""
    pairs, why = covariance_candidates(frame, scheduled=scheduled)
    candidates = [(*pair, covariance_in_words(pair)) for pair in pairs]
    model, name, tried = fit_first_that_converges(
        frame,
        fixed,
        candidates,
        failure="No covariance structure led to a converged fit.",
        what_to_do="Fit a simpler mean with fit_mixed, or look at the visits by week: too few patients may be left.",
    )
    chosen = f"Covariance within the patient: {name}."
    if scheduled and model.residual == "independent" and model.patient_effects is not None:
        chosen += (
            " It has one variance for all weeks: where the spread changes over the weeks, intervals at single weeks are "
            "too narrow or too wide."
        )
    return model, name, (*why, *tried), chosen

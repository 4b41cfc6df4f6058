"""Protocols that nobody drew lots for, compared by week: weights and mixed model together, the crude comparison beside."""

from __future__ import annotations

import warnings
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from analysis.cohort.measures import Measure
from analysis.cohort.tables import Cohort
from analysis.counted import counted
from analysis.curves.covariates import FEWEST_VALUES_OF_A_CURVE, asked_covariate, column_in_words
from analysis.curves.engine.small_sample import Inference
from analysis.curves.first_converged import fit_first_that_converges
from analysis.curves.mixed_model import MixedModel
from analysis.curves.recovery_choices import covariance_candidates, covariance_in_words
from analysis.errors import DesignWarning, ModelError
from analysis.outcomes.unrandomised.adjusted_means import PATIENTS_PER_INTERACTION
from analysis.outcomes.unrandomised.balance_weights import BalanceWeights, Weighed, weigh
from analysis.outcomes.unrandomised.comparison_notes import notes_of
from analysis.outcomes.unrandomised.estimated import estimated_tables
from analysis.outcomes.unrandomised.filled_visits import mixed_outcome_rows
from analysis.outcomes.unrandomised.known_before import with_known_before
from analysis.outcomes.unrandomised.refusals import uneven_spread
from analysis.outcomes.unrandomised.visits_compared import VisitsCompared, visits_compared
from analysis.result import ResultWithNotes
from analysis.statistics.proportions import check_level
from analysis.statistics.weighting.tilted_means import TiltedMeans

_ADVICE = 'Name columns of the patients known before the start, or the start of a measure: "baseline(pain)".'
_FEWER = "Name fewer covariates, merge labels, or leave out the weeks with few visits."


@dataclass(frozen=True, eq=False, repr=False)
class ObservationalComparison(ResultWithNotes):
    """A comparison of protocols by week among patients who were not randomised.

    Attributes
    ----------
    measure : Measure
        What was measured.
    limb : str
        Of which limb; "none" where the measure has none.
    target : str
        Whom it speaks of, as of :func:`balance_weights`.
    reference : str
        The protocol compared with.
    covariates : tuple of str
        What was balanced and adjusted for.
    weeks : tuple of float
        The weeks compared.
    differences : pandas.DataFrame
        protocol, reference, week, estimate (the protocol less the reference, in the unit of the measure), std_error (jackknife),
        df, statistic, p_value, p_holm (adjusted over all rows), lower, upper, sandwich_error, e_value, e_value_limit, level,
        method.
    means : pandas.DataFrame
        protocol, week, n (patients), seen (with a value at the week), ess, estimate, std_error, df, lower, upper, level,
        method.
    crude : pandas.DataFrame
        The mixed model without covariates: protocol, reference, week, estimate, std_error, df, statistic, p_value, lower, upper,
        level, method.
    standardised : pandas.DataFrame
        The mixed model with covariates, standardised over everybody, without weights: columns as of ``differences``.
    filled : pandas.DataFrame
        protocol, week, n, seen, filled (missed visits, which have the mean that the model expects).
    overlap, balance : pandas.DataFrame
        As of :class:`BalanceWeights`.
    weighting : BalanceWeights
        Scores and weights.
    model, crude_model : MixedModel
        The fits with covariates (standardised columns) and without.
    covariance : str
        That of the fit with covariates, by its name among the choices of the curves.
    """

    measure: Measure
    limb: str
    target: str
    reference: str
    covariates: tuple[str, ...]
    weeks: tuple[float, ...]
    differences: pd.DataFrame
    means: pd.DataFrame
    crude: pd.DataFrame
    standardised: pd.DataFrame
    filled: pd.DataFrame
    overlap: pd.DataFrame
    balance: pd.DataFrame
    weighting: BalanceWeights
    model: MixedModel
    crude_model: MixedModel
    covariance: str

    def _headline(self) -> str:
        return (
            f"{self.measure.label_on(self.limb)} ({self.measure.unit}) by protocol, {counted(len(self.weighting.weights), 'patient')} "
            f"who were not randomised; target {self.target}; reference {self.reference}"
        )


def observational_comparison(
    cohort: Cohort,
    measure: str,
    covariates: Sequence[str],
    *,
    target: str = "overlap",
    reference: str | None = None,
    weeks: Sequence[float] | None = None,
    interactions: bool = False,
    level: float = 0.95,
    limb: str | None = None,
) -> ObservationalComparison:
    """Compare protocols by week among patients who were not randomised, made alike by what was known before the start.

    Parameters
    ----------
    cohort : Cohort
    measure : str
        A stored or derived measure; also one that the protocol cannot have changed, as a negative control.
    covariates : sequence of str
        What may have led to the choice of protocol and was known before it began: columns of the patients as of
        :func:`balance_weights` (sites too), and ``"baseline(pain)"`` for the start of another measure. The baseline of the
        measure itself is always among them, as a curve; a number whose spread stays uneven as a straight line becomes one too.
    target : {"overlap", "everybody", "matching"} or a protocol's name
        Whom the comparison speaks of, as of :func:`balance_weights`.
    reference : str, optional
        The protocol compared with; by default that of the cohort, or the first.
    weeks : sequence of float, optional
        Scheduled weeks after the start; by default all at which every protocol has ten values or more.
    interactions : bool
        Whether covariates may act differently under each protocol in the outcome model; asks for ten patients of every protocol
        for each column.
    level : float
        Confidence level.
    limb : str, optional
        The limb; by default that of the measure.

    Returns
    -------
    ObservationalComparison
        Differences and means by week, the crude comparison and the one by the model alone beside them, balance and overlap.

    Raises
    ------
    ModelError
        As of :func:`balance_weights`; a covariate was known only after the start; the weights stand for too few patients or leave
        too few; the covariates stay unbalanced; visits have no schedule; or the models hang on single patients.
    CohortError
        The measure is not known.

    Notes
    -----
    Augmented inverse probability weighting at each week. One mixed model has week by protocol and covariates and an unstructured
    covariance; a missed visit has its mean given the patient's visits. The difference is right, of confounding by what is
    listed, where the scores or the mixed model are; missed visits rest on the mixed model. Standard error: jackknife over
    patients, one Newton step of the scores, the covariance held; the sandwich beside it takes the covariance as given too. E-values:
    VanderWeele & Ding, Ann Intern Med 2017;167:268, in standard deviations of the values seen at the week, within
    protocols.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> cohort = generate_cohort("ligament reconstruction", patients=200, seed=3).observed
    >>> found = observational_comparison(cohort, "quadriceps_torque", ["age_years", "sex"], weeks=[26])
    >>> found.differences[["protocol", "week"]].to_numpy().tolist()
    [['home stimulation', 26.0], ['home stimulation and early motion', 26.0]]
    """
    check_level(level)
    widened, asked, shown, said = with_known_before(cohort, measure, covariates, limb=limb)
    compared = visits_compared(widened, measure, reference=reference, weeks=weeks, limb=limb)
    names = compared.protocols
    weighed, bent = _weighed(compared, asked, shown, target)
    for refusal in weighed.refusals:
        raise refusal.error()
    if interactions:
        _refuse_interactions(weighed)
    model, mean, covariance = _adjusted_fit(compared, weighed, interactions=interactions)
    crude = _crude_fit(compared)
    rows = mixed_outcome_rows(model, _with_columns(compared.patients, weighed), names, compared.weeks)
    spread = np.array([compared.spread_at(week) for week in compared.weeks])

    def tables(tilted: TiltedMeans) -> tuple[pd.DataFrame, pd.DataFrame]:
        return estimated_tables(
            tilted, names, base=0, errors="jackknife", level=level, spread=spread, weeks=compared.weeks
        )

    means, differences = tables(TiltedMeans(weighed.scores, rows, weighed.target, "aipw"))
    standardised = tables(TiltedMeans(weighed.scores, rows, "everybody", "model"))[1]
    filled = compared.seen()
    kept = [
        "protocol",
        "reference",
        "week",
        "estimate",
        "std_error",
        "df",
        "statistic",
        "p_value",
        "lower",
        "upper",
        "level",
        "method",
    ]
    return ObservationalComparison(
        measure=cohort.measures[measure],
        limb=compared.limb,
        target=target,
        reference=names[0],
        covariates=weighed.result.covariates,
        weeks=compared.weeks,
        differences=differences,
        means=_with_counts(means, filled, weighed.result.overlap),
        crude=crude.differences(reference=names[0], weeks=list(compared.weeks), level=level)[kept],
        standardised=standardised,
        filled=filled,
        overlap=weighed.result.overlap,
        balance=weighed.result.balance,
        weighting=weighed.result,
        model=model,
        crude_model=crude,
        covariance=covariance,
        notes=notes_of(
            weighed.result,
            differences,
            filled,
            model=[f"Mixed model: {mean}; {covariance}.", *model.record.notes],
            left_out=[*bent, *said, *compared.notes],
        ),
    )


def _weighed(
    compared: VisitsCompared, asked: Sequence[str], shown: Mapping[str, str], target: str
) -> tuple[Weighed, list[str]]:
    """Weigh the patients; a number whose spread stays uneven as a straight line is taken as a curve, which is said."""

    def weighed_by(names: Sequence[str]) -> Weighed:
        said = [shown.get(one, f"a curve of {column_in_words(asked_covariate(one)[0])}") for one in names]
        return weigh(compared.patients, "protocol", names, target=target, advice=_ADVICE, shown=said)

    found = weighed_by(asked)
    uneven = uneven_spread(found.result.balance)
    lines = [one for one in asked if one in uneven and compared.patients[one].nunique() >= FEWEST_VALUES_OF_A_CURVE]
    if not lines:
        return found, []
    found = weighed_by([f"spline({one})" if one in lines else one for one in asked])
    return found, [
        f"{column_in_words(one).capitalize()} is taken as a curve in both models: as a straight line it left variances with a ratio of "
        f"{uneven[one]:.2f} after weighting."
        for one in lines
    ]


def _refuse_interactions(weighed: Weighed) -> None:
    sizes = np.bincount(weighed.scores.codes, minlength=len(weighed.names))
    columns = weighed.columns.matrix.shape[1]
    needed = PATIENTS_PER_INTERACTION * columns
    if sizes.min() < needed:
        raise ModelError(
            f"Covariates cannot act differently under each protocol: that asks for {needed} patients of every protocol.",
            where=f"{counted(columns, 'column')} of covariates; patients: "
            + ", ".join(f"{name} {size}" for name, size in zip(weighed.names, sizes, strict=True)),
            what_to_do="Leave interactions out, or name fewer covariates.",
        )


def _with_columns(patients: pd.DataFrame, weighed: Weighed) -> pd.DataFrame:
    """Give identifier, protocol and the standardised columns of the covariates."""
    design = weighed.scores.design[:, 1:]
    columns = {f"covariate_{k + 1}": design[:, k] for k in range(design.shape[1])}
    return patients[["patient_id", "protocol"]].assign(**columns)


def _adjusted_fit(compared: VisitsCompared, weighed: Weighed, *, interactions: bool) -> tuple[MixedModel, str, str]:
    frame = compared.visits.merge(_with_columns(compared.patients, weighed), on="patient_id", validate="many_to_one")
    columns = [str(name) for name in frame if str(name).startswith("covariate_")]
    terms = f"protocol {'*' if interactions else '+'} ({' + '.join(columns)})"
    formula = f"value ~ C(week) * ({terms})" if len(compared.modelled) > 1 else f"value ~ {terms}"
    model, name = _fit(frame, formula, "normal")
    each = "week by protocol by covariates" if interactions else "week by protocol and week by covariates"
    return model, each, name


def _crude_fit(compared: VisitsCompared) -> MixedModel:
    frame = compared.visits.merge(
        compared.patients[["patient_id", "protocol"]], on="patient_id", validate="many_to_one"
    )
    formula = "value ~ protocol * C(week)" if len(compared.modelled) > 1 else "value ~ protocol"
    return _fit(frame, formula, "kenward-roger")[0]


def _fit(frame: pd.DataFrame, formula: str, inference: Inference) -> tuple[MixedModel, str]:
    pairs, _ = covariance_candidates(frame, scheduled=True)
    with warnings.catch_warnings():
        warnings.simplefilter("error", DesignWarning)
        try:
            model, name, _ = fit_first_that_converges(
                frame,
                formula,
                [(*pair, covariance_in_words(pair)) for pair in pairs],
                inference=inference,
                failure="No covariance structure led to a converged fit.",
                what_to_do=_FEWER,
            )
        except DesignWarning as warning:
            raise ModelError(
                "At some week the values do not tell every covariate of the outcome model.",
                where=str(warning).splitlines()[0],
                what_to_do=_FEWER,
            ) from warning
    return model, name


def _with_counts(means: pd.DataFrame, filled: pd.DataFrame, overlap: pd.DataFrame) -> pd.DataFrame:
    counts = filled.merge(overlap[["protocol", "ess"]], on="protocol")[["protocol", "week", "n", "seen", "ess"]]
    return counts.merge(means, on=["protocol", "week"])

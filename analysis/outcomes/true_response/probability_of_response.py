"""Probability of response: how likely each patient's true change is beyond the threshold, error and gaps counted in."""

import warnings
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.cohort.measures import Measure
from analysis.cohort.tables import Cohort
from analysis.errors import DistributionWarning, ModelError
from analysis.outcomes.endpoint import Endpoint
from analysis.outcomes.missing.weekly_model import WeeklyModel, check_baseline, check_draws, week_place, weekly_model
from analysis.outcomes.responders.responders import responders
from analysis.outcomes.true_response.free_distribution import FreeProbability, free_probability
from analysis.outcomes.true_response.normality import check_normality
from analysis.outcomes.true_response.reaching import AtLeast, Nearer, Reach, Within
from analysis.outcomes.true_response.response_posterior import normal_posterior, true_covariance
from analysis.outcomes.true_response.response_tables import differences_of_shares, expected_responders, raw_disagreement
from analysis.outcomes.true_response.true_pair import TruePair
from analysis.result import ResultWithNotes

Floats = NDArray[np.float64]

POSTERIOR = "posterior draws of the mixed model"
FREE = "draws of a distribution of free shape"
#: Draws times patients of the free distribution, so that large cohorts do not wait; and draws at least.
_DRAWS_TOGETHER, _FEWEST_DRAWS = 800_000, 50
#: Visits of a patient, share told and patients below which the notes say what the free distribution cannot tell.
_VISITS, _TOLD, _PATIENTS = 3, 0.8, 1000


@dataclass(frozen=True, eq=False, repr=False)
class ProbabilityOfResponse(ResultWithNotes):
    """Posterior probabilities that the true change of each patient reaches the threshold.

    ``table``, ``differences``, ``disagreement`` and the patients' ``probability`` are always those of the normal model.
    What begins with ``free_`` stands beside them and does not lean on a normal distribution of patients; ``versions`` says
    whether it was made.

    Attributes
    ----------
    endpoint : Endpoint
        What the true change or value must reach.
    measurement_error : pandas.DataFrame
        week, standard_deviation of the error of one measurement, in the unit of the measure.
    table : pandas.DataFrame
        protocol, n (every patient modelled), expected (responders), share, lower, upper, level, method.
    differences : pandas.DataFrame
        protocol, reference, n, reference_n, difference (of shares), lower, upper, level, method.
    disagreement : pandas.DataFrame
        protocol, n (patients with a raw answer), raw_responders, expected_responders (among them), raw_yes_unlikely
        (raw responders with a probability below a half), raw_no_likely, expected_wrong (share of raw answers that the
        model expects to be wrong).
    normality : pandas.DataFrame
        The test of the normal model, part by part: part, n, skewness, excess_kurtosis, p_value, adjusted_p_value.
    power : pandas.DataFrame
        How often the test would find a departure with these visits: departure, part, n, cohorts, power.
    normality_rejected : bool or None
        Whether normality is rejected at 5 %; None where too few patients were seen to test it.
    told : float
        Share of the variance of the true change that the visits tell, of patients seen at the weeks that decide.
    free_table, free_differences : pandas.DataFrame
        As ``table`` and ``differences``, without the normal distribution; empty where this version was not made.
    patients : pandas.DataFrame
        patient_id, protocol, visits_seen, expected (true change in the better direction, or how much nearer to the best
        value; value for a state),
        standard_deviation, probability, raw (True, False or missing), free_probability (missing where not made).
    """

    endpoint: Endpoint
    measurement_error: pd.DataFrame
    table: pd.DataFrame
    differences: pd.DataFrame
    disagreement: pd.DataFrame
    normality: pd.DataFrame
    power: pd.DataFrame
    normality_rejected: bool | None
    told: float
    free_table: pd.DataFrame
    free_differences: pd.DataFrame
    patients: pd.DataFrame

    @property
    def versions(self) -> tuple[str, ...]:
        """Which versions were made: "normal", and "free" where the one without the normal distribution was."""
        return ("normal",) if self.free_table.empty else ("normal", "free")

    def _headline(self) -> str:
        return f"Probability of response. {self.endpoint.words}"


def probability_of_response(
    cohort: Cohort,
    endpoint: Endpoint,
    *,
    measurement_error: float | None = None,
    error_share: float | None = None,
    covariates: Sequence[str] = (),
    model: WeeklyModel | None = None,
    free: bool | None = None,
    draws: int = 400,
    seed: int = 1,
    tell: Callable[[int, int], None] | None = None,
) -> ProbabilityOfResponse:
    """Give each patient's posterior probability that the true change reaches a threshold.

    Parameters
    ----------
    cohort : Cohort
    endpoint : Endpoint
        What the true change, or for a state the true value, must reach at a scheduled week. Every patient modelled counts,
        seen at the week or not.
    measurement_error : float, optional
        Standard deviation of the error of one measurement, in the unit of the measure. By default from the catalogue's
        minimal detectable change, divided by 1.96 times root 2.
    error_share : float, optional
        The same as a share of the value (0.055 for 5.5 %), instead of ``measurement_error``.
    covariates : sequence of str
        Columns of the patients that enter the model.
    model : WeeklyModel, optional
        That joint model, where :func:`analysis.outcomes.missing.weekly_model.fit_weekly` has fitted it already.
    free : bool, optional
        Whether to give, beside the normal model, the version without a normal distribution of patients: never (False),
        always (True), or by default where normality is rejected. The normal model is always given.
    draws, seed : int
        Draws of the model's parameters, and the seed.
    tell : callable, optional
        Told how many draws are done; without it progress is shown on a terminal after two seconds.

    Returns
    -------
    ProbabilityOfResponse
        Probabilities, expected responders by protocol with intervals, and how often the raw answer disagrees.

    Raises
    ------
    ModelError
        The week is not scheduled, the criterion is in per cent, no measurement error is known, or the model is another's; the
        version without the normal distribution is asked for and the measure has a best value.

    Notes
    -----
    The joint mixed model of all scheduled visits gives the covariance of observed values; less the error of
    measurement it is that of the true values, which include the true variation from visit to visit. Given what was
    seen of a patient, the true values are normal. Missing visits are missing at random given what was seen. The
    posterior is of this cohort's patients; values near the end of a scale strain the normal model. Of a measure with a best
    value what is judged is a distance, or a difference of two, which is not normal: it is taken from true values drawn on
    the scale on which they are measured.

    Normality is tested (:func:`analysis.outcomes.true_response.normality.check_normality`); where it is rejected a DistributionWarning
    says so. The version beside it (:func:`analysis.outcomes.true_response.free_distribution.free_probability`) leans on the error of
    measurement that is stated, and with fewer than three visits of a patient on that error being normal: the notes say so.

    Examples
    --------
    >>> from analysis.outcomes import choose_endpoint
    >>> from synthetic_cohort import generate_cohort
    >>> cohort = generate_cohort(patients=120, seed=1).observed
    >>> endpoint = choose_endpoint(cohort, "ikdc", week=26)
    >>> found = probability_of_response(cohort, endpoint, measurement_error=5, draws=100)
    >>> bool(found.patients["probability"].between(0, 1).all())
    True
    """
    check_draws(draws)
    check_baseline(endpoint)
    if endpoint.criterion == "percent":
        raise ModelError(
            "The probability of a change in per cent of the baseline is not known: it is no sum of true values.",
            where=f"endpoint: {endpoint.words}",
            what_to_do="Choose an endpoint whose criterion is an improvement or a state.",
        )
    known, level = endpoint.measure, endpoint.level
    if free and known.ideal is not None:
        raise ModelError(
            "There is no version without the normal distribution of a distance from the best value.",
            where=f"endpoint: {endpoint.words}",
            what_to_do="Leave out free=True; the normal model is given, with the test of it.",
        )
    model = weekly_model(cohort, endpoint, covariates, model)
    contrast = _contrast(model, endpoint)
    error, error_note = _error_of(model, known, measurement_error, error_share)
    base = endpoint.compared_with(cohort, model.patients["protocol"])
    reach = _reach(model, endpoint, contrast)
    posterior = normal_posterior(model, reach, error, draws=draws, seed=seed, tell=tell)
    pair = TruePair(model, contrast, true_covariance(model.covariance, error)[0], error)
    normality = check_normality(model, pair, seed=seed)
    raw = responders(cohort, replace(endpoint, reference=base, missing="excluded"))
    answers = raw.patients.set_index("patient_id")["responder"]
    patients = model.patients[["patient_id", "protocol"]].assign(
        visits_seen=np.isfinite(model.values).sum(axis=1),
        expected=posterior.expected if known.ideal is not None else endpoint.turn * posterior.expected,
        standard_deviation=posterior.spread,
        probability=posterior.probability,
        raw=lambda one: one["patient_id"].map(answers).astype("boolean"),
        free_probability=np.nan,
    )
    groups = (model.protocols, model.protocol)
    table = expected_responders(*groups, posterior.probability, posterior.shares, level=level, method=POSTERIOR)
    differences = differences_of_shares(table, posterior.shares, base)
    free_table, free_differences = table.iloc[:0], differences.iloc[:0]
    notes = [
        endpoint.to_reach.words,
        error_note,
        *model.choices,
        "Missing visits are taken as missing at random given the visits made.",
    ]
    if known.ideal is not None:
        notes.append(
            f"Distances from {known.ideal:g} are not normal: they are those of true values drawn as they are measured, which are "
            "taken as normal. There is no version without that."
        )
    if posterior.clipped:
        notes.append(
            "The stated error is larger than the visits allow: a part of the true variation came out below 0 and was set to 0."
        )
    notes.append(normality.words)
    if normality.rejected:
        other = "free=True gives a version that does" if free is False else "free_table and free_probability do"
        beside = "" if known.ideal is not None else f" {other} not lean on it."
        warnings.warn(f"{known.label}: {normality.words}{beside}", DistributionWarning, stacklevel=2)
    told = pair.told()
    if free or (free is None and normality.rejected and known.ideal is None):
        some = min(draws, max(_FEWEST_DRAWS, _DRAWS_TOGETHER // len(patients)))
        found = free_probability(pair, endpoint.limit, model.protocol, draws=some, seed=seed)
        patients["free_probability"] = found.probability
        free_table = expected_responders(*groups, found.probability, found.shares, level=level, method=FREE)
        free_differences = differences_of_shares(free_table, found.shares, base)
        notes += _free_notes(found, model, told)
    return ProbabilityOfResponse(
        endpoint=endpoint,
        measurement_error=pd.DataFrame({"week": model.weeks, "standard_deviation": np.sqrt(error)}),
        table=table,
        differences=differences,
        disagreement=raw_disagreement(patients),
        normality=normality.parts,
        power=normality.power,
        normality_rejected=normality.rejected,
        told=told,
        free_table=free_table,
        free_differences=free_differences,
        patients=patients,
        notes=tuple(notes),
    )


def _free_notes(found: FreeProbability, model: WeeklyModel, told: float) -> list[str]:
    """Say what the version without the normal distribution rests on, and where the visits cannot tell."""
    tails = (
        "normal"
        if found.error_df is None
        else f"with the tails of Student's t with {found.error_df} degrees of freedom, as if the heavy tails of single "
        "visits were all of the measurement and not of the knee, which the visits cannot tell"
    )
    said = (
        "Without the normal distribution: the shape of the true values is estimated for each protocol from the visits "
        f"of {found.used:,} patients; errors of measurement are taken as {tails}."
    )
    narrow = (
        "Its intervals count that the shape is estimated, not that means and covariances are: in simulated cohorts of 400 "
        "patients with seven visits, 95 % intervals of a protocol's share held the true one in 85 to 95 %."
    )
    notes = [said, narrow]
    visits = np.isfinite(model.values).sum(axis=1)
    if (few := int((visits < _VISITS).sum())) > len(visits) / 2:
        notes.append(
            f"{few:,} of {len(visits):,} patients have fewer than three visits, which cannot tell whether heavy tails or a "
            "skew are of the measurement or of the knee: the version without the normal distribution takes them as the "
            "knee's. In simulated cohorts of 8,000 patients with a baseline and one visit, which told two thirds of "
            "the variance of the true change, it was off by 1 to 18 percentage points in the worst tenth (the normal model "
            "by 9 to 25), and by up to 30 where errors of measurement had heavy tails as well."
        )
    if told < _TOLD:
        notes.append(
            f"The visits tell {100 * told:.0f} % of the variance of the true change, too little to see its shape well. In "
            "simulated cohorts of 8,000 patients in which they told 66 to 77 %, the version without the normal "
            "distribution was off by up to 18 percentage points in the worst tenth, the most near a sharp end of a skewed "
            "distribution, with errors as normal as stated."
        )
    if found.used < _PATIENTS:
        notes.append(
            f"From {found.used:,} patients the shape of a distribution is seen roughly. In simulated cohorts whose true changes "
            "had heavy tails, a skew or were of two kinds, with seven visits a patient, the version without the normal "
            "distribution was off in the worst tenth by 4 to 11 percentage points on average in cohorts of 240. In cohorts of "
            "1,000 it was off by 2 to 5 (the normal model by 9 to 16 in both)."
        )
    return notes


def _contrast(model: WeeklyModel, endpoint: Endpoint) -> Floats:
    """Weights of the true values at the weeks whose sum is compared with the threshold."""
    place, sign = week_place(model, endpoint.week), endpoint.measure.sign
    contrast = np.zeros(len(model.weeks))
    contrast[place] = sign
    if endpoint.criterion == "improvement":
        if model.weeks[0] != 0:
            raise ModelError("There is no baseline visit.", what_to_do='Use criterion="state".')
        contrast[0] -= sign
    return contrast


def _reach(model: WeeklyModel, endpoint: Endpoint, contrast: Floats) -> Reach:
    """Give what the true values must reach: a threshold by their sum, or by nearness to the best value."""
    ideal, weeks = endpoint.measure.ideal, np.eye(len(model.weeks))
    if ideal is None:
        return AtLeast(contrast[:, None], endpoint.limit)
    place, threshold = week_place(model, endpoint.week), endpoint.to_reach.value
    if endpoint.criterion == "state":
        return Within(weeks[:, [place]], ideal, abs(threshold - ideal))
    return Nearer(weeks[:, [0, place]], ideal, threshold)


def _error_of(
    model: WeeklyModel, measure: Measure, measurement_error: float | None, error_share: float | None
) -> tuple[Floats, str]:
    """Error variance at each week, and where it comes from."""
    m = len(model.weeks)
    if error_share is not None:
        if not 0 < error_share < 1:
            raise ModelError("The error share is not between 0 and 1.", what_to_do="Give 0.055 for 5.5 %.")
        mean = (model.design() @ model.fit.coefficient_values)[model.kinds[1]].mean(axis=0)
        square = mean**2 + np.diag(model.covariance)
        return error_share**2 * square / (
            1 + error_share**2
        ), f"Error of measurement: {100 * error_share:g} % of the value."
    if measurement_error is None:
        published = [one for one in measure.thresholds if one.kind == "MDC" and one.accepted]
        if not published:
            raise ModelError(
                f"No error of measurement is known for {measure.label.lower()}.",
                where=f"measure {measure.name!r} has no minimal detectable change in the catalogue",
                what_to_do="Give measurement_error= in the unit of the measure, or error_share=.",
            )
        value = published[0].value / (1.959964 * 2**0.5)
        return np.full(m, value**2), (
            f"Error of measurement: {value:.3g} {measure.unit}, the published minimal detectable change of "
            f"{published[0].value:g} divided by 1.96 times root 2 (in {published[0].population})."
        )
    if not measurement_error > 0:
        raise ModelError("The error of measurement is not above 0.", what_to_do="Give its standard deviation.")
    return np.full(
        m, float(measurement_error) ** 2
    ), f"Error of measurement: {measurement_error:g} {measure.unit}, given."

"""Probability of response: how likely each patient's true change is beyond the threshold, error and gaps counted in."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
import pandas as pd

from analysis.cohort.reference import reference_protocol
from analysis.errors import ModelError
from analysis.outcomes.gaps import patterns
from analysis.outcomes.proportions import check_level
from analysis.outcomes.responders import responders
from analysis.outcomes.response_criterion import choose_criterion, compared_value
from analysis.outcomes.result import Result
from analysis.outcomes.weekly_model import WeeklyModel, check_draws, fit_weekly, week_place
from analysis.progress import in_portions

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from analysis.cohort.measures import Measure, Threshold
    from analysis.cohort.tables import Cohort
    from analysis.outcomes.chosen_threshold import ChosenThreshold

    Floats = NDArray[np.float64]

POSTERIOR = "posterior draws of the mixed model"


@dataclass(frozen=True, eq=False, repr=False)
class ProbabilityOfResponse(Result):
    """Posterior probabilities that the true change of each patient reaches the threshold.

    Attributes
    ----------
    threshold : ChosenThreshold
        The threshold.
    week : float
        The week.
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
    patients : pandas.DataFrame
        patient_id, protocol, visits_seen, expected (true change in the better direction, or value for a state),
        standard_deviation, probability, raw (True, False or missing).
    notes : tuple of str
        Assumptions.
    """

    threshold: ChosenThreshold
    week: float
    measurement_error: pd.DataFrame
    table: pd.DataFrame
    differences: pd.DataFrame
    disagreement: pd.DataFrame
    patients: pd.DataFrame
    notes: tuple[str, ...]

    def _headline(self) -> str:
        return f"Probability of response at week {self.week:g}"


def probability_of_response(
    cohort: Cohort,
    measure: str,
    *,
    week: float,
    threshold: float | Threshold | None = None,
    criterion: Literal["improvement", "state"] = "improvement",
    measurement_error: float | None = None,
    error_share: float | None = None,
    limb: str | None = None,
    covariates: Sequence[str] = (),
    draws: int = 400,
    seed: int = 1,
    level: float = 0.95,
    reference: str | None = None,
    tell: Callable[[int, int], None] | None = None,
) -> ProbabilityOfResponse:
    """Give each patient's posterior probability that the true change reaches a threshold.

    Parameters
    ----------
    cohort, measure, week, threshold, limb, level, reference
        As in :func:`analysis.outcomes.responders.responders`; the week must be a scheduled one.
    criterion : {"improvement", "state"}
        Whether the true change, or the true value itself, must reach the threshold.
    measurement_error : float, optional
        Standard deviation of the error of one measurement, in the unit of the measure. By default from the catalogue's
        minimal detectable change, divided by 1.96 times root 2.
    error_share : float, optional
        The same as a share of the value (0.055 for 5.5 %), instead of ``measurement_error``.
    covariates : sequence of str
        Columns of the patients that enter the model.
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
        The week is not scheduled, no measurement error is known, or an option is not known.

    Notes
    -----
    The joint mixed model of all scheduled visits gives the covariance of observed values; less the error of
    measurement it is that of the true values, which include the true variation from visit to visit. Given what was
    seen of a patient, the true values are normal. Missing visits are missing at random given what was seen. The
    posterior is of this cohort's patients; values near the end of a scale strain the normal model.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> cohort = generate_cohort(patients=120, seed=1).observed
    >>> found = probability_of_response(cohort, "ikdc", week=26, measurement_error=5, draws=100)
    >>> bool(found.patients["probability"].between(0, 1).all())
    True
    """
    check_level(level)
    check_draws(draws)
    known = cohort.measures[measure]
    chosen = choose_criterion(cohort, measure, threshold, criterion=criterion, week=week)
    model = fit_weekly(cohort, measure, limb=limb, covariates=covariates)
    contrast = _contrast(model, week, criterion, known.sign)
    error, error_note = _error_of(model, known, measurement_error, error_share)
    base = reference_protocol(cohort, model.patients["protocol"], reference)
    posterior = _draw(model, contrast, compared_value(chosen, known), error, draws, seed, tell)
    raw = responders(cohort, measure, week=week, threshold=threshold, criterion=criterion, limb=limb, reference=base)
    answers = raw.patients.set_index("patient_id")["responder"]
    patients = model.patients[["patient_id", "protocol"]].assign(
        visits_seen=np.isfinite(model.values).sum(axis=1),
        expected=posterior.expected,
        standard_deviation=posterior.spread,
        probability=posterior.probability,
        raw=lambda one: one["patient_id"].map(answers).astype("boolean"),
    )
    notes = [
        chosen.words,
        error_note,
        *model.choices,
        "Missing visits are taken as missing at random given the visits made.",
    ]
    if posterior.clipped:
        notes.append(
            "The stated error is larger than the visits allow: a part of the true variation came out below 0 and was set to 0."
        )
    return ProbabilityOfResponse(
        threshold=chosen,
        week=float(week),
        measurement_error=pd.DataFrame({"week": model.weeks, "standard_deviation": np.sqrt(error)}),
        table=_expected(model, posterior, level),
        differences=_differences(model, posterior, base, level),
        disagreement=_disagreement(patients),
        patients=patients,
        notes=tuple(notes),
    )


@dataclass(frozen=True, eq=False)
class _Posterior:
    expected: Floats
    spread: Floats
    probability: Floats
    shares: Floats
    clipped: bool


def _contrast(model: WeeklyModel, week: float, criterion: str, sign: int) -> Floats:
    """Weights of the true values at the weeks whose sum is compared with the threshold."""
    place = week_place(model, week)
    contrast = np.zeros(len(model.weeks))
    contrast[place] = sign
    if criterion == "improvement":
        if model.weeks[0] != 0:
            raise ModelError("There is no baseline visit.", what_to_do='Use criterion="state".')
        contrast[0] -= sign
    return contrast


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


def _draw(
    model: WeeklyModel,
    contrast: Floats,
    threshold: float,
    error: Floats,
    draws: int,
    seed: int,
    tell: Callable[[int, int], None] | None,
) -> _Posterior:
    from scipy.special import ndtr

    rng = np.random.default_rng(seed)
    design, kind = model.design(), model.kinds[1]
    groups = patterns(model.values)
    order = np.concatenate([rows for _, rows in groups])
    ends = np.cumsum([len(rows) for _, rows in groups])
    filled, kind, protocol = np.nan_to_num(model.values)[order], kind[order], model.protocol[order]
    n, protocols = len(order), len(model.protocols)
    size = np.bincount(protocol, minlength=protocols)
    first, second, chance = np.zeros(n), np.zeros(n), np.zeros(n)
    shares = np.empty((draws, protocols))
    clipped = False
    parameters = model.draws(draws, rng)
    here, sd = np.empty(n), np.empty(n)
    for begin, end in in_portions(draws, 10, "Draws of the posterior", tell):
        for k in range(begin, end):
            coefficients, V = next(parameters)
            true, below = _true_covariance(V, error)
            clipped |= below
            mean = design @ coefficients
            for (seen, rows), stop in zip(groups, ends, strict=True):
                one = slice(stop - len(rows), stop)
                pull = np.zeros(len(contrast))
                pull[seen] = np.linalg.solve(V[np.ix_(seen, seen)], true[seen] @ contrast)
                here[one] = (mean @ (contrast - pull))[kind[one]] + filled[one] @ pull
                sd[one] = np.sqrt(max(float((contrast - pull) @ true @ contrast), 1e-300))
            p: Floats = ndtr((here - threshold) / sd)
            first += here
            second += sd**2 + here**2
            chance += p
            shares[k] = np.bincount(protocol, weights=rng.random(n) < p, minlength=protocols) / size
    back = np.argsort(order)
    first, second, chance = first[back], second[back], chance[back]
    mean = first / draws
    spread = np.sqrt(np.maximum(second / draws - mean**2, 0.0))
    return _Posterior(mean, spread, chance / draws, shares, clipped)


def _true_covariance(V: Floats, error: Floats) -> tuple[Floats, bool]:
    """Covariance of true values: that of the observed ones less the error, lifted to a possible one."""
    values, vectors = np.linalg.eigh(V - np.diag(error))
    if values.min() >= 0:
        return V - np.diag(error), False
    return (vectors * np.maximum(values, 0.0)) @ vectors.T, bool(values.min() < -0.02 * values.max())


def _expected(model: WeeklyModel, posterior: _Posterior, level: float) -> pd.DataFrame:
    size = np.bincount(model.protocol, minlength=len(model.protocols))
    expected = np.bincount(model.protocol, weights=posterior.probability, minlength=len(model.protocols))
    lower, upper = np.quantile(posterior.shares, [(1 - level) / 2, (1 + level) / 2], axis=0)
    return pd.DataFrame(
        {
            "protocol": list(model.protocols),
            "n": size,
            "expected": expected,
            "share": expected / size,
            "lower": lower,
            "upper": upper,
            "level": level,
            "method": POSTERIOR,
        }
    )


def _differences(model: WeeklyModel, posterior: _Posterior, reference: str, level: float) -> pd.DataFrame:
    table = _expected(model, posterior, level)
    base = model.protocols.index(reference)
    others = [k for k in range(len(model.protocols)) if k != base]
    gaps = posterior.shares[:, others] - posterior.shares[:, [base]]
    lower, upper = np.quantile(gaps, [(1 - level) / 2, (1 + level) / 2], axis=0)
    share, n = table["share"].to_numpy(), table["n"].to_numpy()
    return pd.DataFrame(
        {
            "protocol": [model.protocols[k] for k in others],
            "reference": reference,
            "n": n[others],
            "reference_n": n[base],
            "difference": share[others] - share[base],
            "lower": lower,
            "upper": upper,
            "level": level,
            "method": POSTERIOR,
        }
    )


def _disagreement(patients: pd.DataFrame) -> pd.DataFrame:
    judged = patients.dropna(subset=["raw"])
    yes, chance = judged["raw"].astype(bool), judged["probability"]
    marks = judged[["protocol"]].assign(
        n=1,
        raw_responders=yes.astype("int64"),
        expected_responders=chance,
        raw_yes_unlikely=(yes & (chance < 0.5)).astype("int64"),
        raw_no_likely=(~yes & (chance >= 0.5)).astype("int64"),
        expected_wrong=np.where(yes, 1 - chance, chance),
    )
    table = marks.groupby("protocol", observed=False).sum().reset_index().astype({"protocol": "str"})
    return table.assign(expected_wrong=table["expected_wrong"] / table["n"].where(table["n"] > 0))

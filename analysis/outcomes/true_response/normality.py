"""Whether patients and single visits are normal as the joint model takes them, and what the test would have found."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.cohort.schedule import moment
from analysis.outcomes.missing.weekly_model import WeeklyModel
from analysis.outcomes.true_response.true_pair import TruePair

Floats = NDArray[np.float64]
Draw = Callable[[np.random.Generator, tuple[int, ...]], Floats]

#: Level of the test, all parts together.
LEVEL = 0.05
#: Fewest patients in a part of the test, and most in one simulated cohort.
_FEWEST, _LARGEST = 20, 500


@dataclass(frozen=True, eq=False)
class Normality:
    """The test of normality, part by part, and its power.

    Attributes
    ----------
    parts : pandas.DataFrame
        part ("observed change", "true change", "true value at week 0", "visit at week 26" and so on), n (patients), skewness,
        excess_kurtosis, p_value, adjusted_p_value (all parts together). Empty where too few patients were seen.
    power : pandas.DataFrame
        departure, part (where the departure lies), n (patients of a simulated cohort), cohorts (simulated), power (share
        of them in which normality is rejected). Empty where ``parts`` is.
    untested : tuple of str
        Parts for which fewer than 20 patients were seen.
    """

    parts: pd.DataFrame
    power: pd.DataFrame
    untested: tuple[str, ...]

    @property
    def rejected(self) -> bool | None:
        """Whether normality is rejected at 5 %, all parts together; None where it was not tested."""
        return bool((self.parts["adjusted_p_value"] < LEVEL).any()) if len(self.parts) else None

    @property
    def words(self) -> str:
        """What was found, and where nothing was, what would have been found."""
        few = f"fewer than {_FEWEST} patients had the visits for it"
        if self.rejected is None:
            return f"Normality was not tested: {few}."
        left_out = f" Not tested, as {few}: {', '.join(self.untested)}." if self.untested else ""
        if self.rejected:
            far = self.parts[self.parts["adjusted_p_value"] < LEVEL]
            said = [
                f"{part} (skewness {skewness:.2f}, excess kurtosis {kurtosis:.2f})".replace("-", "−")
                for part, skewness, kurtosis in zip(far["part"], far["skewness"], far["excess_kurtosis"], strict=True)
            ]
            return (
                f"Normality is rejected at the 5 % level in {len(far)} of {len(self.parts)} parts: {'; '.join(said)}. "
                f"What leans on the normal model may be wrong.{left_out}"
            )
        power = self.power
        said = [
            f"{100 * share:.0f} % of them with {departure} of the {part}"
            for departure, part, share in zip(power["departure"], power["part"], power["power"], strict=True)
        ]
        return (
            f"Normality was not rejected at the 5 % level, {len(self.parts)} parts tested together. In cohorts simulated "
            f"with these visits ({power['n'].iloc[0]:,} patients) it is rejected in {'; '.join(said)}.{left_out}"
        )


def check_normality(model: WeeklyModel, pair: TruePair, *, cohorts: int = 200, seed: int = 1) -> Normality:
    """Test skewness and kurtosis of what should be normal, and simulate how often departures would be found.

    Parameters
    ----------
    model : WeeklyModel
        The joint model of all visits.
    pair : TruePair
        The two true values that decide on the response.
    cohorts, seed : int
        Cohorts simulated for each departure (five times as many for the adjustment), and the seed.

    Returns
    -------
    Normality
        The parts of the test and its power with these patients and visits.

    Notes
    -----
    Under the normal model these are standard normal and independent between patients, after what is expected of them:
    the observed change of the patients seen at both weeks; the best linear guess of the true change, and of the other
    true value; and each visit's deviation from what the other visits of the patient let expect. Each is tested by
    skewness and kurtosis together (D'Agostino and Pearson, Biometrika 1973;60:613, from memory;
    ``scipy.stats.normaltest``). A p value is adjusted by the share of simulated normal cohorts in which the smallest of
    all parts is as small (Westfall and Young's single step, 1993, from memory). Simulated cohorts have the visits at hand
    (of at most 500 patients) and come from the fitted model, but for the departure named; the model is not fitted again.

    What it cannot see: whether heavy tails of single visits are of the measurement or of the knee; a departure of the
    true change that the error of measurement hides; two kinds of recovery in equal shares, which are neither skewed nor
    heavy in the tails unless they lie far apart; a relation between visits that is not linear.

    Examples
    --------
    >>> from analysis.outcomes.true_response.true_pair import TruePair
    >>> from analysis.outcomes.missing.weekly_model import fit_weekly
    >>> from synthetic_cohort import generate_cohort
    >>> model = fit_weekly(generate_cohort(patients=120, seed=1).observed, "ikdc")
    >>> contrast, error = np.zeros(len(model.weeks)), np.full(len(model.weeks), 25.0)
    >>> contrast[[0, -1]] = -1, 1
    >>> pair = TruePair(model, contrast, model.covariance - np.diag(error), error)
    >>> found = check_normality(model, pair, cohorts=50)
    >>> found.parts["part"].tolist()[:4]
    ['observed change', 'true change', 'true value at week 0', 'visit at week 0']
    """
    from scipy import stats

    rng = np.random.default_rng(seed)
    rows, untested = [], []
    for part, score in _scores(model, pair, pair.residual[None], np.arange(len(pair.residual))).items():
        one = score[0]
        if len(one) < _FEWEST:
            untested.append(part)
            continue
        rows.append((part, len(one), stats.skew(one), stats.kurtosis(one), stats.normaltest(one).pvalue))
    parts = pd.DataFrame(rows, columns=["part", "n", "skewness", "excess_kurtosis", "p_value"])
    if parts.empty:
        return Normality(parts.assign(adjusted_p_value=np.nan), pd.DataFrame(columns=_POWER), tuple(untested))
    smallest = np.sort(np.concatenate([_smallest(model, pair, cohorts, rng) for _ in range(5)]))
    below = np.searchsorted(smallest, parts["p_value"].to_numpy(), side="right")
    parts["adjusted_p_value"] = (1 + below) / (1 + len(smallest))
    limit = float(np.quantile(smallest, LEVEL))
    n = min(len(pair.residual), _LARGEST)
    found = [
        (departure, part, n, cohorts, float((_smallest(model, pair, cohorts, rng, change, error) < limit).mean()))
        for departure, part, change, error in _DEPARTURES
    ]
    return Normality(parts, pd.DataFrame(found, columns=_POWER), tuple(untested))


def _scores(model: WeeklyModel, pair: TruePair, residual: Floats, some: NDArray[np.int64]) -> dict[str, Floats]:
    """Give what should be standard normal, shape (cohorts, patients), part by part.

    ``residual`` has the shape (cohorts, patients, m); ``some`` are the patients' rows in the model.
    """
    place = np.full(len(pair.residual), -1)
    place[some] = np.arange(len(some))
    names = [f"visit at {moment(week)}" for week in model.weeks]
    observed = pair.names[0].replace("true", "observed")
    found: dict[str, list[Floats]] = {name: [] for name in (observed, *pair.names, *names)}
    for seen, everyone in pair.patterns:
        rows = place[everyone]
        rows = rows[rows >= 0]
        if not len(rows) or seen.sum() < 2:
            continue
        y = residual[:, rows][:, :, seen]
        if seen[pair.contrast != 0].all():
            found[observed].append(y @ pair.contrast[seen] / np.sqrt(pair.contrast @ model.covariance @ pair.contrast))
        if seen[pair.places].all():
            weights, weight, _ = pair.reading(seen, {})
            shrunk = np.linalg.inv(weight + np.eye(2))
            scores = y @ weights @ shrunk / np.sqrt(np.diag(shrunk @ weight))
            found[pair.names[0]].append(scores[:, :, 0])
            found[pair.names[1]].append(scores[:, :, 1])
        inverse = np.linalg.inv(model.covariance[np.ix_(seen, seen)])
        scores = y @ inverse / np.sqrt(np.diag(inverse))
        for k, at in enumerate(np.flatnonzero(seen)):
            found[names[at]].append(scores[:, :, k])
    nobody = np.empty((len(residual), 0))
    return {name: np.concatenate([nobody, *blocks], axis=1) for name, blocks in found.items()}


def _normal(rng: np.random.Generator, shape: tuple[int, ...]) -> Floats:
    return rng.standard_normal(shape)


def _heavy(rng: np.random.Generator, shape: tuple[int, ...]) -> Floats:
    return rng.standard_t(4, shape) / 2**0.5


def _skewed(rng: np.random.Generator, shape: tuple[int, ...]) -> Floats:
    return (rng.gamma(2.0, 1.0, shape) - 2) / 2**0.5


def _two_kinds(rng: np.random.Generator, shape: tuple[int, ...]) -> Floats:
    """Draw from two normals, 30 and 70 %, three of their standard deviations apart, as a whole with mean 0, variance 1."""
    gap, share = 3.0, 0.3
    mean, deviation = gap * (1 - share), (1 + gap**2 * share * (1 - share)) ** 0.5
    return (np.where(rng.random(shape) < share, 0.0, gap) + rng.standard_normal(shape) - mean) / deviation


_POWER = ["departure", "part", "n", "cohorts", "power"]
#: Departure, where it lies, and how the true change and the error of single measurements are drawn.
_DEPARTURES: tuple[tuple[str, str, Draw, Draw], ...] = (
    ("heavy tails (Student's t with 4 degrees of freedom)", "true change", _heavy, _normal),
    ("a skew (gamma of shape 2, skewness 1.4)", "true change", _skewed, _normal),
    ("two kinds (30 and 70 %, 3 standard deviations apart)", "true change", _two_kinds, _normal),
    ("heavy tails (Student's t with 4 degrees of freedom)", "error of single measurements", _normal, _heavy),
)


def _smallest(
    model: WeeklyModel,
    pair: TruePair,
    cohorts: int,
    rng: np.random.Generator,
    change: Draw = _normal,
    error: Draw = _normal,
) -> Floats:
    """Give the smallest p value of all parts in simulated cohorts."""
    some = np.sort(rng.permutation(len(pair.residual))[:_LARGEST])
    shape = (cohorts, len(some))
    values, vectors = np.linalg.eigh(pair.rest)
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    pairs = np.stack([change(rng, shape), rng.standard_normal(shape)], axis=-1)
    residual = pairs @ pair.loading.T + rng.standard_normal((*shape, len(root))) @ root.T
    residual += error(rng, (*shape, len(root))) * np.sqrt(pair.error)
    scores = _scores(model, pair, residual, some).values()
    p_values = [_normal_test(one) for one in scores if one.shape[1] >= _FEWEST]
    smallest: Floats = np.min([np.ones(cohorts), *p_values], axis=0)
    return smallest


def _normal_test(scores: Floats) -> Floats:
    """Give for each row the p value of ``scipy.stats.normaltest``, by the same formulas, in a tenth of its time.

    Skewness by D'Agostino (Biometrika 1970;57:679), kurtosis by Anscombe and Glynn (Biometrika 1983;70:227), from memory.
    """
    n = scores.shape[1]
    off = scores - scores.mean(axis=1, keepdims=True)
    square = off * off
    variance = square.mean(axis=1)
    skewness = (square * off).mean(axis=1) / variance**1.5
    kurtosis = (square * square).mean(axis=1) / variance**2
    y = skewness * np.sqrt((n + 1) * (n + 3) / (6 * (n - 2)))
    heavy = 3 * (n**2 + 27 * n - 70) * (n + 1) * (n + 3) / ((n - 2) * (n + 5) * (n + 7) * (n + 9))
    w2 = np.sqrt(2 * (heavy - 1)) - 1
    z_skewness = np.arcsinh(y * np.sqrt((w2 - 1) / 2)) / np.sqrt(0.5 * np.log(w2))
    spread = 24 * n * (n - 2) * (n - 3) / ((n + 1) ** 2 * (n + 3) * (n + 5))
    x = (kurtosis - 3 * (n - 1) / (n + 1)) / np.sqrt(spread)
    third = 6 * (n**2 - 5 * n + 2) / ((n + 7) * (n + 9)) * np.sqrt(6 * (n + 3) * (n + 5) / (n * (n - 2) * (n - 3)))
    a = 6 + 8 / third * (2 / third + np.sqrt(1 + 4 / third**2))
    z_kurtosis = (1 - 2 / (9 * a) - np.cbrt((1 - 2 / a) / (1 + x * np.sqrt(2 / (a - 4))))) / np.sqrt(2 / (9 * a))
    return np.asarray(np.exp(-(z_skewness**2 + z_kurtosis**2) / 2))  # chi-squared with two degrees of freedom

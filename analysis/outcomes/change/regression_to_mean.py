"""Regression to the mean: what a group that was chosen for a bad baseline gains with no treatment at all."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from analysis.cohort.tables import Cohort
from analysis.errors import ModelError
from analysis.outcomes.change.change import change_at_week
from analysis.outcomes.endpoint import Endpoint, rounding_room
from analysis.result import Result, ResultWithNotes
from analysis.statistics.mean_interval import half_width

METHOD = "t, expected change taken as known"


@dataclass(frozen=True, repr=False)
class RegressionToMean(Result):
    """What to expect of a group chosen for a low first value when nothing has changed.

    Attributes
    ----------
    standard_deviation, correlation, mean
        As given.
    share : float
        Share of patients chosen.
    cutoff : float
        Value at or below which they were chosen.
    first, second : float
        Expected means of the chosen at the first and at the second measurement.
    expected_change : float
        Second less first: a gain, in the unit of the measure, without any treatment.
    """

    standard_deviation: float
    correlation: float
    mean: float
    share: float
    cutoff: float
    first: float
    second: float
    expected_change: float

    def _headline(self) -> str:
        return self.words

    @property
    def words(self) -> str:
        """The expectation in one sentence."""
        return (
            f"Of a group chosen as the lowest {100 * self.share:.3g} % (at or below {self.cutoff:.3g}) a rise of "
            f"{self.expected_change:.3g} is expected with no treatment at all (standard deviation "
            f"{self.standard_deviation:g}, test-retest correlation {self.correlation:g})."
        )


def regression_to_mean(
    standard_deviation: float,
    correlation: float,
    *,
    share: float | None = None,
    cutoff: float | None = None,
    mean: float = 0.0,
) -> RegressionToMean:
    """Compute the change to expect of a group chosen for a low first value, when nothing has changed.

    Parameters
    ----------
    standard_deviation : float
        Spread of the first value among all patients, in the unit of the measure.
    correlation : float
        Correlation of two measurements of unchanged patients (test-retest), 0 to 1.
    share : float, optional
        Share of patients chosen, from the lowest up: 0.25 is the lowest quarter. Either this or ``cutoff``.
    cutoff : float, optional
        Value at or below which patients were chosen.
    mean : float
        Mean of all patients; needed with ``cutoff``.

    Returns
    -------
    RegressionToMean
        Expected first and second mean of the chosen, and the change. Choosing from the top gives the same size, down.

    Raises
    ------
    ModelError
        A number is out of its range, or not exactly one of share and cutoff is given.

    Notes
    -----
    First and second value normal with equal means and spreads: expected change SD (1 - r) phi(z) / Phi(z), z the
    standardised cutoff (Davis, Am J Epidemiol 1976;104:493; Barnett, van der Pols and Dobson, Int J Epidemiol
    2005;34:215).

    Examples
    --------
    >>> round(regression_to_mean(15, 0.6, share=0.25).expected_change, 1)
    7.6
    >>> regression_to_mean(15, 1.0, share=0.25).expected_change
    0.0
    """
    from scipy import stats

    if not (np.isfinite(standard_deviation) and standard_deviation > 0):
        raise ModelError(
            f"The standard deviation {standard_deviation:g} is not above 0.",
            what_to_do="Give the spread of the first value among all patients.",
        )
    _check_correlation(correlation)
    if (share is None) == (cutoff is None):
        raise ModelError(
            "Either the share of patients chosen or the cutoff must be given, and not both.",
            what_to_do="Give share=0.25 for the lowest quarter, or cutoff= with mean=.",
        )
    if share is not None:
        _check_share(share)
        z = float(stats.norm.ppf(share))
    else:
        z = (float(cutoff or 0.0) - mean) / standard_deviation
    # phi(z) / Phi(z) by logarithms, so that a cutoff far out gives a number too.
    away = float(np.exp(stats.norm.logpdf(z) - stats.norm.logcdf(z)))
    first = mean - standard_deviation * away
    second = mean - correlation * standard_deviation * away
    return RegressionToMean(
        standard_deviation=standard_deviation,
        correlation=correlation,
        mean=mean,
        share=float(stats.norm.cdf(z)) if share is None else share,
        cutoff=mean + z * standard_deviation,
        first=first,
        second=second,
        expected_change=(1 - correlation) * standard_deviation * away,
    )


@dataclass(frozen=True, eq=False, repr=False)
class ChosenGroupChange(ResultWithNotes):
    """Change of a group chosen for a bad baseline, beside what regression to the mean alone brings.

    Attributes
    ----------
    endpoint : Endpoint
        What was measured, and by when.
    share : float
        Share of the patients with a baseline that was asked for.
    cutoff : float
        Baseline at which, or on the worse side of which, patients were chosen.
    table : pandas.DataFrame
        protocol ("all protocols" first), chosen (patients), n (of them seen, the denominator), baseline (mean of
        these), improvement (mean, positive is better), expected (improvement by regression to the mean alone), beyond
        (improvement less expected), lower, upper (of beyond), level, method.
    """

    endpoint: Endpoint
    share: float
    cutoff: float
    table: pd.DataFrame

    def _headline(self) -> str:
        return f"The worst {100 * self.share:g} % at baseline. {self.endpoint.words}"


def chosen_group_change(
    cohort: Cohort, endpoint: Endpoint, *, correlation: float, share: float = 0.25
) -> ChosenGroupChange:
    """Set the improvement of the patients with the worst baselines against regression to the mean.

    Parameters
    ----------
    cohort : Cohort
    endpoint : Endpoint
        The measure, by which week and from which baseline; it needs no threshold.
    correlation : float
        Test-retest correlation of the measure in unchanged patients, 0 to 1; not the correlation of this follow-up
        with the baseline, which treatment and time change too.
    share : float
        Share of the patients with a baseline who are chosen, the worst first; ties at the cutoff are all chosen.

    Returns
    -------
    ChosenGroupChange
        Observed and expected improvement, by protocol.

    Raises
    ------
    ModelError
        A number is out of its range, nobody has a baseline, or the measure has a best value.

    Notes
    -----
    Expected improvement (1 - r) (mean of all - mean of the chosen), in the better direction: the formula of
    :func:`regression_to_mean` with the baselines seen in place of normal ones. Every protocol regresses alike, so the
    difference between protocols is not touched by it; the change within one is.

    Examples
    --------
    >>> from analysis.outcomes import choose_endpoint
    >>> from synthetic_cohort import generate_cohort
    >>> cohort = generate_cohort(patients=120, seed=1).observed
    >>> endpoint = choose_endpoint(cohort, "ikdc", week=26, criterion=None)
    >>> found = chosen_group_change(cohort, endpoint, correlation=0.9)
    >>> bool((found.table["expected"] > 0).all())
    True
    """
    _check_correlation(correlation)
    _check_share(share)
    measure = endpoint.measure
    if measure.ideal is not None:
        raise ModelError(
            f"{measure.label} is best at {measure.ideal:g}, so its worst baselines lie on two sides, which do not regress alike.",
            where=f"measure {measure.name!r}",
            what_to_do="Choose a measure of one side; of knee_extension it is extension_deficit.",
        )
    changes = change_at_week(cohort, endpoint)
    sign, level = endpoint.measure.sign, endpoint.level
    known = changes.dropna(subset=["baseline"]).assign(towards=lambda rows: sign * rows["baseline"])
    if known.empty:
        raise ModelError(
            f"Nobody has a baseline of {endpoint.measure.name!r}, so nobody can be chosen by it.",
            what_to_do="Check that visits at week 0 or before are there.",
        )
    asked = share * len(known)
    limit = float(np.sort(known["towards"])[max(int(np.ceil(asked - rounding_room(asked))) - 1, 0)])
    chosen = known[known["towards"] <= limit]
    everyone = float(known["towards"].mean())
    names = [str(name) for name in known["protocol"].cat.categories]
    rows = [_row("all protocols", chosen, everyone, correlation, level)]
    if len(names) > 1:
        rows += [_row(name, chosen[chosen["protocol"] == name], everyone, correlation, level) for name in names]
    return ChosenGroupChange(
        endpoint=endpoint,
        share=share,
        cutoff=sign * limit,
        table=pd.DataFrame(rows),
        notes=(
            f"{len(chosen)} of {len(known)} patients with a baseline were chosen, the worst first.",
            f"Expected: (1 - {correlation:g}) times the distance of the chosen from the mean of all at baseline.",
            "What is beyond regression to the mean is still no effect: time and recovery are in it.",
        ),
    )


def _row(name: str, chosen: pd.DataFrame, everyone: float, correlation: float, level: float) -> dict[str, object]:
    seen = chosen.dropna(subset=["improvement"])
    n = len(seen)
    gain = float(seen["improvement"].mean()) if n else float("nan")
    expected = (1 - correlation) * (everyone - float(seen["towards"].mean())) if n else float("nan")
    row: dict[str, object] = {"protocol": name, "chosen": len(chosen), "n": n}
    row |= {"baseline": float(seen["baseline"].mean()) if n else float("nan"), "improvement": gain}
    beyond = (seen["improvement"] + (1 - correlation) * (seen["towards"] - everyone)).to_numpy(dtype=float)
    half = float(half_width(beyond.std(ddof=1) / n**0.5, n - 1, level=level)) if n > 1 else float("nan")
    row |= {"expected": expected, "beyond": gain - expected, "lower": gain - expected - half}
    return row | {"upper": gain - expected + half, "level": level, "method": METHOD}


def _check_correlation(correlation: float) -> None:
    if not 0 <= correlation <= 1:
        raise ModelError(
            f"The test-retest correlation {correlation:g} is not between 0 and 1.",
            what_to_do="Give the correlation of two measurements of unchanged patients, for example 0.9.",
        )


def _check_share(share: float) -> None:
    if not 0 < share < 1:
        raise ModelError(
            f"The share of patients chosen, {share:g}, is not between 0 and 1.",
            what_to_do="Give a share such as 0.25 for the lowest quarter.",
        )

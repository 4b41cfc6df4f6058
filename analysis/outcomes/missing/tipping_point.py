"""How far the missing values would have to lie from what the model expects before the finding turns."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from analysis.cohort.schedule import moment
from analysis.cohort.tables import Cohort
from analysis.errors import ModelError
from analysis.outcomes.endpoint import Endpoint
from analysis.outcomes.missing.completed_data import residual_freedom, shifted_differences
from analysis.outcomes.missing.imputation import imputations
from analysis.outcomes.missing.same_adjustment import compare_at_week, means_as_measured
from analysis.outcomes.missing.weekly_model import WeeklyModel, check_draws
from analysis.progress import in_portions
from analysis.result import ResultWithNotes
from analysis.statistics.rubin import pool

#: The shifts tried by default reach this many standard deviations of the values at the week, both ways.
REACH, STEPS = 1.5, 13


@dataclass(frozen=True, eq=False, repr=False)
class TippingPoint(ResultWithNotes):
    """The comparison at one week when the missing values of a protocol are shifted.

    Attributes
    ----------
    endpoint : Endpoint
        What is compared.
    reference : str
        The protocol compared with; its missing values are not shifted.
    draws : int
        Imputed data sets.
    covariates : tuple of str
        What the differences are adjusted for: "baseline" and columns of the patients.
    table : pandas.DataFrame
        protocol, reference, delta (added to the imputed values of the protocol, in the unit of the measure), n,
        n_missing (of the protocol at the week), difference, std_error, df, lower, upper, level, method.
    tipping : pandas.DataFrame
        protocol, excludes_zero (whether the interval does at delta 0), delta (nearest to 0 at which that changes;
        missing where no shift tried does it), delta_of_estimate (at which the difference itself is 0; missing where
        nobody is missing), smallest, largest (shift tried).
    """

    endpoint: Endpoint
    reference: str
    draws: int
    covariates: tuple[str, ...]
    table: pd.DataFrame
    tipping: pd.DataFrame

    def _headline(self) -> str:
        return f"{self.endpoint.measure.label} at {moment(self.endpoint.week)}: missing values shifted"


def tipping_point(
    cohort: Cohort,
    endpoint: Endpoint,
    *,
    deltas: Sequence[float] | None = None,
    covariates: Sequence[str] | None = None,
    model: WeeklyModel | None = None,
    draws: int = 200,
    seed: int = 1,
    tell: Callable[[int, int], None] | None = None,
) -> TippingPoint:
    """Shift the imputed values of each protocol but the reference and see when the finding turns.

    Parameters
    ----------
    cohort : Cohort
    endpoint : Endpoint
        What is compared, at a scheduled week; it needs no threshold.
    deltas : sequence of float, optional
        Shifts in the unit of the measure; by default 13 of them, up to 1.5 standard deviations of the values at the week
        both ways. 0 is always among them.
    covariates, model, draws, seed, tell
        As in :func:`analysis.outcomes.missing.missing_analyses.missing_data_analyses`.

    Returns
    -------
    TippingPoint
        The difference at every shift, and the shift at which the finding turns.

    Raises
    ------
    ModelError
        The week is not a scheduled one, there is one protocol only, a shift is not finite, or the joint model cannot be fitted.

    Notes
    -----
    The values missing at the week are imputed as missing at random, and delta is added to those of one protocol. The same
    imputations serve every delta, so a curve is smooth. A delta of 0 is the analysis under missing at random.

    Examples
    --------
    >>> from analysis.outcomes import choose_endpoint
    >>> from synthetic_cohort import generate_cohort
    >>> cohort = generate_cohort(patients=120, seed=1).observed
    >>> endpoint = choose_endpoint(cohort, "ikdc", week=26, criterion=None)
    >>> found = tipping_point(cohort, endpoint, draws=20, deltas=[-10, 10])
    >>> found.table["delta"].unique().tolist()
    [-10.0, 0.0, 10.0]
    """
    check_draws(draws)
    compared = compare_at_week(cohort, endpoint, covariates, model)
    model, place, others = compared.model, compared.place, compared.others
    protocol, base, count = compared.groups
    shifts = _shifts(deltas, float(np.sqrt(model.covariance[place, place])))
    missing = ~np.isfinite(model.values[:, place])  # noqa: PD011 - a field, not a frame
    shape = (draws, len(shifts), len(others))
    estimates, variances = np.empty(shape), np.empty(shape)
    numbers, each = [model.protocols.index(other) for other in others], np.arange(len(others))
    moved = np.array([missing & (protocol == number) for number in numbers])
    places = [0, place] if "baseline" in compared.adjusted_for else [place]
    filled = imputations(model, draws, np.random.default_rng(seed), places=places)
    for begin, end in in_portions(draws, 10, "Imputations", tell):
        for draw in range(begin, end):
            values = next(filled)
            columns = compared.columns(values)
            found = shifted_differences(values[:, place], moved, shifts, columns, protocol, base, count)
            estimates[draw], variances[draw] = (part[each, :, each].T for part in found)
    df = residual_freedom(columns, protocol, count)
    pooled = pool(estimates.reshape(draws, -1), variances.reshape(draws, -1), df=df, level=endpoint.level)
    size = np.bincount(protocol, minlength=count)
    lost = np.bincount(protocol, weights=missing, minlength=count).astype("int64")
    table = pd.DataFrame(
        {
            "protocol": np.tile(others, len(shifts)),
            "reference": model.protocols[base],
            "delta": np.repeat(shifts, len(others)),
            "n": np.tile(size[numbers], len(shifts)),
            "n_missing": np.tile(lost[numbers], len(shifts)),
            "difference": pooled["estimate"],
            **{name: pooled[name] for name in ("std_error", "df", "lower", "upper", "level", "method")},
        }
    )
    table = pd.concat([table[table["protocol"] == other] for other in others], ignore_index=True)
    return TippingPoint(
        endpoint=endpoint,
        reference=model.protocols[base],
        draws=draws,
        covariates=compared.adjusted_for,
        table=table,
        tipping=pd.DataFrame([_turn(one) for _, one in table.groupby("protocol", sort=False)]),
        notes=(
            *model.left_out,
            *means_as_measured(endpoint.measure),
            f"Missing values at {moment(endpoint.week)} are imputed as missing at random ({draws} data sets).",
            f"Then delta is added in one protocol; the missing values of {model.protocols[base]} are left as they are.",
            "A shift near 0 that turns the finding means that it hangs on who was not seen.",
            "Whether a shift is plausible is a clinical judgement.",
        ),
    )


def _shifts(deltas: Sequence[float] | None, deviation: float) -> np.ndarray:
    if deltas is None:
        return np.linspace(-REACH, REACH, STEPS) * deviation
    shifts = np.array([*deltas, 0.0], dtype=float)
    if not np.isfinite(shifts).all():
        raise ModelError("A shift is not a finite number.", where="deltas", what_to_do="Give shifts in the unit.")
    return np.unique(shifts)


def _turn(table: pd.DataFrame) -> dict[str, object]:
    """Find the shift nearest to 0 at which the interval starts or ceases to hold 0, between the shifts tried."""
    delta = table["delta"].to_numpy()
    difference, lower, upper = (table[name].to_numpy() for name in ("difference", "lower", "upper"))
    here = int(np.flatnonzero(delta == 0)[0])
    above, below = lower > 0, upper < 0
    excludes = bool(above[here] or below[here])
    crossings: list[float] = []
    for edge in (lower, upper):
        change = np.flatnonzero(np.sign(edge[:-1]) != np.sign(edge[1:]))
        crossings += [float(delta[k] - edge[k] * (delta[k + 1] - delta[k]) / (edge[k + 1] - edge[k])) for k in change]
    if excludes:
        edge = lower if above[here] else upper
        crossings = [one for one in crossings if abs(np.interp(one, delta, edge)) < 1e-9 * (1 + np.abs(edge).max())]
    slope = (difference[-1] - difference[0]) / (delta[-1] - delta[0]) if len(delta) > 1 else 0.0
    return {
        "protocol": table["protocol"].iloc[0],
        "excludes_zero": excludes,
        "delta": min(crossings, key=abs, default=np.nan),
        "delta_of_estimate": -difference[here] / slope if abs(slope) > 1e-12 else np.nan,
        "smallest": delta[0],
        "largest": delta[-1],
    }

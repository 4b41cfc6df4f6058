"""The joint model of all scheduled visits, baseline included, and draws from it: what imputation and probability need."""

import warnings
from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.cohort.follow_up.expected_visits import expected_weeks, seen_weeks
from analysis.cohort.reference import used_protocols
from analysis.cohort.schedule import moment
from analysis.cohort.tables import Cohort
from analysis.cohort.visit_frame import visit_frame
from analysis.curves.covariances.residual_structures import Residual
from analysis.curves.covariates import left_out_for_want_of
from analysis.curves.first_converged import fit_first_that_converges
from analysis.curves.mixed_model import MixedModel
from analysis.errors import DesignWarning, ModelError
from analysis.outcomes.endpoint import Endpoint
from analysis.outcomes.missing.covariance_draws import CovarianceDraws
from analysis.outcomes.missing.joint_model import JointModel
from analysis.outcomes.missing.monotone_draws import MonotoneDraws, how_drawn

Floats = NDArray[np.float64]
#: Most draws (design choice); the error of so many is below any that is shown.
_MOST_DRAWS = 100_000

#: Covariances tried, the first that can be fitted and converges is taken.
CANDIDATES: tuple[tuple[str | None, Residual, str], ...] = (
    (None, "unstructured", "an unstructured covariance"),
    (None, "ar1-by-week", "a variance for each week and a correlation that falls from visit to visit"),
    ("1", "by-week", "an intercept for each patient and a variance for each week"),
    ("1", "independent", "an intercept for each patient"),
)


class WeeklyModel(JointModel):
    """A joint model of all scheduled visits that can be drawn from; made by :func:`fit_weekly`."""

    def draws(self, number: int, rng: np.random.Generator) -> Iterator[tuple[Floats, Floats]]:
        """Draw coefficients and covariances from their posterior.

        Week after week where the covariance is unstructured (:class:`analysis.outcomes.missing.monotone_draws.MonotoneDraws`).
        Otherwise the covariance is drawn (:class:`analysis.outcomes.missing.covariance_draws.CovarianceDraws`), and the
        coefficients given it. :attr:`choices` says which.

        Yields
        ------
        tuple of ndarray
            Coefficients, shape (p,), and covariance, shape (m, m).
        """
        if MonotoneDraws.fit_for(self):
            yield from MonotoneDraws(self).draws(number, rng)
            return
        basis = self.fit.basis
        for here in CovarianceDraws(self.fit).evaluations(number, rng):
            noise = np.linalg.cholesky(here.A_inverse) @ rng.standard_normal(len(here.b))
            coefficients = np.linalg.solve(basis.T, here.b + basis.offset + noise) * basis.scale
            yield np.asarray(coefficients, dtype=np.float64), self.covariance_at(here.theta)


def fit_weekly(cohort: Cohort, measure: str, *, limb: str | None = None, covariates: Sequence[str] = ()) -> WeeklyModel:
    """Fit the joint model of all scheduled visits of a measure.

    Parameters
    ----------
    cohort : Cohort
    measure : str
        A stored or derived measure.
    limb : str, optional
        The limb; by default the involved one where the measure has limbs.
    covariates : sequence of str
        Columns of the patients that enter by week: what they say of the baseline need not be what they say later.

    Returns
    -------
    WeeklyModel
        The fit. The last value at or before week 0 is the baseline, an outcome at week 0 like the others. The schedule is
        read off the visits; those at other weeks are left out.

    Raises
    ------
    ModelError
        Visits have no schedule, there is one week only, or no covariance could be fitted.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> model = fit_weekly(generate_cohort(patients=120, seed=1).observed, "pain")
    >>> model.weeks.tolist()
    [0.0, 2.0, 6.0, 12.0, 26.0, 39.0, 52.0]
    >>> model.covariance.shape
    (7, 7)
    """
    limb = cohort.measures[measure].limb_named(limb)
    schedule = np.array(expected_weeks(seen_weeks(cohort, measure, limb)))
    if len(schedule) < 2:
        raise ModelError(
            "The joint model of visits needs a schedule of two weeks or more.",
            where=f"measure {measure!r}, expected weeks: {', '.join(f'{w:g}' for w in schedule) or 'none'}",
            what_to_do="Name the scheduled weeks, or map visits to a schedule first.",
        )
    people, left_out = people_of(cohort, covariates)
    frame = visit_frame(cohort, measure, limb)
    frame = frame[frame["value"].notna()]
    frame = frame.assign(week=frame["week"].clip(lower=0.0)).drop_duplicates(["patient_id", "week"], keep="last")
    frame = frame.loc[frame["week"].isin(schedule), ["patient_id", "week", "value"]]
    rows = frame.merge(people, on="patient_id", validate="many_to_one")
    present = set(rows["protocol"].unique())
    empty = [str(name) for name in people["protocol"].cat.categories if name not in present]
    if empty:
        raise ModelError(
            f"Nobody of {', '.join(empty)} was ever seen, so nothing is known of that protocol.",
            where=f"measure {measure!r}",
            what_to_do="Leave the protocol out of the cohort.",
        )
    nobody = _nobody(rows, schedule)
    schedule = schedule[~np.isin(schedule, list(nobody))]
    if len(schedule) < 2:
        raise ModelError(
            "Fewer than two weeks have been reached by somebody of every protocol.",
            where=f"measure {measure!r}, weeks not reached: {', '.join(f'{week:g}' for week in nobody)}",
            what_to_do="Leave out the protocol that was not followed up.",
        )
    rows = rows[rows["week"].isin(schedule)]
    fit, choices = _fit(rows, tuple(covariates), several=len(people["protocol"].cat.categories) > 1)
    wide = rows.pivot(index="patient_id", columns="week", values="value")
    values = wide.reindex(index=people["patient_id"], columns=schedule).to_numpy(dtype=np.float64)
    choices += left_out
    choices += [
        f"Week {week:g} is left out: nobody of {', '.join(missed)} was seen there." for week, missed in nobody.items()
    ]
    names = tuple(str(name) for name in people["protocol"].cat.categories)
    model = WeeklyModel(measure, limb, fit, schedule, names, people, values, tuple(choices), nobody, tuple(left_out))
    return replace(model, choices=(*choices, how_drawn(model)))


def weekly_model(
    cohort: Cohort, endpoint: Endpoint, covariates: Sequence[str], fitted: WeeklyModel | None = None
) -> WeeklyModel:
    """Give the joint model of an endpoint's measure: one that was fitted before, or a new one.

    Raises
    ------
    ModelError
        The one fitted before is of other visits, patients or covariates, or none can be fitted.
    """
    measure, limb = endpoint.measure.name, endpoint.limb
    if fitted is None:
        return fit_weekly(cohort, measure, limb=limb, covariates=covariates)
    asked = (measure, limb, set(covariates), set(cohort.patients["patient_id"]))
    held_covariates = {str(name) for name in fitted.patients} - {"patient_id", "protocol"}
    held = (fitted.measure, fitted.limb, held_covariates, set(fitted.patients["patient_id"]))
    if held[:3] != asked[:3] or not held[3] <= asked[3]:
        raise ModelError(
            "The model given is not of what is asked.",
            where=f"the model: {_of_what(*held)}; asked: {_of_what(*asked)}",
            what_to_do="Leave the model out, or fit it to the same cohort, measure, limb and covariates.",
        )
    return fitted


def week_place(model: WeeklyModel, week: float) -> int:
    """Give the place of a scheduled week after the start.

    Raises
    ------
    ModelError
        The week is not one of them, or nobody of a protocol was seen at it.
    """
    if week in model.nobody:
        raise ModelError(
            f"Nobody of {', '.join(model.nobody[week])} was seen at {moment(week)}, so nothing is known of it there.",
            where=f"weeks that every protocol reached: {', '.join(f'{one:g}' for one in model.weeks)}",
            what_to_do="Name one of these weeks.",
        )
    place = np.flatnonzero(model.weeks == week)
    if not place.size or week <= 0:
        raise ModelError(
            f"Week {week:g} is not a scheduled week after the start.",
            where=f"schedule: {', '.join(f'{one:g}' for one in model.weeks)}",
            what_to_do="Name one of these weeks.",
        )
    return int(place[0])


def check_draws(draws: int) -> None:
    """Refuse fewer than two draws, which have no spread, and more than any computer makes, by a ModelError.

    Examples
    --------
    >>> check_draws(2)
    """
    if draws < 2:
        raise ModelError(f"{draws} draws are too few.", what_to_do="Ask for at least 2 draws, better for 200.")
    if draws > _MOST_DRAWS:
        raise ModelError(
            f"More than {_MOST_DRAWS:,} draws are too many.", what_to_do="Ask for fewer; 200 to 2,000 are enough."
        )


def check_baseline(endpoint: Endpoint) -> None:
    """Refuse a baseline that the joint model does not know.

    Raises
    ------
    ModelError
        The baseline is not the last value before the start.
    """
    if endpoint.baseline != "last before start":
        raise ModelError(
            f"The joint model of all visits knows no baseline {endpoint.baseline!r}.",
            where=f"endpoint: {endpoint.words}",
            what_to_do='Choose the endpoint with baseline="last before start".',
        )


def _of_what(measure: str, limb: str, covariates: set[str], patients: set[str]) -> str:
    beside = f" with {', '.join(sorted(covariates))}" if covariates else ""
    return f"{measure}{'' if limb == 'none' else f', {limb} limb'}{beside}, {len(patients):,} patients"


def _nobody(rows: pd.DataFrame, schedule: Floats) -> dict[float, tuple[str, ...]]:
    """Find the weeks at which nobody of a protocol was seen."""
    counts = (
        rows.groupby(["week", "protocol"], observed=False).size().unstack(fill_value=0).reindex(schedule, fill_value=0)
    )
    missed = {float(week): [str(name) for name in row.index[row == 0]] for week, row in counts.iterrows()}  # type: ignore[arg-type]
    return {week: tuple(names) for week, names in missed.items() if names}


def people_of(cohort: Cohort, covariates: Sequence[str]) -> tuple[pd.DataFrame, list[str]]:
    """Give patient_id, protocol and covariates of the patients who have them all, and say how many have not.

    Raises
    ------
    ModelError
        A covariate is no column of the patients.
    """
    unknown = [name for name in covariates if name not in cohort.patients or name in ("patient_id", "protocol")]
    if unknown:
        raise ModelError(
            f"There is no covariate {unknown[0]!r}.",
            where=f"columns of patients: {', '.join(str(name) for name in cohort.patients.columns)}",
            what_to_do="Name columns of the patients.",
        )
    people = cohort.patients[["patient_id", "protocol", *covariates]]
    given = people.dropna(subset="protocol")
    whole = given.dropna()
    left_out = left_out_for_want_of(len(people) - len(given), "protocol")
    left_out += left_out_for_want_of(len(given) - len(whole), " or ".join(covariates))
    return whole.assign(protocol=used_protocols(whole["protocol"])).reset_index(drop=True), left_out


def _fit(rows: pd.DataFrame, covariates: tuple[str, ...], *, several: bool) -> tuple[MixedModel, list[str]]:
    mean = "protocol * C(week)" if several else "C(week)"
    formula = " + ".join([f"value ~ {mean}", *(f"`{name}` * C(week)" for name in covariates)])
    unseen = _not_seen(rows, covariates)
    with warnings.catch_warnings():
        if unseen:  # said among the choices
            warnings.simplefilter("ignore", DesignWarning)
        fit, name, tried = fit_first_that_converges(
            rows,
            formula,
            CANDIDATES,
            inference="normal",
            failure="No joint model of the visits could be fitted.",
            what_to_do="Leave out weeks that few patients attended.",
        )
    return fit, [*tried, *unseen, f"Joint model of all visits, baseline included: {formula}; {name}."]


def _not_seen(rows: pd.DataFrame, covariates: tuple[str, ...]) -> list[str]:
    """Say of which label of a covariate nobody was seen at a week; the model drops such a column."""
    first, said = rows["week"].min(), []
    for name in covariates:
        if isinstance(rows[name].dtype, pd.CategoricalDtype):
            seen = rows.groupby([name, "week"], observed=True).size().unstack(fill_value=0) > 0
            for place, week in np.argwhere(~seen.to_numpy()):
                one = f"{name} {seen.index[place]} at {moment(seen.columns[week])}"
                said.append(f"Nobody was seen of {one}: its difference from the others is taken as at {moment(first)}.")
    return said

"""What the recovery curves are adjusted for, in the analyses of missing visits that stand beside them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from analysis.curves.recovery import adjustment
from analysis.curves.recovery_choices import adjusted_in_words
from analysis.errors import ModelError
from analysis.outcomes.missing.completed_data import covariate_columns
from analysis.outcomes.missing.weekly_model import WeeklyModel, check_baseline, fit_weekly

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from analysis.cohort.tables import Cohort
    from analysis.outcomes.endpoint import Endpoint


def model_and_adjustment(
    cohort: Cohort, endpoint: Endpoint, covariates: Sequence[str] | None
) -> tuple[WeeklyModel, tuple[str, ...]]:
    """Fit the joint model with what the comparison is adjusted for; by default what the recovery curves take.

    Parameters
    ----------
    cohort : Cohort
        The cohort.
    endpoint : Endpoint
        What is compared.
    covariates : sequence of str or None
        "baseline" and columns of the patients.

    Returns
    -------
    tuple of (WeeklyModel, tuple of str)
        The model, and what is adjusted for.

    Raises
    ------
    ModelError
        The baseline is asked for and there is none, or is not the last value before the start; a column is not known; or
        the model cannot be fitted.
    """
    check_baseline(endpoint)
    measure, limb = endpoint.measure.name, endpoint.limb
    names = adjustment(cohort, measure, limb=limb) if covariates is None else tuple(covariates)
    further = tuple(name for name in names if name != "baseline")
    model = fit_weekly(cohort, measure, limb=limb, covariates=further)
    if "baseline" in names and not model.has_baseline:
        if covariates is not None:
            raise ModelError(
                "There is no baseline to adjust for.",
                where=f"measure {measure!r}, weeks: {', '.join(f'{week:g}' for week in model.weeks)}",
                what_to_do='Leave "baseline" out of the covariates.',
            )
        names = further
    return model, names


def adjusting(model: WeeklyModel, adjusted_for: Sequence[str]) -> Callable[[np.ndarray], np.ndarray]:
    """Give what turns the values of a data set into the columns that the comparison is adjusted for.

    Parameters
    ----------
    model : WeeklyModel
        The joint model, with the covariates.
    adjusted_for : sequence of str
        As :func:`model_and_adjustment` gives it.

    Returns
    -------
    callable
        Takes values, shape (patients, weeks); gives columns, shape (patients, columns).
    """
    fixed = covariate_columns(model.patients[[name for name in adjusted_for if name != "baseline"]])
    if "baseline" not in adjusted_for:
        return lambda _: fixed
    return lambda values: np.column_stack([values[:, 0], fixed])


def adjustment_by_week(adjusted_for: Sequence[str]) -> list[str]:
    """Say in what the mixed model and the analyses of one week adjust differently; nothing where they do not.

    Examples
    --------
    >>> adjustment_by_week(["baseline"])
    []
    """
    further = adjusted_in_words([name for name in adjusted_for if name != "baseline"])
    if not further:
        return []
    said = f"What goes with {further} is the same at every week in the mixed model, and that of the week in the others."
    return [said]

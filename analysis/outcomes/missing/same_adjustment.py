"""What the recovery curves are adjusted for, in the analyses of missing visits that stand beside them."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from analysis.cohort.measures import Measure
from analysis.cohort.tables import Cohort
from analysis.curves.covariates import adjusted_in_words
from analysis.curves.recovery import adjustment
from analysis.errors import ModelError
from analysis.outcomes.endpoint import Endpoint
from analysis.outcomes.missing.completed_data import covariate_columns
from analysis.outcomes.missing.weekly_model import WeeklyModel, check_baseline, week_place, weekly_model


@dataclass(frozen=True, eq=False)
class Comparison:
    """One comparison of protocols at a week, adjusted as the recovery curves are.

    Attributes
    ----------
    model : WeeklyModel
        The joint model of all visits, with what is adjusted for.
    endpoint : Endpoint
        What is compared; its reference is the protocol compared with.
    adjusted_for : tuple of str
        "baseline" and columns of the patients.
    place : int
        Of the week among those of the model.
    base : int
        Of the reference among the protocols.
    """

    model: WeeklyModel
    endpoint: Endpoint
    adjusted_for: tuple[str, ...]
    place: int
    base: int

    @property
    def groups(self) -> tuple[NDArray[np.int64], int, int]:
        """Number of each patient's protocol, that of the reference, and how many there are."""
        return self.model.protocol, self.base, len(self.model.protocols)

    @property
    def others(self) -> list[str]:
        """The protocols that are compared with the reference."""
        return [name for k, name in enumerate(self.model.protocols) if k != self.base]

    @cached_property
    def covariates(self) -> NDArray[np.float64]:
        """The columns adjusted for that are the same in every data set, shape (patients, columns)."""
        return covariate_columns(self.model.patients[[name for name in self.adjusted_for if name != "baseline"]])

    def columns(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """Give the columns adjusted for, shape (patients, columns), from the values of a data set, (patients, weeks)."""
        return np.column_stack([values[:, 0], self.covariates]) if "baseline" in self.adjusted_for else self.covariates


def compare_at_week(
    cohort: Cohort, endpoint: Endpoint, covariates: Sequence[str] | None, fitted: WeeklyModel | None = None
) -> Comparison:
    """Fit the joint model with what the comparison is adjusted for; by default what the recovery curves take.

    ``covariates`` are "baseline" and columns of the patients; ``fitted`` is that model where there is one already.

    Raises
    ------
    ModelError
        The baseline is asked for and there is none, or is not the last value before the start; a column is not known;
        the model cannot be fitted; there is one protocol only; or the week is not a scheduled one.
    """
    check_baseline(endpoint)
    measure, limb = endpoint.measure.name, endpoint.limb
    names = adjustment(cohort, measure, limb=limb) if covariates is None else tuple(covariates)
    further = tuple(name for name in names if name != "baseline")
    model = weekly_model(cohort, endpoint, further, fitted)
    if "baseline" in names and not model.has_baseline:
        if covariates is not None:
            raise ModelError(
                "There is no baseline to adjust for.",
                where=f"measure {measure!r}, weeks: {', '.join(f'{week:g}' for week in model.weeks)}",
                what_to_do='Leave "baseline" out of the covariates.',
            )
        names = further
    if len(model.protocols) < 2:
        raise ModelError(
            "There is one protocol only, so there is nothing to compare.",
            where=f"protocol {model.protocols[0]}",
            what_to_do="Give a cohort of two protocols or more.",
        )
    place, base = week_place(model, endpoint.week), endpoint.compared_with(cohort, model.patients["protocol"])
    return Comparison(model, replace(endpoint, reference=base), names, place, model.protocols.index(base))


def means_as_measured(measure: Measure) -> list[str]:
    """Say of a measure with a best value that means are not distances from it; nothing of another.

    Examples
    --------
    >>> from analysis.cohort import load_catalogue
    >>> means_as_measured(load_catalogue()["pain"])
    []
    """
    if measure.ideal is None:
        return []
    said = (
        f"Means are of measured values: {measure.direction} up to {measure.ideal:g} only. Who improved is judged by the "
        f"distance from {measure.ideal:g}."
    )
    return [said]


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

"""A joint model of all scheduled visits: its parts, the design of every kind of patient, and the covariance of visits."""

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.curves.mixed_model import MixedModel

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class JointModel:
    """A mixed model of every scheduled visit of one measure, the baseline as one of them.

    Attributes
    ----------
    measure, limb : str
        What was measured; limb is "none" where the measure has none.
    fit : MixedModel
        The model: protocol by week and covariates by week, unstructured covariance where the data allow it.
    weeks : ndarray, shape (m,)
        The scheduled weeks; the first is 0, the baseline, where the measure has one.
    protocols : tuple of str
        In the order of the cohort.
    patients : pandas.DataFrame
        patient_id, protocol and the covariates, one row a patient modelled.
    values : ndarray, shape (n, m)
        What was seen, missing elsewhere.
    choices : tuple of str
        How the model came about, one sentence a choice.
    nobody : dict of float to tuple of str
        Scheduled weeks that are left out, and the protocols of which nobody was seen at them.
    left_out : tuple of str
        How many patients are not in the model, and for want of what; among the choices too.
    """

    measure: str
    limb: str
    fit: MixedModel
    weeks: Floats
    protocols: tuple[str, ...]
    patients: pd.DataFrame
    values: Floats
    choices: tuple[str, ...]
    nobody: dict[float, tuple[str, ...]] = field(default_factory=dict)
    left_out: tuple[str, ...] = ()

    @property
    def protocol(self) -> NDArray[np.int64]:
        """Number of each patient's protocol."""
        return np.asarray(self.patients["protocol"].cat.codes, dtype=np.int64)

    @property
    def has_baseline(self) -> bool:
        """Whether the first week is the baseline."""
        return bool(self.weeks[0] == 0)

    @cached_property
    def kinds(self) -> tuple[pd.DataFrame, NDArray[np.int64]]:
        """Distinct protocols and covariates, and the number of each patient's."""
        people = self.patients.drop(columns="patient_id")
        kind = np.asarray(people.groupby(list(people), observed=True, sort=False).ngroup(), dtype=np.int64)
        first = np.unique(kind, return_index=True)[1]
        return people.iloc[first].reset_index(drop=True), kind

    def design(self, protocol: str | None = None) -> Floats:
        """Give the design of every kind of patient at every week, as if all had had one protocol where it is named.

        Returns
        -------
        ndarray, shape (kinds, m, coefficients)
        """
        people = self.kinds[0]
        if protocol is not None:
            people = people.assign(protocol=pd.Categorical([protocol] * len(people), categories=list(self.protocols)))
        m = len(self.weeks)
        frame = people.loc[people.index.repeat(m)].reset_index(drop=True)
        frame["week"] = np.tile(self.weeks, len(people))
        matrix = self.fit.design.matrix(frame)[:, self.fit.basis.kept]
        return np.ascontiguousarray(matrix.reshape(len(people), m, -1))

    @property
    def covariance(self) -> Floats:
        """Covariance of a patient's values at the weeks, shape (m, m)."""
        return self.covariance_at(self.fit.optimum.theta)

    def covariance_at(self, theta: Floats) -> Floats:
        """Give that covariance at other covariance parameters."""
        matrix: Floats = self.fit.optimum.likelihood.covariance.matrix(theta)[0] * self.fit.basis.scale**2
        return matrix

"""The truth of a generated cohort, beside what was observed."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd

from synthetic_cohort.expected.expectation import series_means
from synthetic_cohort.home_programme.sessions import Sessions, dose_response
from synthetic_cohort.patients.trajectories import Curves, Traits
from synthetic_cohort.scenarios.scenario import Scenario
from synthetic_cohort.seen.long_table import Cells


@dataclass(frozen=True, eq=False)
class Truth:
    """What is true in a generated cohort. Every frame is made when it is first asked for.

    Parameters
    ----------
    scenario : Scenario
        The scenario.
    cells : Cells
        Patients, weeks and series in the order of the visits table.
    all_curves : Curves
        Values of every series.
    traits : Traits
        Traits of the patients.
    sessions : Sessions
        Home sessions.
    """

    scenario: Scenario
    cells: Cells
    all_curves: Curves
    traits: Traits
    sessions: Sessions

    @cached_property
    def curves(self) -> pd.DataFrame:
        """Every patient's true value at every planned visit: patient_id, week, measure, limb, value.

        The value lies within the ends of the scale and holds the patient's true variation from visit to visit, but no
        measurement error; it is not rounded to the instrument's step.
        """
        return self.cells.frame(self.all_curves.true)

    @cached_property
    def protocol_means(self) -> pd.DataFrame:
        """Population mean of observed values by protocol, measure, limb and week: column value.

        The mean is over all patients of the population, whoever is later lost, of the value as an instrument records
        it: with measurement error, cut at the ends of the scale, rounded. It is integrated, not simulated; see
        :func:`synthetic_cohort.expected.expectation.series_means`.
        """
        rows: list[pd.DataFrame] = []
        for series in self.scenario.series:
            means = series_means(self.scenario, series)
            seen = np.isin(means.weeks, series.weeks)
            rows.extend(
                pd.DataFrame(
                    {
                        "protocol": protocol,
                        "measure": series.measure,
                        "limb": series.limb,
                        "week": means.weeks[seen],
                        "value": means.observed[number, seen],
                    }
                )
                for number, protocol in enumerate(self.scenario.protocols)
            )
        return pd.concat(rows, ignore_index=True)

    @cached_property
    def protocol_differences(self) -> pd.DataFrame:
        """True difference of every protocol from the reference.

        Columns protocol, reference, measure, limb, week, difference: difference of the values in
        :attr:`protocol_means`, in the unit of the measure.
        """
        means = self.protocol_means
        reference = self.scenario.reference
        keys = ["measure", "limb", "week"]
        other = means[means["protocol"] != reference]
        both = other.merge(means[means["protocol"] == reference], on=keys, suffixes=("", "_reference"))
        both["difference"] = both["value"] - both["value_reference"]
        both = both.rename(columns={"protocol_reference": "reference"})
        return both[["protocol", "reference", *keys, "difference"]]

    @cached_property
    def dose_response(self) -> pd.DataFrame:
        """Causal and naive slope of the primary outcome on adherence, and the bias.

        See :func:`synthetic_cohort.home_programme.sessions.dose_response`.
        """
        return dose_response(self.scenario)

    @cached_property
    def patients(self) -> pd.DataFrame:
        """What each patient carries: patient_id, general, strength, recovery (standard normal traits), never_started,
        expected_share (chance of doing a prescribed session, averaged over the programme).
        """  # noqa: D205
        return pd.DataFrame(
            {
                "patient_id": self.cells.patient_id,
                "general": np.round(self.traits.general, 6),
                "strength": np.round(self.traits.strength, 6),
                "recovery": np.round(self.traits.recovery, 6),
                "never_started": self.sessions.never_started,
                "expected_share": np.round(self.sessions.propensity, 6),
            }
        )

    @property
    def sites(self) -> pd.DataFrame:
        """True effect of each site: site, measure, limb, effect (before the ends of the scale are applied)."""
        return self.all_curves.sites

    @property
    def therapists(self) -> pd.DataFrame:
        """True effect of each therapist beyond the site: therapist, measure, limb, effect."""
        return self.all_curves.therapists

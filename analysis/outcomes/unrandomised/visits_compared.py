"""Which patients, weeks and visits of a cohort are compared where nobody was randomised."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from analysis.cohort.reference import reference_protocol
from analysis.cohort.schedule import moment
from analysis.cohort.tables import Cohort
from analysis.counted import counted, form
from analysis.curves.covariates import left_out_for_want_of
from analysis.curves.recovery_choices import has_schedule, with_reference_first
from analysis.curves.recovery_design import values_with_protocol
from analysis.errors import ModelError
from analysis.outcomes.unrandomised.estimated import spread_within

#: A week at which a protocol has fewer values than this is not modelled (design choice).
FEWEST_AT_A_WEEK = 10


@dataclass(frozen=True, eq=False)
class VisitsCompared:
    """What is compared.

    Attributes
    ----------
    patients : DataFrame
        One row a patient with a protocol and a value of the measure at any week, with the columns of the patients; the protocol
        as categories, the reference first.
    visits : DataFrame
        Their values at the weeks modelled: patient_id, week, value.
    modelled, weeks : tuple of float
        Weeks of the mixed model, and those asked for among them.
    limb : str
        The limb measured.
    notes : tuple of str
        Who and what is left out.
    """

    patients: pd.DataFrame
    visits: pd.DataFrame
    modelled: tuple[float, ...]
    weeks: tuple[float, ...]
    limb: str
    notes: tuple[str, ...]

    @property
    def protocols(self) -> tuple[str, ...]:
        """The protocols, the reference first."""
        return tuple(str(one) for one in self.patients["protocol"].cat.categories)

    def spread_at(self, week: float) -> float:
        """Give the standard deviation of the values seen at a week, within protocols."""
        at = self.visits[self.visits["week"] == week]
        protocol = at["patient_id"].map(self.patients.set_index("patient_id")["protocol"]).cat.codes
        return spread_within(np.asarray(at["value"], dtype=np.float64), np.asarray(protocol, dtype=np.intp))

    def seen(self) -> pd.DataFrame:
        """Give protocol, week, n, seen and filled (missed visits) at the weeks asked for."""
        return _seen(self.patients, self.visits, self.weeks)


def visits_compared(
    cohort: Cohort, measure: str, *, reference: str | None, weeks: Sequence[float] | None, limb: str | None = None
) -> VisitsCompared:
    """Settle who and what is compared.

    Raises
    ------
    ModelError
        There is no value after the start, one protocol only, no schedule, no such reference, or a week asked for has too few
        values.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> cohort = generate_cohort("ligament reconstruction", patients=120, seed=3).observed
    >>> visits_compared(cohort, "quadriceps_torque", reference=None, weeks=[26]).weeks
    (26.0,)
    """
    visits, nameless, where = values_with_protocol(cohort, measure, limb)
    visits = with_reference_first(visits, reference_protocol(cohort, visits["protocol"], reference))
    protocol = visits.drop_duplicates("patient_id").set_index("patient_id")["protocol"]
    patients = cohort.patients[cohort.patients["patient_id"].isin(protocol.index)]
    patients = patients.assign(
        protocol=pd.Categorical(patients["patient_id"].map(protocol), protocol.cat.categories)
    ).reset_index(drop=True)
    after = visits.loc[visits["week"] > 0, ["patient_id", "week", "value"]]
    if after.empty or len(protocol.cat.categories) < 2:
        raise ModelError(
            "There is no recovery to compare: two protocols and values after week 0 are needed.",
            where=f"{where}; {counted(len(protocol.cat.categories), 'protocol')}, {counted(len(after), 'value')} after week 0",
            what_to_do="Choose a measure that was followed up in patients of two protocols.",
        )
    if not has_schedule(after.groupby("week")["patient_id"].nunique()):
        raise ModelError(
            "Visits follow no schedule, so weeks cannot be compared.",
            where=f"{where}; {after['week'].nunique()} different weeks after week 0",
            what_to_do="Bring visits to scheduled weeks first (to_scheduled_weeks).",
        )
    cells = _seen(patients, after, tuple(sorted(after["week"].unique())))
    fewest = cells.loc[cells.groupby("week")["seen"].idxmin()].set_index("week")
    modelled = tuple(float(week) for week in fewest.index[fewest["seen"] >= FEWEST_AT_A_WEEK].tolist())
    few = [
        f"{moment(week)} (protocol {row['protocol']}: {counted(int(row['seen']), 'value')})"
        for week, (_, row) in zip(fewest.index.astype("float64").tolist(), fewest.iterrows(), strict=True)
        if week not in modelled
    ]
    chosen = modelled if weeks is None else tuple(sorted({float(week) for week in weeks}))
    strange = [week for week in chosen if week not in modelled]
    if strange or not chosen:
        raise ModelError(
            f"{moment(strange[0]).capitalize()} cannot be compared." if strange else "No week can be compared.",
            where=f"{where}; weeks with {FEWEST_AT_A_WEEK} values or more of every protocol: "
            f"{', '.join(f'{week:g}' for week in modelled) or 'none'}",
            what_to_do="Name some of these weeks." if modelled else "Compare protocols or a measure with more visits.",
        )
    lacking = int(cohort.patients["protocol"].isna().sum())
    without = len(cohort.patients) - lacking - len(patients)
    return VisitsCompared(
        patients=patients,
        visits=after[after["week"].isin(modelled)].reset_index(drop=True),
        modelled=modelled,
        weeks=chosen,
        limb=str(visits["limb"].iloc[0]),
        notes=(
            *left_out_for_want_of(nameless, "protocol"),
            *(
                [f"Without any value of the measure, {counted(without, 'patient')} {form(without, 'is')} left out."]
                if without
                else []
            ),
            *([f"Not modelled, for want of {FEWEST_AT_A_WEEK} values of a protocol: {'; '.join(few)}."] if few else []),
        ),
    )


def _seen(patients: pd.DataFrame, visits: pd.DataFrame, weeks: Sequence[float]) -> pd.DataFrame:
    protocol = visits["patient_id"].map(patients.set_index("patient_id")["protocol"].astype("str"))
    counts = visits.groupby([protocol.rename("protocol"), "week"])["patient_id"].nunique()
    names = [str(one) for one in patients["protocol"].cat.categories]
    table = counts.reindex(pd.MultiIndex.from_product([names, list(weeks)], names=["protocol", "week"]), fill_value=0)
    found = table.rename("seen").reset_index()
    size = patients["protocol"].value_counts()
    found.insert(2, "n", found["protocol"].map(lambda name: int(size[name])))
    return found.assign(filled=found["n"] - found["seen"])

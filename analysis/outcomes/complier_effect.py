"""Effect of the home dose in a trial, by its allocation: what more sessions did in those who do them when offered."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from analysis.cohort.reference import reference_protocol
from analysis.errors import ModelError
from analysis.outcomes.adherence_association import design_matrix
from analysis.outcomes.change import change_at_week
from analysis.outcomes.home_exposure import UNITS, Exposure, exposure_between, weekly_exposure
from analysis.outcomes.proportions import check_level
from analysis.outcomes.result import Result
from analysis.outcomes.two_stages import anderson_rubin, two_stages

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from analysis.cohort.tables import Cohort

METHOD = "two-stage least squares, HC1, t"
#: First-stage F below which an instrument is called weak (Staiger and Stock, Econometrica 1997;65:557).
WEAK = 10.0
ASSUMPTIONS = (
    "Patients were allocated to the protocols at random.",
    "Allocation acts on the outcome through this dose alone: not through attention, other sessions or expectation.",
    "Nobody does less because more was offered.",
    "The effect grows in proportion to the dose, or the estimate is an average over the doses that allocation moved.",
    "Patients with the outcome and the sessions known stand for all who were allocated.",
)


@dataclass(frozen=True, eq=False, repr=False)
class ComplierEffect(Result):
    """Effect of the home dose by the allocation of a trial.

    Attributes
    ----------
    measure, unit : str
        The measure, and the unit of its improvement.
    exposure, exposure_unit : str
        The dose, and what the effect is for one of.
    week : float
        The week.
    table : pandas.DataFrame
        One row a protocol other than the reference: protocol, reference, n, reference_n (patients used), allocated,
        reference_allocated, dose, reference_dose (means), dose_difference (adjusted), first_stage_f, allocation_effect
        (improvement, protocol less reference, adjusted), allocation_lower, allocation_upper, effect (improvement for one
        exposure unit, in those whose dose follows the offer), std_error, df, lower, upper, level, method,
        robust_lower, robust_upper, robust_set ("interval", "two ends", "everything": the set of Anderson and Rubin,
        right with a weak instrument too).
    assumptions : tuple of str
        What must hold.
    patients : pandas.DataFrame
        patient_id, protocol, baseline, improvement, exposure.
    notes : tuple of str
        What it can and cannot say, and what was used.
    """

    measure: str
    unit: str
    exposure: str
    exposure_unit: str
    week: float
    table: pd.DataFrame
    assumptions: tuple[str, ...]
    patients: pd.DataFrame
    notes: tuple[str, ...]

    def _headline(self) -> str:
        return f"Effect of {self.exposure} on {self.measure} by week {self.week:g}, by allocation"


def complier_effect(
    cohort: Cohort,
    measure: str,
    *,
    week: float,
    randomised: bool,
    limb: str | None = None,
    exposure: Exposure = "share of sessions",
    modality: str | None = None,
    covariates: Sequence[str] = ("baseline",),
    reference: str | None = None,
    level: float = 0.95,
) -> ComplierEffect:
    """Estimate what the home dose did, with the allocation of a trial as instrument.

    Parameters
    ----------
    cohort : Cohort
        The cohort.
    measure : str
        A stored or derived measure.
    week : float
        Week of the improvement; sessions up to it count.
    randomised : bool
        Whether the patients were allocated to the protocols at random. There is no default: it must be stated.
    limb : str, optional
        The limb; by default the involved one where the measure has limbs.
    exposure : {"share of sessions", "minutes", "stimulation above the knee", "stimulation at the thigh"}
        The dose. Patients of a protocol that prescribes none of the modality have 0.
    modality : str, optional
        The modality that the protocols differ in; by default all sessions together.
    covariates : sequence of str
        "baseline" and columns of the patients; they sharpen the estimate.
    reference : str, optional
        The protocol compared with; by default that of the cohort, or the first one where it names none.
    level : float
        Confidence level.

    Returns
    -------
    ComplierEffect
        The effect of the allocation, the difference in dose, and their ratio.

    Raises
    ------
    ModelError
        Patients were not allocated at random, sessions were not recorded, a name is not known, or the allocation does
        not move the dose.

    Notes
    -----
    Two-stage least squares with the allocation as instrument; without covariates Wald's ratio (Angrist, Imbens and
    Rubin, J Am Stat Assoc 1996;91:444). An estimate for those who do more when more is offered, not for everybody, and
    never better than its assumptions; the effect of the allocation itself needs only the first of them.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> cohort = generate_cohort(patients=120, seed=1).observed
    >>> options = {"week": 26, "randomised": True, "modality": "strength stimulation"}
    >>> found = complier_effect(cohort, "quadriceps_torque", **options)
    >>> bool((found.table["first_stage_f"] > 10).all())
    True
    """
    check_level(level)
    if not randomised:
        raise ModelError(
            "The protocol is an instrument only where patients were allocated to it at random.",
            where="complier_effect(randomised=False)",
            what_to_do="Without a trial show the associations and what they cannot say: adherence_association.",
        )
    weeks = weekly_exposure(cohort, exposure, modality)
    changes = change_at_week(cohort, measure, week=week, limb=limb)
    patients = changes[["patient_id", "protocol", "baseline", "improvement"]].copy()
    offered = set(weeks["protocol"].astype("str"))
    dose = exposure_between(weeks, patients["patient_id"], 0, week)
    patients["exposure"] = np.where(patients["protocol"].astype("str").isin(offered), dose, 0.0)
    further = [name for name in covariates if name != "baseline"]
    _check_covariates(cohort, further)
    full = patients.merge(cohort.patients[["patient_id", *further]], on="patient_id", how="left", validate="one_to_one")
    base = reference_protocol(cohort, patients["protocol"], reference)
    names = [str(name) for name in patients["protocol"].cat.categories if str(name) != base]
    rows = [_against(full, name, base, list(covariates), level) for name in names]
    return ComplierEffect(
        measure=measure,
        unit=cohort.measures[measure].unit,
        exposure=exposure if modality is None else f"{exposure}, {modality}",
        exposure_unit=UNITS[exposure],
        week=float(week),
        table=pd.DataFrame(rows, columns=_COLUMNS),
        assumptions=ASSUMPTIONS,
        patients=patients,
        notes=_notes(rows, UNITS[exposure]),
    )


def _check_covariates(cohort: Cohort, further: list[str]) -> None:
    unknown = [name for name in further if name not in cohort.patients or name in ("patient_id", "protocol")]
    if unknown:
        raise ModelError(
            f"There is no covariate {unknown[0]!r}.",
            where=f"known: baseline, {', '.join(str(name) for name in cohort.patients.columns[2:])}",
            what_to_do="Name baseline or columns of the patients.",
        )


def _against(full: pd.DataFrame, name: str, base: str, covariates: list[str], level: float) -> dict[str, Any]:
    from scipy import stats

    two = full[full["protocol"].isin([name, base])]
    known = two.dropna(subset=["improvement", "exposure", *covariates])
    given: NDArray[np.float64] = np.where(known["protocol"] == name, 1.0, 0.0)
    row: dict[str, Any] = {"protocol": name, "reference": base, "n": int(given.sum())}
    row |= {"reference_n": int(len(given) - given.sum()), "allocated": int((two["protocol"] == name).sum())}
    row["reference_allocated"] = int((two["protocol"] == base).sum())
    means = known.groupby(known["protocol"].astype("str"))["exposure"].mean()
    row |= {"dose": float(means.get(name, np.nan)), "reference_dose": float(means.get(base, np.nan))}
    if min(row["n"], row["reference_n"]) < 2:
        return row | dict.fromkeys(_NUMBERS, np.nan) | {"level": level, "method": METHOD, "robust_set": ""}
    columns = design_matrix(known, covariates)
    found = two_stages(
        known["improvement"].to_numpy(dtype=float),
        known["exposure"].to_numpy(dtype=float),
        given.reshape(-1, 1),
        columns,
    )
    t = float(stats.t.ppf((1 + level) / 2, found.df))
    effect, error = float(found.params[0]), float(np.sqrt(found.covariance[0, 0]))
    itt, itt_error = float(found.reduced_form[0]), float(np.sqrt(found.both_covariance[1, 1]))
    low, high, kind = anderson_rubin(found, t)
    row |= {"dose_difference": float(found.first_stage[0]), "first_stage_f": found.first_stage_f}
    row |= {"allocation_effect": itt, "allocation_lower": itt - t * itt_error, "allocation_upper": itt + t * itt_error}
    row |= {"effect": effect, "std_error": error, "df": found.df}
    row |= {"lower": effect - t * error, "upper": effect + t * error, "level": level, "method": METHOD}
    return row | {"robust_lower": low, "robust_upper": high, "robust_set": kind}


_NUMBERS = (
    "dose_difference", "first_stage_f", "allocation_effect", "allocation_lower", "allocation_upper", "effect",
    "std_error", "df", "lower", "upper", "robust_lower", "robust_upper",
)  # fmt: skip
_COLUMNS = [
    "protocol", "reference", "n", "reference_n", "allocated", "reference_allocated", "dose", "reference_dose",
    *_NUMBERS[:10], "level", "method", *_NUMBERS[10:], "robust_set",
]  # fmt: skip


def _notes(rows: list[dict[str, Any]], unit: str) -> tuple[str, ...]:
    notes = [
        f"Effect: improvement for {unit}, in patients whose dose follows what they are offered.",
        "It can say what the dose did where every assumption holds, but not in which patient.",
        "It cannot say what a dose does that nobody was offered.",
    ]
    for row in rows:
        used, all_of = row["n"] + row["reference_n"], row["allocated"] + row["reference_allocated"]
        if used < all_of:
            notes.append(
                f"{row['protocol']}: {used:,} of {all_of:,} patients allocated are used; the others lack the improvement, "
                "the sessions or a covariate, which breaks the random allocation."
            )
        if row["first_stage_f"] < WEAK:
            notes.append(
                f"{row['protocol']}: the allocation hardly moves the dose (F {row['first_stage_f']:.1f}, below {WEAK:g}); "
                "read the set of Anderson and Rubin, not the interval."
            )
    return tuple(notes)

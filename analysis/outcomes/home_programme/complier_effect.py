"""Effect of the home dose in a trial, by its allocation: what more sessions did in those who do them when offered."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.cohort.tables import Cohort
from analysis.counted import counted
from analysis.errors import ModelError
from analysis.outcomes.change.change import change_at_week, with_covariates
from analysis.outcomes.endpoint import Endpoint
from analysis.outcomes.home_programme.adherence_association import design_matrix
from analysis.outcomes.home_programme.home_exposure import (
    UNITS,
    Exposure,
    exposure_between,
    weekly_exposure,
    without_prescription,
)
from analysis.result import ResultWithNotes
from analysis.statistics.two_stages import anderson_rubin, two_stages

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
class ComplierEffect(ResultWithNotes):
    """Effect of the home dose by the allocation of a trial.

    Attributes
    ----------
    endpoint : Endpoint
        The improvement.
    exposure, exposure_unit : str
        The dose, and what the effect is for one of.
    modality : str or None
        The modality; None for all sessions together.
    by_design : tuple of str
        Protocols that prescribe none of it, whose patients have a dose of 0 by design.
    table : pandas.DataFrame
        One row a protocol other than the reference: protocol, reference, n, reference_n (patients used), allocated,
        reference_allocated, dose, reference_dose (means), dose_difference (adjusted), first_stage_f, allocation_effect
        (improvement, protocol less reference, adjusted), allocation_lower, allocation_upper, effect (improvement for one
        exposure unit, in those whose dose follows the offer), std_error, df, lower, upper, level, method,
        robust_lower, robust_upper, robust_set ("interval", "two ends", "everything": the set of Anderson and Rubin,
        right with a weak instrument too). Where the allocation moved no dose the effect is missing.
    assumptions : tuple of str
        What must hold.
    patients : pandas.DataFrame
        patient_id, protocol, baseline, improvement, exposure.
    """

    endpoint: Endpoint
    exposure: str
    exposure_unit: str
    modality: str | None
    by_design: tuple[str, ...]
    table: pd.DataFrame
    assumptions: tuple[str, ...]
    patients: pd.DataFrame

    def _headline(self) -> str:
        return f"Effect of {self.exposure} by allocation. {self.endpoint.words}"


def complier_effect(
    cohort: Cohort,
    endpoint: Endpoint,
    *,
    randomised: bool,
    exposure: Exposure = "share of sessions",
    modality: str | None = None,
    covariates: Sequence[str] = ("baseline",),
) -> ComplierEffect:
    """Estimate what the home dose did, with the allocation of a trial as instrument.

    Parameters
    ----------
    cohort : Cohort
    endpoint : Endpoint
        The improvement; sessions up to its week count. It needs no threshold.
    randomised : bool
        Whether the patients were allocated to the protocols at random. There is no default: it must be stated.
    exposure : {"share of sessions", "minutes", "stimulation above the knee", "stimulation at the thigh"}
        The dose. Patients of a protocol that prescribes none of the modality, or has no session on record, have 0.
    modality : str, optional
        The modality that the protocols differ in. By default all sessions together, in which a modality that all
        protocols prescribe hides one that only some do.
    covariates : sequence of str
        "baseline" and columns of the patients; they sharpen the estimate.

    Returns
    -------
    ComplierEffect
        The effect of the allocation, the difference in dose, and their ratio.

    Raises
    ------
    ModelError
        Patients were not allocated at random, sessions were not recorded, or a name is not known.

    Notes
    -----
    Two-stage least squares with the allocation as instrument; without covariates Wald's ratio (Angrist, Imbens and
    Rubin, J Am Stat Assoc 1996;91:444). An estimate for those who do more when more is offered, not for everybody, and
    never better than its assumptions; the effect of the allocation itself needs only the first of them. Protocols are
    compared with the reference one by one: one whose allocation moved no dose leaves the others as they are. There is no
    bootstrap: it fails where the instrument is weak, just where the plain interval does, and the set of Anderson and
    Rubin, which is given beside it, holds its level there too.

    Examples
    --------
    >>> from analysis.outcomes import choose_endpoint
    >>> from synthetic_cohort import generate_cohort
    >>> cohort = generate_cohort(patients=120, seed=1).observed
    >>> endpoint = choose_endpoint(cohort, "quadriceps_torque", week=26, criterion=None)
    >>> found = complier_effect(cohort, endpoint, randomised=True, modality="neuromuscular electrical stimulation (NMES)")
    >>> bool((found.table["first_stage_f"] > 10).all())
    True
    """
    if not randomised:
        raise ModelError(
            "The protocol is an instrument only where patients were allocated to it at random.",
            where="complier_effect(randomised=False)",
            what_to_do="Without a trial show the associations and what they cannot say: adherence_association.",
        )
    weeks = weekly_exposure(cohort, exposure, modality)
    changes = change_at_week(cohort, endpoint)
    patients = changes[["patient_id", "protocol", "baseline", "improvement"]].copy()
    none, own_accord = without_prescription(cohort, exposure, modality)
    dose = exposure_between(weeks, patients["patient_id"], 0, endpoint.week)
    patients["exposure"] = np.where(patients["protocol"].astype("str").isin(none), 0.0, dose)
    full = with_covariates(cohort, endpoint, patients, covariates)
    base = endpoint.compared_with(cohort, patients["protocol"])
    names = [str(name) for name in patients["protocol"].cat.categories if str(name) != base]
    rows = [_against(full, name, base, list(covariates), endpoint.level, none=none) for name in names]
    notes = _notes(rows, UNITS[exposure])
    return ComplierEffect(
        endpoint=endpoint,
        exposure=exposure if modality is None else f"{exposure}, {modality}",
        exposure_unit=UNITS[exposure],
        modality=modality,
        by_design=none,
        table=pd.DataFrame(rows, columns=_COLUMNS),
        assumptions=ASSUMPTIONS,
        patients=patients,
        notes=(*notes, *_dose_notes(cohort, none, own_accord, modality)),
    )


def _against(
    full: pd.DataFrame, name: str, base: str, covariates: list[str], level: float, *, none: tuple[str, ...]
) -> dict[str, Any]:
    from scipy import stats

    two = full[full["protocol"].isin([name, base])]
    known = two.dropna(subset=["improvement", "exposure", *covariates])
    given: NDArray[np.float64] = np.where(known["protocol"] == name, 1.0, 0.0)
    row: dict[str, Any] = {"protocol": name, "reference": base, "n": int(given.sum())}
    row |= {"reference_n": int(len(given) - given.sum()), "allocated": int((two["protocol"] == name).sum())}
    row["reference_allocated"] = int((two["protocol"] == base).sum())
    means = known.groupby(known["protocol"].astype("str"))["exposure"].mean()
    row |= {"dose": float(means.get(name, np.nan)), "reference_dose": float(means.get(base, np.nan))}
    row |= dict.fromkeys(_NUMBERS, np.nan) | {"level": level, "method": METHOD, "robust_set": "", "why": ""}
    if min(row["n"], row["reference_n"]) < 2:
        return row | {
            "why": "fewer than two patients of a protocol have the improvement, the sessions and the covariates"
        }
    columns, outcome = design_matrix(known, covariates), known["improvement"].to_numpy(dtype=float)
    dose = known["exposure"].to_numpy(dtype=float)
    try:
        # the allocation as its own dose: its effect needs no session
        itt = two_stages(outcome, given, given.reshape(-1, 1), columns)
        t = float(stats.t.ppf((1 + level) / 2, itt.df))
        row |= dict(zip(_NUMBERS[2:5], _limits(itt.params[0], itt.covariance[0, 0], t), strict=True))
        if name in none and base in none:
            return row | {
                "dose_difference": 0.0,
                "why": f"neither it nor {base} prescribes it, so the allocation moves no dose",
            }
        found = two_stages(outcome, dose, given.reshape(-1, 1), columns)
    except ModelError as error:
        return row | {"why": f"{error.what[:1].lower()}{error.what[1:].rstrip('.')}"}
    low, high, kind = anderson_rubin(found, t)
    row |= {"dose_difference": float(found.first_stage[0]), "first_stage_f": found.first_stage_f}
    effect, lower, upper = _limits(found.params[0], found.covariance[0, 0], t)
    row |= {"effect": effect, "std_error": float(np.sqrt(found.covariance[0, 0])), "df": found.df}
    row |= {"lower": lower, "upper": upper}
    return row | {"robust_lower": low, "robust_upper": high, "robust_set": kind}


def _limits(estimate: float, variance: float, t: float) -> tuple[float, float, float]:
    half = t * float(np.sqrt(variance))
    return float(estimate), float(estimate) - half, float(estimate) + half


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
                f"For {row['protocol']} {used:,} of {all_of:,} patients allocated are used; the others lack the improvement, "
                "the sessions or a covariate, which breaks the random allocation."
            )
        if row["why"]:
            notes.append(f"{row['protocol']}: {row['why']}.")
        if row["first_stage_f"] < WEAK:
            notes.append(
                f"{row['protocol']}: the allocation hardly moves the dose (F {row['first_stage_f']:.1f}, below {WEAK:g}); "
                "read the set of Anderson and Rubin, not the interval."
            )
    return tuple(notes)


def _dose_notes(cohort: Cohort, none: tuple[str, ...], own_accord: int, modality: str | None) -> list[str]:
    """Say whose dose is 0 by design, and what was counted together."""
    notes = []
    if none:
        notes.append(f"Not prescribed to {', '.join(none)}: a dose of 0 by design.")
    if own_accord:
        notes.append(f"{counted(own_accord, 'patient')} of these did some that was not prescribed; it counts as 0.")
    kinds = [str(one) for one in cohort.sessions["modality"].dropna().unique()] if cohort.sessions is not None else []
    if modality is None and len(kinds) > 1:
        notes.append(
            f"{', '.join(kinds)} are counted together: one that all protocols prescribe hides one that only some do; name the "
            "modality."
        )
    return notes

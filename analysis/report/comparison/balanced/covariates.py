"""What patients are balanced for where nobody named it: what the cohort knows of them before the start."""

from collections.abc import Sequence

import pandas as pd

from analysis.cohort import Cohort
from analysis.curves.covariates import asked_covariate, check_covariate
from analysis.errors import ModelError
from analysis.outcomes.unrandomised.balance_weights import TARGETS
from analysis.outcomes.unrandomised.known_before import with_known_before

#: Columns of the patients that are balanced where they are known and vary (common practice, no source).
USUAL = ("age_years", "sex", "body_mass_kg", "procedure", "site")
#: Known of fewer of the patients than this, a column is not balanced (design choice).
LEAST_KNOWN = 0.5
#: Numbers are curves where the smallest protocol has so many patients (design choice).
PATIENTS_FOR_CURVES = 40
#: Different values that a curve needs.
_VALUES_FOR_CURVES = 10
#: Columns of the patients that describe no patient, or say when one came.
_NO_COVARIATES = ("patient_id", "protocol", "quarter", "due_week")


def balanced_for(cohort: Cohort, named: Sequence[str] | None) -> list[str]:
    """Give the covariates: those that were named, else the usual ones that are known; the baseline comes in by itself.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> balanced_for(generate_cohort(patients=60, seed=1).observed, None)
    ['age_years', 'sex', 'body_mass_kg', 'site']
    """
    if named is not None:
        return list(named)
    patients = cohort.patients
    sizes = patients["protocol"].value_counts()
    smallest = int(sizes[sizes > 0].min())
    found = []
    for name in USUAL:
        known = patients[name].dropna() if name in patients else pd.Series(dtype="float64")
        if known.nunique() < 2 or len(known) < LEAST_KNOWN * len(patients):
            continue
        number = pd.api.types.is_numeric_dtype(known.dtype)
        curve = number and smallest >= PATIENTS_FOR_CURVES and known.nunique() >= _VALUES_FOR_CURVES
        found.append(f"spline({name})" if curve else name)
    return found


def refuse_what_cannot_be_balanced(cohort: Cohort, measure: str, named: Sequence[str] | None, target: str) -> None:
    """Refuse covariates that are not known, or only after the start, and a target that there is not, as they were named.

    Raises
    ------
    ModelError
        As said.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> refuse_what_cannot_be_balanced(generate_cohort(patients=30, seed=1).observed, "ikdc", ["age"], "overlap")
    Traceback (most recent call last):
    ...
    analysis.errors.ModelError: There is no covariate 'age'.
      where: alike_in: 'age'; columns of the patients: site, therapist, procedure, involved_side, sex, age_years, body_mass_kg, graft
      what to do: Name columns of the patients known before the start, or the start of a measure: "baseline(pain)".
    """
    if target not in (*TARGETS, *cohort.protocols):
        raise ModelError(
            f"There is no target {target!r}.",
            where=f"parameter target; protocols: {', '.join(cohort.protocols)}",
            what_to_do=f"Use one of: {', '.join((*TARGETS, *cohort.protocols))}.",
        )
    if named is None:
        return
    widened, asked, _, _ = with_known_before(cohort, measure, named)
    for one in named:
        name, smooth = asked_covariate(one)
        if one in asked:
            check_covariate(
                widened.patients, name, one, smooth=smooth, argument="alike_in", apart=("patient_id", "protocol", "baseline"),
                advice='Name columns of the patients known before the start, or the start of a measure: "baseline(pain)".',
            )  # fmt: skip


def not_balanced(cohort: Cohort, balanced: Sequence[str]) -> list[str]:
    """Give the columns of the patients that are known and not balanced.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> not_balanced(generate_cohort(patients=60, seed=1).observed, ["age_years", "sex", "body_mass_kg", "site"])
    ['therapist', 'involved_side', 'graft']
    """
    patients = cohort.patients
    return [
        str(name)
        for name in patients.columns
        if name not in (*balanced, *_NO_COVARIATES)
        and "_spline_" not in str(name)
        and len(patients[name].dropna().unique()) > 1
    ]

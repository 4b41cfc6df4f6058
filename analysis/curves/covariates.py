"""What a comparison is adjusted for beside the baseline: columns of the patients, as they are or as a smooth curve."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.cohort.tables import Cohort
from analysis.counted import counted, form
from analysis.curves.formula.week_functions import SPLINE_DF, natural_spline_basis, spline_knots
from analysis.errors import ModelError

#: Fewer patients than this for each label of a covariate, on average, are too few to adjust for it (design choice).
PATIENTS_PER_LABEL = 10
#: A smooth curve needs at least this many different values (design choice).
FEWEST_VALUES_OF_A_CURVE = 10
_CURVE = re.compile(r"spline\(\s*(\w+)\s*\)")
_UNIT = re.compile(r"_(?:years|kg|cm|mm|deg|weeks|days)$")
_COLUMN_OF_A_CURVE = re.compile(r"(.+)_spline_\d+")


def further_covariates(frame: pd.DataFrame) -> tuple[str, ...]:
    """Give what is adjusted for beside the baseline where nothing is named: site, where there are several."""
    several = "site" in frame and 1 < frame["site"].nunique() <= frame["patient_id"].nunique() / PATIENTS_PER_LABEL
    return ("site",) if several else ()


def with_named_covariates(cohort: Cohort, adjust_for: Sequence[str]) -> tuple[Cohort, tuple[str, ...]]:
    """Check what shall be adjusted for, and make the columns of smooth curves.

    Parameters
    ----------
    cohort : Cohort
    adjust_for : sequence of str
        Columns of the patients: numbers enter as straight lines, labels as groups (those that the allocation was stratified
        by belong here), and ``"spline(age_years)"`` as a natural cubic spline with 3 degrees of freedom.

    Returns
    -------
    tuple of Cohort and tuple of str
        The cohort, its patients with the columns of the curves; and the columns to adjust for.

    Raises
    ------
    ModelError
        A column is not known, named twice, the same in every patient, has too many labels, or is no number where a curve is
        asked for.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> cohort = generate_cohort(patients=60, seed=1).observed
    >>> with_named_covariates(cohort, ["sex", "spline(age_years)"])[1]
    ('sex', 'age_years_spline_1', 'age_years_spline_2', 'age_years_spline_3')
    """
    patients, names = cohort.patients, list[str]()
    for asked in adjust_for:
        name, smooth = asked_covariate(asked)
        check_covariate(patients, name, asked, smooth=smooth)
        if not smooth:
            names.append(name)
            continue
        columns = curve_columns(patients[name].astype("float64"), name)
        patients = patients.assign(**columns)
        names += columns
    twice = [one for one in names if names.count(one) > 1]
    if twice:
        raise ModelError(
            f"{column_in_words(twice[0])} is named twice.",
            where=f"adjust_for: {', '.join(adjust_for)}",
            what_to_do="Name each once.",
        )
    return replace(cohort, patients=patients), tuple(names)


def asked_covariate(asked: str) -> tuple[str, bool]:
    """Give the column that is asked for, and whether as a smooth curve.

    Examples
    --------
    >>> asked_covariate("site"), asked_covariate("spline( age_years )")
    (('site', False), ('age_years', True))
    """
    curve = _CURVE.fullmatch(asked.strip())
    return (curve[1], True) if curve else (asked, False)


def curve_columns(values: pd.Series, name: str) -> dict[str, NDArray[np.float64]]:
    """Give the columns of a smooth curve of a number; missing where it is.

    Examples
    --------
    >>> list(curve_columns(pd.Series([1.0, 2.0, 3.0, 4.0]), "age_years"))
    ['age_years_spline_1', 'age_years_spline_2', 'age_years_spline_3']
    """
    basis = natural_spline_basis(values, spline_knots(values.dropna(), SPLINE_DF))
    return {f"{name}_spline_{place + 1}": basis[:, place] for place in range(basis.shape[1])}


def check_covariate(
    patients: pd.DataFrame,
    name: str,
    asked: str,
    *,
    smooth: bool,
    argument: str = "adjust_for",
    apart: Sequence[str] = ("patient_id", "protocol"),
    advice: str = "Name columns of the patients; the baseline is adjusted for by itself.",
) -> None:
    """Refuse a covariate that is not known, is the same in every patient, has too many labels, or is no number where a curve is asked for.

    Parameters
    ----------
    patients : DataFrame
        One row a patient.
    name, asked : str
        The column, and how it was asked for.
    smooth : bool
        Whether as a smooth curve.
    argument : str
        What the list of covariates is called, for the message.
    apart : sequence of str
        Columns that are no covariates.
    advice : str
        What to do where it is not known.

    Raises
    ------
    ModelError
        As said.
    """
    where = f"{argument}: {asked!r}"
    if name not in patients or name in apart:
        known = ", ".join(str(one) for one in patients.columns if one not in apart)
        raise ModelError(
            f"There is no covariate {name!r}.",
            where=f"{where}; columns of the patients: {known or 'none'}",
            what_to_do=advice,
        )
    values = patients[name].dropna()
    if values.nunique() < 2:
        raise ModelError(
            f"The covariate {name!r} is the same in every patient in whom it is known.",
            where=where,
            what_to_do="Leave it out.",
        )
    number = pd.api.types.is_numeric_dtype(values) and not pd.api.types.is_bool_dtype(values)
    if smooth and not (number and values.nunique() >= FEWEST_VALUES_OF_A_CURVE):
        raise ModelError(
            f"No smooth curve of {name!r} can be drawn: it has {counted(values.nunique(), 'value')}.",
            where=where,
            what_to_do=f"A curve needs a number with {FEWEST_VALUES_OF_A_CURVE} values or more; name the column itself.",
        )
    if not number and values.nunique() > len(values) / PATIENTS_PER_LABEL:
        raise ModelError(
            f"The covariate {name!r} has {counted(values.nunique(), 'label')} in {counted(len(values), 'patient')}.",
            where=where,
            what_to_do=f"Join labels, so that there are {PATIENTS_PER_LABEL} patients or more for each on average.",
        )


def with_covariates(
    frame: pd.DataFrame, covariates: Sequence[str], *, named: bool = False
) -> tuple[pd.DataFrame, list[str]]:
    """Leave out the patients who lack a covariate, and say how many of which; ``named`` says that a person chose them."""
    choices = []
    for name in covariates:
        said = adjusted_in_words([name])
        lost = frame.loc[frame[name].isna(), "patient_id"].nunique()
        choices += left_out_for_want_of(lost, said.removeprefix("a curve of "))
        choices.append(f"Adjusted for {said}, as named." if named else f"Adjusted for {said}, since there are several.")
        frame = frame[frame[name].notna()]
    protocol = frame["protocol"].cat.remove_unused_categories()
    return frame.assign(protocol=protocol).reset_index(drop=True), list(dict.fromkeys(choices))


def adjusted_in_words(adjusted_for: Sequence[str]) -> str:
    """Name what is adjusted for in a sentence.

    Examples
    --------
    >>> adjusted_in_words(("baseline", "site")), adjusted_in_words(("site",))
    ('the baseline and site', 'site')
    >>> adjusted_in_words(("baseline", "sex", "age_years_spline_1", "age_years_spline_2"))
    'the baseline, sex and a curve of age'
    """
    words = list(dict.fromkeys(column_in_words(name) for name in adjusted_for))
    return " and ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words)


def column_in_words(name: str) -> str:
    """Name a column of the patients within a sentence, its unit left out.

    Examples
    --------
    >>> column_in_words("age_years"), column_in_words("site"), column_in_words("age_years_spline_2")
    ('age', 'site', 'a curve of age')
    """
    curve = _COLUMN_OF_A_CURVE.fullmatch(name)
    words = _UNIT.sub("", curve[1] if curve else name).replace("_", " ")
    if curve:
        return f"a curve of {words}"
    return "the baseline" if name == "baseline" else words


def is_of_a_curve(name: str) -> bool:
    """Say whether a column of the patients was made for a smooth curve, and is none that was measured.

    Examples
    --------
    >>> is_of_a_curve("age_years_spline_1"), is_of_a_curve("age_years")
    (True, False)
    """
    return _COLUMN_OF_A_CURVE.fullmatch(name) is not None


def left_out_for_want_of(patients: int, what: str) -> list[str]:
    """Say how many patients lack something that the model needs; nothing where none does."""
    return [f"Without a {what}, {counted(patients, 'patient')} {form(patients, 'is')} left out."] if patients else []

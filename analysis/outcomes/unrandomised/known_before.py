"""Covariates of a cohort that were known before the protocol began; all others are refused by where they stand."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import replace

import pandas as pd

from analysis.cohort.follow_up.as_of import DUE_WEEK
from analysis.cohort.tables import Cohort
from analysis.cohort.visit_frame import visit_frame
from analysis.counted import none_or
from analysis.curves.covariates import FEWEST_VALUES_OF_A_CURVE, asked_covariate, column_in_words
from analysis.curves.recovery_choices import LEAST_SHARE_WITH_BASELINE
from analysis.errors import ModelError

#: Words of columns of the patients that can be known only after the start.
_AFTER_THE_START = (
    DUE_WEEK,
    "adherence",
    "adherent",
    "sessions_done",
    "minutes_done",
    "withdrew",
    "withdrawal",
    "dropout",
)
_OF_A_MEASURE = re.compile(r"baseline\(\s*(\w+)\s*\)")
_INSTEAD = 'Name columns of the patients known before the start, or the start of a measure: "baseline(pain)".'


def with_known_before(
    cohort: Cohort, measure: str, covariates: Sequence[str], *, limb: str | None = None
) -> tuple[Cohort, list[str], dict[str, str], list[str]]:
    """Check that covariates were known before the start, and put baseline values among the columns of the patients.

    Parameters
    ----------
    cohort : Cohort
    measure : str
        The measure compared; its own baseline is always among the covariates where half of the patients or more have one and
        it varies.
    covariates : sequence of str
        Columns of the patients, ``"spline(age_years)"``, and ``"baseline(pain)"`` for the last value of a measure at week 0
        or before. Baseline values enter as curves where they have ten different values or more.

    Returns
    -------
    tuple
        The cohort with these columns; what is asked of it; how a column is called; and what was chosen, in sentences.

    Raises
    ------
    ModelError
        A covariate stands where things known after the start do, or a baseline was not measured.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> cohort = generate_cohort(patients=60, seed=1).observed
    >>> with_known_before(cohort, "quadriceps_torque", ["sex", "baseline(pain)"])[1]
    ['spline(baseline)', 'sex', 'baseline_of_pain']
    """
    patients = cohort.patients.assign(baseline=_baseline(cohort, measure, limb))
    asked: list[str] = []
    said: list[str] = []
    own = patients["baseline"].dropna()
    if len(own) < LEAST_SHARE_WITH_BASELINE * len(patients):
        said.append(f"Not adjusted for the baseline: of {len(patients):,} patients {none_or(len(own), 'has')} one.")
    elif own.nunique() < 2:
        said.append("Not adjusted for the baseline: it is the same in every patient.")
    else:
        asked.append(_as_curve(own, "baseline"))
    for one in covariates:
        name, _ = asked_covariate(one)
        named = _OF_A_MEASURE.fullmatch(one.strip())
        if name == "baseline" or (named and named[1] == measure):
            if not asked or "baseline" not in asked[0]:
                raise ModelError(
                    "The baseline cannot be balanced.",
                    where=f"measure {measure!r}; patients with a value at or before week 0: {len(own)} of {len(patients)}",
                    what_to_do="Leave it out, or compare a measure that was taken before the start.",
                )
            continue
        if named is None:
            _refuse_after_the_start(cohort, name, one)
            asked.append(one)
            continue
        if named[1] not in cohort.measures:
            raise _not_measured(cohort, named[1], one)
        column = f"baseline_of_{named[1]}"
        patients = patients.assign(**{column: _baseline(cohort, named[1])})
        if not patients[column].notna().any():
            raise _not_measured(cohort, named[1], one)
        asked.append(_as_curve(patients[column].dropna(), column))
    shown = {one: _shown(one) for one in asked}
    return replace(cohort, patients=patients), asked, shown, said


def _baseline(cohort: Cohort, measure: str, limb: str | None = None) -> pd.Series:
    start = visit_frame(cohort, measure, limb).drop_duplicates("patient_id").set_index("patient_id")["baseline"]
    return cohort.patients["patient_id"].map(start).astype("float64")


def _as_curve(values: pd.Series, name: str) -> str:
    return f"spline({name})" if values.nunique() >= FEWEST_VALUES_OF_A_CURVE else name


def _shown(asked: str) -> str:
    name, smooth = asked_covariate(asked)
    words = column_in_words(name)
    return f"a curve of {words}" if smooth else words


def _refuse_after_the_start(cohort: Cohort, name: str, asked: str) -> None:
    where = f"covariates: {asked!r}"
    if name in cohort.measures and name not in cohort.patients:
        raise ModelError(
            f"{name!r} is measured at visits, also after the start, where the protocol has changed it.",
            where=where,
            what_to_do=f'Name its start: "baseline({name})".',
        )
    for table, what in _places(cohort).items():
        if name in what and name not in cohort.patients:
            raise ModelError(
                f"{name!r} stands in {table} of the cohort, so it was known only after the protocol began.",
                where=where,
                what_to_do=_INSTEAD,
            )
    if any(word in name.lower() for word in _AFTER_THE_START):
        raise ModelError(
            f"{name!r} says what was done after the protocol began.",
            where=where,
            what_to_do=_INSTEAD,
        )


def _places(cohort: Cohort) -> Mapping[str, set[str]]:
    """Give what stands in each table that is filled after the start: its columns, and what its labels name."""
    found = {}
    for table, said, label in (
        ("visits", "the visits", "measure"),
        ("sessions", "the home sessions", "modality"),
        ("brace_limits", "the brace limits", None),
        ("events", "the events", "event"),
    ):
        frame = getattr(cohort, table)
        if frame is None:
            continue
        names = {str(one) for one in frame.columns} - {"patient_id"}
        if label is not None:
            names |= {str(one) for one in frame[label].dropna().unique()}
        found[said] = names
    return found


def _not_measured(cohort: Cohort, measure: str, asked: str) -> ModelError:
    return ModelError(
        f"There is no measure {measure!r} taken at week 0 or before.",
        where=f"covariates: {asked!r}; measures: {', '.join(str(one) for one in cohort.measures)}",
        what_to_do="Name one of them that was taken before the start.",
    )

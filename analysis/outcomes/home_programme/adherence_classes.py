"""Courses of adherence described in classes, with the limits said and the share itself kept beside them."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from analysis.cohort.reference import patients_by_protocol
from analysis.cohort.tables import Cohort
from analysis.errors import ModelError
from analysis.outcomes.home_programme.sessions_done import NOT_RECORDED
from analysis.outcomes.home_programme.time_to_stopping import time_to_stopping, weeks_of_patients
from analysis.result import ResultWithNotes, patients_have
from analysis.statistics.proportions import check_level, share_interval

#: Classes in the order in which they are decided; the first that fits is taken.
CLASSES = ("never started", "stopped", "falling", "low", "middle", "high")
#: Fewer weeks than this have no beginning and end to compare.
_LEAST_WEEKS = 6


@dataclass(frozen=True, eq=False, repr=False)
class AdherenceClasses(ResultWithNotes):
    """Patients by course of adherence.

    Attributes
    ----------
    limits : tuple of float
        Shares of the sessions prescribed between low, middle and high.
    fall : float
        Fall of the share, from the first third of the weeks to the last, that counts as falling.
    table : pandas.DataFrame
        One row a protocol and class: protocol, adherence_class, n (patients with sessions known: the denominator),
        patients, share, lower, upper, level, method.
    description : pandas.DataFrame
        One row a class: adherence_class, rule, patients, weeks (median), share_of_sessions, share_of_sessions_lower,
        share_of_sessions_upper (median and quartiles), first_third, last_third (medians), near_a_limit (patients within
        5 points of a limit), and for each characteristic its median, or the share of its first level.
    patients : pandas.DataFrame
        patient_id, protocol, weeks, share_of_sessions, first_third, last_third, adherence_class.
    """

    limits: tuple[float, float]
    fall: float
    table: pd.DataFrame
    description: pd.DataFrame
    patients: pd.DataFrame

    def _headline(self) -> str:
        return "Courses of adherence"


def adherence_classes(
    cohort: Cohort,
    *,
    limits: Sequence[float] = (0.5, 0.8),
    fall: float = 0.2,
    idle_weeks: int = 2,
    characteristics: Sequence[str] = (),
    level: float = 0.95,
) -> AdherenceClasses:
    """Describe the courses of adherence.

    Parameters
    ----------
    cohort : Cohort
        The cohort; ``sessions`` None means not recorded.
    limits : sequence of two floats
        Shares of the sessions prescribed between low, middle and high; 0.5 and 0.8 by custom, no source.
    fall : float
        Fall of the share from the first to the last third of the weeks that counts as falling (design choice).
    idle_weeks : int
        As in :func:`analysis.outcomes.home_programme.time_to_stopping.time_to_stopping`.
    characteristics : sequence of str
        Columns of the patients to describe by class.
    level : float
        Confidence level.

    Returns
    -------
    AdherenceClasses
        Shares of patients by class, and what each class is like.

    Raises
    ------
    ModelError
        The limits do not rise, the fall is not above 0, or a characteristic is not known.

    Notes
    -----
    All sessions together. In this order: never started; stopped (idle to the end); falling; then low, middle and high
    by the share of all sessions. Courses are no kinds of patients: cutting a share in two costs about as much as
    leaving out a third of the patients (a median split needs pi / 2 = 1.57 times the sample), so associations use the
    share itself (:mod:`analysis.outcomes.home_programme.adherence_association`).

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> found = adherence_classes(generate_cohort(patients=60, seed=1).observed, characteristics=["age_years"])
    >>> int(found.description["patients"].sum()) == len(found.patients.dropna(subset=["share_of_sessions"]))
    True
    """
    check_level(level)
    low, high = _checked(cohort, limits, fall, characteristics)
    weeks = weeks_of_patients(cohort)
    stopping = time_to_stopping(cohort, idle_weeks=idle_weeks).patients.set_index("patient_id")
    ids, patients = cohort.patients["patient_id"], patients_by_protocol(cohort)
    patients = patients.merge(_courses(weeks), on="patient_id", how="left", validate="one_to_one")
    share = patients["share_of_sessions"]
    dropped = (patients["first_third"] - patients["last_third"] >= fall - 1e-9) & (patients["weeks"] >= _LEAST_WEEKS)
    rules = [
        ids.map(stopping["never_started"]).to_numpy(dtype=bool),
        ids.map(stopping["stopped"]).to_numpy(dtype=bool),
        dropped.to_numpy(),
        (share < low - 1e-9).to_numpy(),
        (share < high - 1e-9).to_numpy(),
    ]
    found = pd.Series(np.select(rules, CLASSES[:-1], CLASSES[-1]), index=patients.index).where(share.notna())
    patients["adherence_class"] = pd.Categorical(found, categories=list(CLASSES))
    known = patients.dropna(subset=["share_of_sessions"])
    return AdherenceClasses(
        limits=(low, high),
        fall=fall,
        table=_by_protocol(known, level),
        description=_describe(known, cohort, (low, high), fall, idle_weeks, characteristics),
        patients=patients,
        notes=_notes(cohort, patients),
    )


def _checked(
    cohort: Cohort, limits: Sequence[float], fall: float, characteristics: Sequence[str]
) -> tuple[float, float]:
    if len(limits) != 2 or not 0 < limits[0] < limits[1]:
        raise ModelError(
            f"The limits {', '.join(f'{one:g}' for one in limits)} do not divide low, middle and high.",
            what_to_do="Give two rising shares of the sessions prescribed, for example (0.5, 0.8).",
        )
    if not fall > 0:
        raise ModelError(f"A fall of {fall:g} is none.", what_to_do="Give a share above 0, for example 0.2.")
    unknown = [name for name in characteristics if name not in cohort.patients]
    if unknown:
        raise ModelError(
            f"There is no characteristic {unknown[0]!r} of the patients.",
            where=f"columns there: {', '.join(str(name) for name in cohort.patients)}",
            what_to_do="Name columns of the patients.",
        )
    return float(limits[0]), float(limits[1])


def _courses(weeks: pd.DataFrame) -> pd.DataFrame:
    """Share of all sessions, and of those of the first and the last third of the weeks, one row a patient."""
    groups = weeks.groupby("patient_id")
    size, place = groups["week"].transform("size"), groups.cumcount()
    third = (size + 2) // 3
    numbers = ["sessions_done", "sessions_prescribed"]
    found = pd.DataFrame({"weeks": groups.size()})
    parts = {"share_of_sessions": place >= 0, "first_third": place < third, "last_third": place >= size - third}
    for name, chosen in parts.items():
        sums = weeks[chosen].groupby("patient_id")[numbers].sum()
        found[name] = sums["sessions_done"] / sums["sessions_prescribed"]
    return found.reset_index()


def _by_protocol(known: pd.DataFrame, level: float) -> pd.DataFrame:
    protocols = known["protocol"].cat.categories
    every = pd.MultiIndex.from_product([protocols, list(CLASSES)], names=["protocol", "adherence_class"])
    counts = known.groupby(["protocol", "adherence_class"], observed=True).size()
    table = pd.DataFrame({"patients": counts.reindex(every, fill_value=0)}).reset_index()
    table.insert(2, "n", table["protocol"].astype("str").map(known["protocol"].astype("str").value_counts()).fillna(0))
    table = table.astype({"protocol": "str", "adherence_class": "str", "n": "int64"})
    return table.join(share_interval(table["patients"], table["n"], level=level))


def _describe(
    known: pd.DataFrame,
    cohort: Cohort,
    limits: tuple[float, float],
    fall: float,
    idle_weeks: int,
    characteristics: Sequence[str],
) -> pd.DataFrame:
    low, high = (f"{100 * one:g} %" for one in limits)
    rules = dict(
        zip(
            CLASSES,
            (
                "no session in any week recorded",
                f"no session in the last {idle_weeks} or more weeks recorded",
                f"share at least {100 * fall:g} points lower in the last third of the weeks than in the first",
                f"below {low} of the sessions prescribed",
                f"{low} to below {high}",
                f"{high} or more",
            ),
            strict=True,
        )
    )
    people = cohort.patients[["patient_id", *characteristics]]
    rows = []
    for name, rule in rules.items():
        one = known[known["adherence_class"] == name]
        share = one["share_of_sessions"]
        near = np.min([(share - limit).abs() for limit in limits], axis=0) if len(one) else np.array([])
        row: dict[str, object] = {"adherence_class": name, "rule": rule, "patients": len(one)}
        row |= {"weeks": one["weeks"].median(), "share_of_sessions": share.median()}
        row |= {"share_of_sessions_lower": share.quantile(0.25), "share_of_sessions_upper": share.quantile(0.75)}
        row |= {column: one[column].median() for column in ("first_third", "last_third")}
        row["near_a_limit"] = int((near <= 0.05 + 1e-9).sum())
        own = people[people["patient_id"].isin(set(one["patient_id"]))]
        rows.append(row | dict(_typical(own[each], each) for each in characteristics))
    return pd.DataFrame(rows)


def _typical(values: pd.Series, name: str) -> tuple[str, float]:
    """Median of a number; share of the first level of a label."""
    known = values.dropna()
    if pd.api.types.is_numeric_dtype(values) and not pd.api.types.is_bool_dtype(values):
        return f"{name}, median", float(known.median())
    levels = values.cat.categories if isinstance(values.dtype, pd.CategoricalDtype) else sorted(known.unique())
    first = levels[0] if len(levels) else ""
    return f"{name} {first}, share", float((known == first).mean()) if len(known) else float("nan")


def _notes(cohort: Cohort, patients: pd.DataFrame) -> tuple[str, ...]:
    if cohort.sessions is None:
        return (NOT_RECORDED,)
    notes = [
        "Classes are decided in the order listed; their limits are choices, and a patient near one could be in the next.",
        "The share of sessions of each patient is kept: use it, not the classes, for associations.",
        "Recovery, pain and events may have decided the class: it is not a cause, and no fault of the patient.",
    ]
    lost = int(patients["share_of_sessions"].isna().sum())
    if lost:
        notes.append(patients_have(lost, len(patients), "no week with sessions prescribed and recorded"))
    return tuple(notes)

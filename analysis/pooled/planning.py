"""What the parts have to agree on, read off a cohort like theirs: the endpoint, the weeks, the names, the visits' plan."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from importlib import metadata
from typing import Any

import numpy as np
import pandas as pd

from analysis.cohort.follow_up.as_of import as_of_day
from analysis.cohort.tables import Cohort
from analysis.curves.formula.gathered import plan_moments
from analysis.curves.recovery_design import design_curves
from analysis.curves.rows.moment_disclosure import AT_LEAST
from analysis.errors import CohortError, ModelError
from analysis.outcomes.chosen_endpoint import choose_endpoint
from analysis.outcomes.endpoint import Endpoint
from analysis.outcomes.home_programme.events import OTHER, SERIOUS, events_by_protocol
from analysis.outcomes.home_programme.sessions_done import session_entries
from analysis.outcomes.patients.baseline_table import ALL_PATIENTS, baseline_table
from analysis.outcomes.patients.patient_flow import NO_REASON, patient_flow
from analysis.pooled.agreed import SITE, PoolingPlan, column_of_formula

#: Amounts at which the distribution of change is counted, from so many times the threshold to so many (design choice).
_AMOUNTS, _TIMES = 31, (-2.0, 4.0)
#: Weeks beyond those of the planning cohort in which home sessions may be recorded (design choice).
_SPARE_WEEKS = 13
#: Columns of the patients that are no part of the table of the start: who, where, when and by whom.
_NOT_DESCRIBED = ("patient_id", "protocol", SITE, "therapist", "quarter")


def plan_pooling(
    cohort: Cohort,
    measure: str,
    *,
    week: float,
    sites: Sequence[str] = (),
    adjust_for: Sequence[str] | None = None,
    enough: float = 0.8,
    k: int = AT_LEAST,
    also: Mapping[str, Sequence[str]] | None = None,
    **options: Any,
) -> PoolingPlan:
    """Settle what the parts of a comparison have to agree on, from a cohort like theirs or one of them.

    Parameters
    ----------
    cohort : Cohort
        On whose visits weeks, names and labels are read; no value of a patient goes into the plan but means that are
        subtracted, rounded to whole units.
    measure : str
        What is compared.
    week : float
        Week of the endpoint, and of the main comparison of the curves where somebody was seen then.
    sites : sequence of str
        Names of the sites that will take part; the curves are then adjusted for the site.
    adjust_for : sequence of str, optional
        Columns of the patients that the curves are adjusted for beside the baseline; by default the site where sites are named.
    enough : float
        Share of the home sessions prescribed that counts as enough.
    k : int
        Patients below which a cell of the visits is small; a convention.
    also : mapping of str to sequence of str, optional
        Further names that parts may hold, which this cohort has not: under events, reasons or modalities, or under a column of labels.
    **options
        Those of :func:`analysis.outcomes.choose_endpoint`: threshold, criterion, limb, missing, baseline, reference, level.

    Returns
    -------
    PoolingPlan
        To be saved and sent to the sites.

    Raises
    ------
    ModelError, CohortError
        The endpoint cannot be chosen, the visits follow no schedule, a smooth curve is asked for, or a site is named twice.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> plan = plan_pooling(generate_cohort(patients=90, seed=3).observed, "pain", week=26, sites=["north", "south"])
    >>> plan.terms
    'value ~ protocol * C(week) + baseline * C(week) + site'
    """
    names = tuple(dict.fromkeys(str(one) for one in sites))
    if len(names) < len(sites) or "" in names:
        raise CohortError(
            "A site is named twice, or has no name.", where=", ".join(sites), what_to_do="Name each once."
        )
    endpoint = choose_endpoint(cohort, measure, week=week, **options)
    base = endpoint.compared_with(cohort, cohort.patients["protocol"])
    named = ([SITE] if len(names) > 1 else []) if adjust_for is None else list(adjust_for)
    people = cohort.patients
    if names:  # patients of the planning cohort stand for all sites: only who was seen when is read from them
        people = people.assign(**{SITE: [names[i % len(names)] for i in range(len(people))]})
    like = replace(cohort, patients=people)
    by_site = (
        [SITE] if names and SITE in named else []
    )  # whether a site has enough patients is not for this cohort to say
    others = [one for one in named if one not in by_site]
    curves = design_curves(like, measure, limb=endpoint.limb, reference=base, adjust_for=others)
    if made := [one for one in curves.covariates if one not in people]:
        raise ModelError(
            "A smooth curve of a covariate has no columns at the sites.",
            where=f"adjust_for: {', '.join(others)}; {made[0]} is made of the values of this cohort",
            what_to_do="Name the column itself.",
        )
    if not curves.scheduled:
        raise ModelError(
            "The visits follow no schedule, so that parts cannot be added up.",
            where=f"measure {measure!r}",
            what_to_do="Put the visits on a schedule (to_scheduled_weeks).",
        )
    columns = ["protocol", *(["baseline"] if curves.baseline_adjusted else []), *curves.covariates, *by_site]
    moments = plan_moments(curves.frame, f"value ~ {' + '.join(map(column_of_formula, columns))}")
    moments = replace(
        moments,
        outcome_shift=float(np.round(moments.outcome_shift)),
        shifts={name: float(np.round(value)) for name, value in moments.shifts.items()},
    )
    protocols = curves.protocols
    if len(protocols) > 1:  # a protocol of which this cohort has no value of the measure may have some elsewhere
        protocols = tuple(
            dict.fromkeys([*protocols, *sorted(cohort.patients["protocol"].dropna().astype("str").unique())])
        )
    levels = {"protocol": protocols, **({SITE: names} if by_site else {})}
    moments = replace(
        moments, covariates=tuple(replace(one, levels=levels.get(one.name, one.levels)) for one in moments.covariates)
    )
    flow = patient_flow(cohort, measure, limb=endpoint.limb)
    numbers, categories, labels = _at_the_start(cohort)
    names_of = {
        "events": _kinds(cohort),
        "reasons": (*flow.lost["reason"].astype("str"), NO_REASON),
        "modalities": _modalities(cohort),
        **categories,
    }
    more = dict(also or {})
    if unknown := sorted(set(more) - set(names_of)):
        raise CohortError(
            f"There are no names to be added under {unknown[0]!r}.",
            where="also",
            what_to_do=f"Add names under: {', '.join(names_of)}.",
        )
    names_of = {what: tuple(dict.fromkeys([*known, *more.get(what, ())])) for what, known in names_of.items()}
    day = as_of_day(cohort)
    return PoolingPlan(
        endpoint=replace(endpoint, reference=base),
        protocols=protocols,
        sites=names,
        as_of="" if day is None else day.isoformat(),
        weeks=flow.weeks,
        terms=" + ".join([curves.terms, *by_site]),
        primary_week=float(week) if week in curves.weeks else curves.primary_week,
        moments=moments,
        amounts=_amounts(endpoint),
        numbers=numbers,
        categories={name: names_of[name] for name in categories},
        labels=labels,
        events=names_of["events"],
        reasons=names_of["reasons"],
        modalities=names_of["modalities"],
        programme_weeks=_programme_weeks(cohort),
        enough=enough,
        k=k,
        kit=kit_version(),
    )


def kit_version() -> str:
    """Give the version of the kit; empty where it was not installed as a package."""
    try:
        return metadata.version("kneecurve")
    except metadata.PackageNotFoundError:
        return ""


def _amounts(endpoint: Endpoint) -> tuple[float, ...]:
    """Spread amounts around the threshold, or over the plausible values of a state: no value of a patient is in the plan."""
    if endpoint.threshold is None:
        return ()
    limit, measure = endpoint.threshold.value, endpoint.measure
    if endpoint.criterion != "state":
        grid = limit * np.linspace(*_TIMES, _AMOUNTS)
    elif np.isfinite([measure.lowest, measure.highest]).all():
        grid = np.linspace(measure.lowest, measure.highest, _AMOUNTS)
    else:
        grid = np.array([])
    on_scale = endpoint.limits(
        [*grid.round(measure.decimals + 1), limit]
    )  # values as near to a best one are one amount
    return tuple((endpoint.turn * np.unique(on_scale) + 0.0).tolist())


def _at_the_start(
    cohort: Cohort,
) -> tuple[dict[str, float], dict[str, tuple[str, ...]], dict[str, tuple[str, str]]]:
    """Give numbers with what is subtracted from each, categories with their labels, and label and unit of both."""
    named = [str(one) for one in cohort.patients if one not in _NOT_DESCRIBED]
    table = baseline_table(cohort, covariates=named).table
    whole = table[table["protocol"] == ALL_PATIENTS]
    of_numbers = whole[whole["category"].isna()]
    numbers = {
        str(name): 0.0 if np.isnan(mean) else float(np.round(mean))
        for name, mean in zip(of_numbers["variable"], of_numbers["mean"], strict=True)
    }
    labelled = whole[whole["category"].notna()]
    categories = {
        str(name): tuple(map(str, rows["category"])) for name, rows in labelled.groupby("variable", sort=False)
    }
    labels = {
        str(name): (str(label), str(unit))
        for name, label, unit in whole[["variable", "label", "unit"]]
        .drop_duplicates("variable")
        .itertuples(index=False)
    }
    return numbers, categories, labels


def _kinds(cohort: Cohort) -> tuple[str, ...]:
    table = events_by_protocol(cohort).table  # empty where the planning cohort records none: the sites may
    return tuple(dict.fromkeys([SERIOUS, OTHER, *table["event"].astype("str")]))


def _modalities(cohort: Cohort) -> tuple[str, ...]:
    found = session_entries(cohort, [])["modality"].dropna()
    return tuple(sorted(map(str, found.unique())))


def _programme_weeks(cohort: Cohort) -> tuple[float, ...]:
    weeks = session_entries(cohort, [])["week"].dropna()
    if not len(weeks):
        return ()
    spare = np.arange(1, _SPARE_WEEKS + 1) + float(weeks.max())
    return tuple(np.unique([*pd.unique(weeks), *spare]).tolist())

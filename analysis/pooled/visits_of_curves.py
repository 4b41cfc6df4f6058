"""The visits that the recovery curves of all parts are fitted to, their moments, and who of them is left out."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from analysis.cohort.tables import Cohort
from analysis.cohort.visit_frame import visit_frame
from analysis.curves.formula.part_summaries import VisitColumns, moments_of_part, profiles_of_part
from analysis.curves.rows.covariate import Covariate
from analysis.curves.rows.moments import VisitMoments
from analysis.curves.rows.small_cells import Profile, kept_profiles
from analysis.errors import CohortError
from analysis.pooled.agreed import PoolingPlan


def curve_visits(cohort: Cohort, plan: PoolingPlan) -> pd.DataFrame:
    """Give the visits after the start with a value and, where the curves are adjusted for it, a baseline.

    Parameters
    ----------
    cohort : Cohort
        Patients of a part, with the columns that the curves are adjusted for.
    plan : PoolingPlan

    Returns
    -------
    pandas.DataFrame
        One row a visit: patient_id, week, value, and the columns of the plan.

    Raises
    ------
    CohortError
        A column is not there.
    """
    visits = visit_frame(cohort, plan.endpoint.measure.name, plan.endpoint.limb)
    visits = visits[visits["value"].notna() & visits["protocol"].notna()]
    columns = [one.name for one in plan.moments.covariates]
    lacking = [name for name in columns if name not in visits]
    if lacking:
        raise CohortError(
            f"The curves are adjusted for {lacking[0]!r}, which this part has not.",
            where=f"table patients; plan {plan.digest}",
            what_to_do="Add the column, or agree on a plan without it.",
        )
    after = visits[(visits["week"] > 0) & visits[columns].notna().all(axis=1)]
    return after[["patient_id", "week", "value", *columns]].reset_index(drop=True)


def curve_moments(visits: pd.DataFrame, plan: PoolingPlan) -> tuple[VisitMoments | None, int]:
    """Sum the visits by the plan, without the patients whose pattern of visits or level few have.

    Few of all sites, where the plan says who stays; few of this part otherwise.

    Returns
    -------
    tuple of VisitMoments or None, and int
        The moments, None where nobody stays; and the patients left out.
    """
    if not len(visits):
        return None, 0
    kept = set(plan.kept) if plan.kept is not None else kept_profiles(curve_profiles(visits, plan), plan.k)
    if not kept:
        return None, int(visits["patient_id"].nunique())
    found = moments_of_part(visits, _columns(plan), plan.moments, kept)
    return found.moments, found.left_out


def curve_profiles(visits: pd.DataFrame, plan: PoolingPlan) -> Counter[Profile]:
    """Count the patients of a part by pattern of visits and levels, for the first round."""
    return profiles_of_part(visits, _columns(plan), plan.moments).counts if len(visits) else Counter()


def _columns(plan: PoolingPlan) -> VisitColumns:
    return VisitColumns(plan.moments.fixed, plan.moments.patient, plan.moments.week)


def of_somebody(moments: VisitMoments) -> VisitMoments:
    """Give moments with only the weeks at which somebody was seen, and the levels of patients that somebody has.

    A plan names those of all sites, and of the days to come; of the others a model can say nothing.
    """
    n = len(moments.patient_labels)
    seen = moments.seen.any(axis=0)
    kept = np.flatnonzero(np.concatenate([np.ones(n, dtype=bool), np.tile(seen, len(moments.visit_labels) + 1)]))
    there = dict(zip(moments.patient_labels, moments.products[:, 0, :n].sum(axis=0) > 0, strict=True))
    covariates = tuple(
        replace(
            one,
            levels=one.levels
            if one.levels is None or one.scope != "patient"
            else tuple(level for level in one.levels if there[f"{one.name}[{level}]"]),
            by_week=None if one.by_week is None else tuple(np.array(one.by_week, dtype=object)[seen]),
        )
        for one in moments.covariates
    )
    return replace(
        moments,
        covariates=covariates,
        weeks=moments.weeks[:, seen],
        seen=moments.seen[:, seen],
        products=moments.products[:, kept[:, None], kept],
        distinct_weeks=moments.distinct_weeks[seen],
    )


def moments_to_json(moments: VisitMoments | None) -> dict[str, Any] | None:
    """Give moments gathered by a plan as plain lists: what the plan does not say."""
    if moments is None:
        return None
    upper = np.triu_indices(moments.products.shape[1])
    return {
        "patient_labels": list(moments.patient_labels),
        "visit_labels": list(moments.visit_labels),
        "shifts": moments.patient_shifts.tolist(),
        "means": {one.name: None if np.isnan(one.mean) else one.mean for one in moments.covariates},
        "seen": ["".join("1" if one else "0" for one in row) for row in moments.seen],
        "patients": moments.counts.astype(int).tolist(),
        "products": [row[upper].tolist() for row in moments.products],
        "dropped": moments.dropped,
        "left_out": moments.left_out,
    }


def moments_of_json(data: Mapping[str, Any] | None, plan: PoolingPlan) -> VisitMoments | None:
    """Read what :func:`moments_to_json` gave.

    Raises
    ------
    KeyError, TypeError, ValueError
        It holds no moments of this plan.
    """
    if data is None:
        return None
    agreed = plan.moments
    weeks = np.array(agreed.weeks, dtype=float)
    labels, visit_labels = tuple(map(str, data["patient_labels"])), tuple(map(str, data["visit_labels"]))
    size = len(labels) + (len(visit_labels) + 1) * weeks.size
    counts = np.array(data["patients"], dtype=float)
    seen = np.array([[one == "1" for one in row] for row in data["seen"]], dtype=bool).reshape(len(counts), weeks.size)
    upper = np.triu_indices(size)
    found = np.array(data["products"], dtype=float).reshape(len(counts), len(upper[0]))
    if not (np.isfinite(found).all() and (counts == np.rint(counts)).all() and (counts > 0).all()):
        raise ValueError("moments with a number that is none, or a pattern without patients")
    products = np.zeros((len(counts), size, size))
    products[:, upper[0], upper[1]] = found
    products[:, upper[1], upper[0]] = found
    if not np.array_equal(products[:, 0, 0], counts):
        raise ValueError("moments whose patients are not those of their patterns")
    return _of_plan(
        plan, labels, visit_labels, np.array(data["shifts"], dtype=float), seen, counts, products, data["means"],
        int(data["dropped"]), int(data["left_out"]),
    )  # fmt: skip


def _of_plan(
    plan: PoolingPlan,
    labels: tuple[str, ...],
    visit_labels: tuple[str, ...],
    shifts: np.ndarray,
    seen: np.ndarray,
    counts: np.ndarray,
    products: np.ndarray,
    means: Mapping[str, float | None],
    dropped: int,
    left_out: int,
) -> VisitMoments:
    agreed = plan.moments
    weeks = np.array(agreed.weeks, dtype=float)
    if shifts.shape != (len(labels),):
        raise ValueError("a shift for each column")
    covariates = tuple(
        Covariate(one.name, one.scope, one.levels, np.nan if means[one.name] is None else float(means[one.name] or 0.0), one.by_week)
        for one in agreed.covariates
    )  # fmt: skip
    return VisitMoments(
        outcome="value", week=agreed.week, patient=agreed.patient, covariates=covariates, patient_labels=labels,
        visit_labels=visit_labels, patient_shifts=shifts, outcome_shift=agreed.outcome_shift, weeks=weeks[None, :], seen=seen,
        counts=counts, products=products, distinct_weeks=weeks, scheduled=True, duplicates=0, dropped=dropped, plan=agreed.digest,
        left_out=left_out,
    )  # fmt: skip

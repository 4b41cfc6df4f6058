"""Patients of a part by pattern of visits and level, and the moments of those who stay, as was settled for all parts together."""

from __future__ import annotations

from collections import Counter
from collections.abc import Set as AbstractSet
from typing import TYPE_CHECKING

import numpy as np

from analysis.curves.formula.design import described_rows
from analysis.curves.formula.formula_columns import interactions
from analysis.curves.formula.gathered import gathered_part
from analysis.curves.rows.small_cells import Profile, profiles

if TYPE_CHECKING:
    import pandas as pd

    from analysis.curves.rows.moment_plan import MomentPlan
    from analysis.curves.rows.moments import VisitMoments


def profile_counts(visits: pd.DataFrame, plan: MomentPlan) -> Counter[Profile]:
    """Count the patients of a part by their profile: weeks seen, and the level of each category.

    Parameters
    ----------
    visits : pandas.DataFrame
        One row a visit, as :func:`analysis.curves.visit_moments` takes it.
    plan : MomentPlan
        What was agreed.

    Returns
    -------
    Counter
        Patients by (weeks seen as bits, levels).

    Raises
    ------
    ModelError
        The part is not as was agreed.
    """
    rows, covariates, formula, _ = described_rows(visits, plan.fixed, patient=plan.patient, week=plan.week, plan=plan)
    found, place = profiles(rows, covariates, interactions(formula))
    return Counter(dict(zip(found, np.bincount(place, minlength=len(found)).tolist(), strict=True)))


def moments_of_kept(
    visits: pd.DataFrame, plan: MomentPlan, kept: AbstractSet[Profile] | None
) -> tuple[VisitMoments | None, int]:
    """Gather the moments of the patients of a part whose profile stays; None where nobody's does.

    Parameters
    ----------
    visits, plan
        As of :func:`profile_counts`.
    kept : set of (bytes, tuple of str), optional
        The profiles that stay; None for all.

    Returns
    -------
    tuple of VisitMoments or None, and int
        The moments, and the patients left out.
    """
    found, left_out, _ = gathered_part(
        visits, plan.fixed, plan.patient, plan.week, plan, None if kept is None else set(kept)
    )
    return found, left_out

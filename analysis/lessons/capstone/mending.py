"""Two ways to mend a cohort, each with a sentence on its record: values of one site changed, patients left out."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import pandas as pd

from analysis.cohort import Cohort
from analysis.counted import counted
from analysis.errors import CohortError, check_choice


def change_values(
    cohort: Cohort, measure: str, *, times: float = 1, plus: float = 0, site: str | None = None
) -> Cohort:
    """Bring the values of one measure to another scale, at one site or at all: value times a number, plus a number.

    Parameters
    ----------
    cohort : Cohort
        The cohort; it is left as it is.
    measure : str
        A measure that is stored.
    times, plus : float
        What values are multiplied by, and what is then added: 2.54 and 0 make centimetres of inches, -1 and 180 make the
        complement to 180 degrees.
    site : str, optional
        The site; all of them by default.

    Returns
    -------
    Cohort
        A new cohort, with what was done among the steps of its provenance.

    Raises
    ------
    CohortError
        The measure or the site is not in the cohort.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> cohort = generate_cohort("knee replacement", patients=30, seed=1).observed
    >>> change_values(cohort, "knee_flexion", times=-1, plus=180, site="site A").provenance.steps[-1][:44]
    'Changed by hand: knee_flexion at site A x -1'
    """
    check_choice(
        measure, cohort.visits["measure"].astype(str).unique(), "measure", error=CohortError, where="change_values"
    )
    rows = cohort.visits["measure"].eq(measure)
    if site is not None:
        rows &= cohort.visits["patient_id"].isin(patients_at(cohort, site))
    visits = cohort.visits.copy()
    visits.loc[rows, "value"] = visits.loc[rows, "value"] * times + plus
    where = "all sites" if site is None else site
    step = f"Changed by hand: {measure} at {where} x {times:g} + {plus:g}, {counted(int(rows.sum()), 'value')}."
    return replace(cohort, visits=visits, provenance=cohort.provenance.with_step(step))


def leave_out(cohort: Cohort, patients: Iterable[str]) -> Cohort:
    """Leave patients out, in every table.

    Parameters
    ----------
    cohort : Cohort
        The cohort; it is left as it is.
    patients : iterable of str
        Their identifiers.

    Returns
    -------
    Cohort
        A new cohort, with what was done among the steps of its provenance.

    Raises
    ------
    CohortError
        One of them is not in the cohort.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> len(leave_out(generate_cohort(patients=30, seed=1).observed, ["p0001"]).patients)
    29
    """
    gone = set(patients)
    for one in sorted(gone - set(cohort.patients["patient_id"])):
        raise CohortError(
            f"There is no patient {one!r}.",
            where="leave_out",
            what_to_do="Give identifiers of the table of patients, in a list.",
        )
    step = f"Left out by hand: {counted(len(gone), 'patient')}."
    return replace(_kept(cohort, gone), provenance=cohort.provenance.with_step(step))


def patients_at(cohort: Cohort, site: str) -> pd.Series:
    """Give the identifiers of the patients of one site.

    Raises
    ------
    CohortError
        The cohort has no such site.
    """
    sites = cohort.patients["site"].astype(str) if "site" in cohort.patients else pd.Series(dtype="str")
    check_choice(site, sorted(sites.unique()), "site", error=CohortError, where="patients of a site")
    return cohort.patients.loc[sites == site, "patient_id"]


def _kept(cohort: Cohort, gone: set[str]) -> Cohort:
    tables = {
        str(name): frame[~frame["patient_id"].isin(gone)].reset_index(drop=True)
        for name, frame in cohort.tables()
        if "patient_id" in frame
    }
    return replace(cohort, **tables)  # type: ignore[arg-type]

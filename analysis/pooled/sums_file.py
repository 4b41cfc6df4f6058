"""Sums of a part written to a file, to be added to those of other parts another time."""

from __future__ import annotations

from pathlib import Path

from analysis.pooled.agreed import PoolingPlan
from analysis.pooled.sites.sealed import not_sent, read_sealed, write_sealed
from analysis.pooled.sums import CohortSums, sums_of_json

FORM = "kneecurve sums of a part, version 1"
_NOTE = "Counts are as they are, also from 1 to 10, and are no anonymous data."


def write_cohort_sums(sums: CohortSums, path: str | Path, *, overwrite: bool = False) -> Path:
    """Write sums as JSON, whole or not at all.

    Raises
    ------
    CohortError
        There is a file of that name, or it cannot be written.

    Examples
    --------
    >>> from pathlib import Path
    >>> from tempfile import TemporaryDirectory
    >>> from analysis.pooled import cohort_sums, plan_pooling
    >>> from synthetic_cohort import generate_cohort
    >>> cohort = generate_cohort(patients=60, seed=1).observed
    >>> plan = plan_pooling(cohort, "pain", week=26)
    >>> with TemporaryDirectory() as place:
    ...     file = write_cohort_sums(cohort_sums(cohort, plan), Path(place) / "sums.json")
    ...     read_cohort_sums(file, plan).n_patients
    60
    """
    data = {"form": FORM, "note": _NOTE, "kit": sums.plan.kit, "plan": sums.plan.digest, "sums": sums.to_json()}
    return write_sealed(data, path, overwrite=overwrite)


def read_cohort_sums(path: str | Path, plan: PoolingPlan) -> CohortSums:
    """Read sums that :func:`write_cohort_sums` wrote.

    Raises
    ------
    CohortError
        The file cannot be read, was changed, is of another plan or version, or holds a number that is none.
    """
    data = read_sealed(path, FORM, plan)
    try:
        return sums_of_json(plan, data["sums"])
    except (KeyError, TypeError, ValueError) as error:
        raise not_sent(path, str(error)) from None

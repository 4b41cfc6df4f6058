"""A cohort of some protocols, or of one group of patients: all tables keep the rows of the patients who are left."""

from collections.abc import Sequence
from dataclasses import replace

from analysis.cohort.tables import Cohort
from analysis.errors import ModelError
from analysis.outcomes.comparisons.subgroups import groups_of_patients


def patients_of(
    cohort: Cohort, *, protocols: Sequence[str] = (), by: str | None = None, group: str | None = None
) -> Cohort:
    """Give the cohort of the patients with one of the protocols, and of one group.

    Parameters
    ----------
    cohort : Cohort
    protocols : sequence of str
        Protocols kept; all where none is named.
    by, group : str, optional
        Column of the patients ("sex"; a number with its cut, "age_years 30") and the group kept ("female", "30 or more").
        Patients of whom it is not known are left out.

    Returns
    -------
    Cohort
        The same tables with fewer rows. Its reference is that of the cohort where that is among the protocols.

    Raises
    ------
    ModelError
        There is no such protocol, column or group, one of ``by`` and ``group`` is missing, or nobody is left.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> cohort = generate_cohort(patients=60, seed=1).observed
    >>> some = patients_of(cohort, protocols=["home stimulation"])
    >>> some.patients["protocol"].unique().tolist()
    ['home stimulation']
    """
    if not protocols and by is None and group is None:
        return cohort
    people = cohort.patients
    known = [str(name) for name in people["protocol"].cat.categories]
    unknown = [name for name in protocols if name not in known]
    if unknown:
        raise ModelError(
            f"There is no protocol {unknown[0]!r}.",
            where="protocols",
            what_to_do=f"Name some of: {', '.join(known)}.",
        )
    kept = people["protocol"].astype("str").isin(list(protocols) or known)
    if (by is None) != (group is None):
        raise ModelError(
            "A group of patients has a characteristic and a name.",
            where=f"by: {by!r}, group: {group!r}",
            what_to_do="Give both, or neither.",
        )
    if by is not None:
        _, groups = groups_of_patients(cohort, by)
        names = [str(name) for name in groups.cat.categories]
        if group not in names:
            raise ModelError(
                f"There is no group {group!r}.", where=f"by: {by!r}", what_to_do=f"Name one of: {', '.join(names)}."
            )
        kept &= people["patient_id"].map(groups.astype("object")) == group
    if not kept.any():
        raise ModelError("No patient is left.", where="protocols and group", what_to_do="Look at more of them.")
    left = people[kept].reset_index(drop=True)
    left["protocol"] = left["protocol"].cat.remove_unused_categories()
    ids = set(left["patient_id"])
    tables = {
        name: None if table is None else table[table["patient_id"].isin(ids)].reset_index(drop=True)
        for name, table in (
            ("visits", cohort.visits), ("sessions", cohort.sessions), ("brace_limits", cohort.brace_limits),
            ("events", cohort.events),
        )
    }  # fmt: skip
    there = set(left["protocol"].astype("str"))
    reference = cohort.reference if cohort.reference in there else None
    return replace(cohort, patients=left, reference=reference, **tables)  # type: ignore[arg-type]

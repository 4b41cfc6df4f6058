"""Which protocol the others are compared with: one function decides for every comparison."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from analysis.cohort.findings import FindingList
from analysis.cohort.no_labels import no_labels
from analysis.cohort.recognition.trade_words import shown_cell
from analysis.cohort.tables import Cohort
from analysis.errors import ModelError


def reference_protocol(cohort: Cohort, protocol: pd.Series, named: str | None = None) -> str:
    """Give the protocol that the others are compared with.

    It is the one named for this comparison, otherwise that of the cohort, otherwise the first in the order of the data.
    Where all followed one protocol and none is named for the comparison, it is that one: nothing is compared. Of
    ``protocol``, of the patients or visits compared, unused categories do not count.

    Raises
    ------
    ModelError
        There is no such protocol among those compared, or nobody in any.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> cohort = generate_cohort(patients=30, seed=1).observed
    >>> reference_protocol(cohort, cohort.patients["protocol"])
    'exercise only'
    >>> reference_protocol(cohort, cohort.patients["protocol"], "home stimulation")
    'home stimulation'
    """
    names = [str(name) for name in used_protocols(protocol).cat.categories]
    if not names:
        raise ModelError("No patient has a protocol.", what_to_do="Check the column protocol of the patients.")
    chosen = named if named is not None else cohort.reference
    if chosen is None or (named is None and len(names) == 1):
        return names[0]
    if chosen not in names:
        raise ModelError(
            f"There is no protocol {chosen!r} to compare with."
            if named is not None
            else f"Nobody compared here followed {chosen!r}, the reference of the cohort.",
            where=f"protocols compared: {', '.join(names)}",
            what_to_do="Name one of them as the reference.",
        )
    return chosen


def used_protocols(protocol: pd.Series) -> pd.Series:
    """Give the protocols as categories in the order of the data, the ones without a patient left out.

    Examples
    --------
    >>> series = pd.Series(pd.Categorical(["b"], categories=["a", "b"]))
    >>> used_protocols(series).cat.categories.tolist()
    ['b']
    """
    return protocol.astype("category").cat.remove_unused_categories()


def patients_by_protocol(cohort: Cohort) -> pd.DataFrame:
    """Give patient_id and protocol of every patient, the protocols as :func:`used_protocols` gives them.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> list(patients_by_protocol(generate_cohort(patients=30, seed=1).observed))
    ['patient_id', 'protocol']
    """
    patients = cohort.patients
    return pd.DataFrame({"patient_id": patients["patient_id"], "protocol": used_protocols(patients["protocol"])})


def check_reference(tables: Mapping[str, pd.DataFrame], findings: FindingList, reference: str | None) -> None:
    """Find a reference that is not a protocol, or that no patient had."""
    patients = tables.get("patients")
    if reference is None or patients is None or "protocol" not in patients:
        return
    had = [str(name) for name in patients["protocol"].dropna().unique()]
    known = had
    if isinstance(patients["protocol"].dtype, pd.CategoricalDtype):
        known = [str(name) for name in patients["protocol"].cat.categories]
    known = [name for name in known if name not in no_labels(known)]
    if reference not in known:
        problem = (
            f"the reference {reference!r} is not one of the protocols: {', '.join(map(shown_cell, known)) or 'none'}"
        )
        advice = "Name one of them as the reference, in the map or under kneecurve in datapackage.json, or none."
        findings.add("error", "patients", problem, advice, column="protocol")
    elif reference not in had:
        problem = f"no patient had the reference {reference!r}"
        findings.add("warning", "patients", problem, "Name another one, or none.", column="protocol")

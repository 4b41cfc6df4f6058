"""What all pages of a network share: the quarter's study and the questions to the sites, computed once in a process."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from analysis.cohort.files.data_package import load_with_findings
from analysis.progress import steps
from analysis.quality import all_findings, check_values, unlikely_changes
from analysis.quarter.ledger.entries import read_ledger
from analysis.quarter.released_counts import as_release
from analysis.report.quarter.agreed.quarter_file import QUARTER_FILE
from analysis.report.quarter.beside import file_beside
from analysis.report.quarter.prepared.counted_folder import COHORT_FILE
from analysis.report.quarter.study import prepare_quarter
from analysis.report.running.record import record_inputs

if TYPE_CHECKING:
    from analysis.report.quarter.study import QuarterStudy


@dataclass(frozen=True, eq=False)
class Network:
    """The quarter of all clinics.

    Attributes
    ----------
    made_from : tuple
        Folder, hashes of its files, parameters, and the quarter file.
    study : QuarterStudy
        The quarter, of which a page shows one site.
    questions : pandas.DataFrame or None
        One row a question that is about a patient: site, patient_id, severity; None where the folder holds no patients.
    """

    made_from: tuple[Any, ...]
    study: QuarterStudy
    questions: pd.DataFrame | None


#: The last network, for the pages of its other clinics.
_KEPT: list[Network] = []


def network_of(folder: Path, parameters: Mapping[str, Any]) -> Network:
    """Give the quarter of a network; that of the page before where folder, parameters and what was released are the same."""
    agreed = file_beside(folder, parameters.get("quarter_file"), QUARTER_FILE)
    made_from = (
        folder.resolve(), record_inputs(folder), repr(sorted(parameters.items())),
        agreed.read_bytes() if agreed.is_file() else b"",
    )  # fmt: skip
    for one in _KEPT:
        if one.made_from == made_from and _stands(one.study):
            return one
    with steps("The quarter of all clinics") as step:
        study = prepare_quarter(folder, **parameters)
        step("questions to the sites")
        found = Network(made_from, study, _questions(folder) if (folder / COHORT_FILE).is_file() else None)
    _KEPT[:] = [found]
    return found


def _stands(study: QuarterStudy) -> bool:
    """Say whether the ledger is as it was when a study was made, but for the release of this study."""
    if study.released.small_counts != "hidden":
        return True
    now, was = read_ledger(study.releasing.path), study.releasing.ledger
    if now.releases == was.releases:
        return True
    mine = as_release(study.released)
    return now.releases[:-1] == was.releases == study.releasing.before and now.releases[-1].shows_the_same(mine)


def _questions(folder: Path) -> pd.DataFrame:
    cohort, checked = load_with_findings(folder)
    parts = [part for part in (check_values(cohort), unlikely_changes(cohort)) if len(part)]
    values = pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()
    found = all_findings(cohort, checked, values)
    return found.loc[found["patient_id"].ne(""), ["site", "patient_id", "severity"]]

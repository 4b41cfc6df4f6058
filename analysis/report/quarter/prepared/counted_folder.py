"""What a folder holds for a quarter's report, counted: a cohort, counts of a network, or aggregates."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pandas as pd

from analysis.cohort import Cohort, load_cohort
from analysis.cohort.files.paths import refuse_impossible_name
from analysis.cohort.provenance import Provenance
from analysis.errors import CohortError, ReportError
from analysis.quarter import AGGREGATES_FILE, QuarterCohort, QuarterCounts, quarter_indicators, read_aggregates
from analysis.quarter.network import NETWORK_FILE, read_combined

#: The file that makes a folder a cohort folder.
COHORT_FILE = "datapackage.json"


def counted_folder(
    folder: Path, options: dict[str, Any]
) -> tuple[QuarterCounts, Cohort | None, QuarterCohort | None, tuple[str, ...]]:
    """Count a cohort, or read the counts of a network or aggregates, whichever the folder holds."""
    refuse_impossible_name(folder)
    if (folder / COHORT_FILE).is_file():
        cohort = load_cohort(folder)
        found = quarter_indicators(cohort, **options)
        return found.counts, cohort, found, found.notes
    if (folder / NETWORK_FILE).is_file():
        return _network(folder, options)
    if (folder / AGGREGATES_FILE).is_file():
        return read_aggregates(folder / AGGREGATES_FILE), None, None, ("Counts as given in aggregates.csv.",)
    raise CohortError(
        "The folder holds neither a cohort nor aggregates.",
        where=str(folder),
        what_to_do=(
            "A quarter's outcomes need a cohort at the limited level (kneecurve import), because safe harbor forbids "
            f"quarters, or counts by month or quarter in a file {AGGREGATES_FILE}, or of several sites (kneecurve combine)."
        ),
    )


def _network(
    folder: Path, options: dict[str, Any]
) -> tuple[QuarterCounts, Cohort | None, QuarterCohort | None, tuple[str, ...]]:
    """Read the combined counts of a network; what was counted is settled there."""
    counts, shared = read_combined(folder)
    asked = [name for name in ("measure", "week", "threshold") if options[name] is not None]
    if asked:
        raise ReportError(
            f"What was counted is settled in the files of the sites; {', '.join(asked)} cannot be chosen here.",
            where=f"{folder.name}: {shared.definitions.label} at week {shared.definitions.week:g}",
            what_to_do="Leave the parameter out, or let the sites count again (kneecurve aggregate).",
        )
    nobody = pd.DataFrame({"patient_id": [], "protocol": []})
    origin = Provenance(sources=shared.files)
    visits = pd.DataFrame({"patient_id": [], "week": [], "measure": [], "limb": [], "value": []})
    how = f"Counts of {len(shared.sites)} sites, each counted where its patients are, added up by kneecurve combine."
    open_cells = len(shared.unknown)
    more = f"Sites gave {open_cells:,} counts within limits only; what holds one of them is missing, never guessed."
    notes = (*shared.notes, how, *([more] if open_cells else []))
    return counts, Cohort(nobody, visits, provenance=origin, privacy="limited"), None, notes


def without_patients(cohort: Cohort) -> Cohort:
    """Give a cohort without its patients, for provenance."""
    # What was done to the data may name small counts; it stays with the cohort.
    origin = replace(cohort.provenance, parameters=dict(cohort.provenance.parameters), steps=())
    return Cohort(
        cohort.patients.iloc[:0], cohort.visits.iloc[:0], measures=cohort.measures, provenance=origin,
        privacy=cohort.privacy, counted_from=cohort.counted_from, as_of=cohort.as_of,
    )  # fmt: skip

"""What a report was made from, as the report shows it: enough to make it again and to see that it is the same."""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import pandas as pd

from analysis.cohort import Cohort
from analysis.report.forms.digest import REPEAT_OPENING, VERSIONS_TABLE
from analysis.report.parts.passages import Passage, Section
from analysis.report.parts.tables import Column, Table
from analysis.report.running.record import NOT_INSTALLED, command_to_repeat, record_inputs, versions
from analysis.report.running.told_paths import without_home


def show_provenance(
    cohort: Cohort, folder: Path, *, report: str, parameters: Mapping[str, Any], changed: Mapping[str, Any]
) -> Section:
    """Say what a report was made from, in sentences, then tables of input files, parameters and versions.

    ``parameters`` are all with the values used, ``changed`` those that are not at their default.
    """
    origin = cohort.provenance
    if origin.scenario is not None:
        source = (
            f"The cohort is invented: scenario “{origin.scenario}”, seed {origin.seed}. It can be made again with "
            f"synthetic_cohort.generate_cohort. No number in this report is a finding about any treatment."
        )
    elif origin.sources:
        names = ", ".join(item.name for item in origin.sources)
        source = f"The cohort was imported from {names}."
    else:
        source = "The cohort does not say where it came from."
    level = (
        "De-identification level: safe-harbor (no element of a date but the year, no identifier)."
        if cohort.privacy == "safe-harbor"
        else "De-identification level: limited. This report must stay within the organisation that holds the data."
    )
    command = without_home(command_to_repeat(report, folder.resolve().name, changed))
    found = versions()
    again = repeatable_in_words(report, invented=origin.scenario is not None, versions=found)
    sentences = Passage((source, level, f"{REPEAT_OPENING}{command}", again))
    steps = (Passage(tuple(origin.steps), "items"),) if origin.steps else ()
    inputs = [(item, "source file") for item in origin.sources]
    inputs += [(item, "cohort folder") for item in record_inputs(folder)]
    read = "Files read, with the first 16 digits of their SHA-256 hashes; the record has them whole."
    files = [(item.name, where, item.n_bytes, item.sha256[:16]) for item, where in inputs]
    used = [(name, "none" if value is None else without_home(repr(value))) for name, value in parameters.items()]
    tables = (
        _listing("files", read, files, {"file": "File", "where": "Where", "bytes": "Bytes", "sha256": "SHA-256"}),
        _listing("parameters", "Parameters of the report.", used, {"parameter": "Parameter", "value": "Value"}),
        _listing(VERSIONS_TABLE, "Versions.", list(found.items()), {"package": "Package", "version": "Version"}),
    )
    return Section((sentences, *steps, *tables))


def _listing(name: str, caption: str, rows: Sequence[tuple[Any, ...]], labels: dict[str, str]) -> Table:
    data = pd.DataFrame(rows, columns=list(labels))
    shown = [Column(one, label, "count" if one == "bytes" else "text") for one, label in labels.items()]
    return Table(data, caption, tuple(shown), name=name)


def repeatable_in_words(report: str, *, invented: bool, versions: Mapping[str, str]) -> str:
    """Say whether a report can be made again from its record: ``invented`` where its scenario and seed are known.

    Examples
    --------
    >>> repeatable_in_words("protocol_comparison", invented=False, versions={"kneecurve": "1"})[:70]
    'kneecurve repeat protocol_comparison.json makes it again from its reco'
    """
    unknown = [name for name, version in versions.items() if version == NOT_INSTALLED]
    if unknown:
        return (
            f"It cannot be said that it can be made again: the version of {', '.join(unknown)} is not known, since it "
            "was not installed as a package."
        )
    needs = (
        "; where the cohort folder is gone, it makes the cohort again from the scenario and its seed"
        if invented
        else ", as long as the files of the cohort folder are unchanged (their hashes are below)"
    )
    return (
        f"kneecurve repeat {report}.json makes it again from its record with the versions below{needs}. It compares every "
        "table, figure and sentence and says whether they are equal; that was not tried when this report was made."
    )

"""The file that a site sends: JSON with definitions and counts and without patients; written, and read strictly."""

from __future__ import annotations

import datetime
import json
import math
import os
import re
from dataclasses import asdict, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from analysis.cohort.files.paths import refuse_no_file
from analysis.cohort.files.settings_files import read_json
from analysis.cohort.provenance import Source, describe_source
from analysis.cohort.recognition.site_names import one_name_a_site
from analysis.errors import CohortError
from analysis.quarter.network.intervals import tightened
from analysis.quarter.network.shared_counts import Definitions, ExpectedSums, SharedCounts, as_plain, from_plain
from analysis.quarter.periods import every_period
from analysis.statistics.small_counts import LARGEST_HIDDEN, SMALLEST_HIDDEN
from analysis.writing.texts import write_text

if TYPE_CHECKING:
    from collections.abc import Sequence

#: Name and version of the form; a file of another version is not read.
FORM, VERSION = "kneecurve counts by period and site", 1
#: What stands in the place of a small count, and of one that would give it away.
SMALL, BESIDE = f"<{LARGEST_HIDDEN + 1}", "hidden"
AS_THEY_ARE = (
    "Counts are as they are, also from 1 to 10: for the combining office only, under an agreement, and not for release."
)
ARE_HIDDEN = (
    f'Counts from 1 to 10 are written as "{SMALL}" or, where that would give one of them away, as "{BESIDE}", like others beside '
    "them. For the combining office, under an agreement; hidden counts are of single sites and quarters, and are not to be guessed."
)
#: Whole counts agree with their sums to this.
_NEAR = 1e-6


def write_counts(counts: SharedCounts, file: str | os.PathLike[str], *, overwrite: bool = False) -> Path:
    """Write counts to a file, whole or not at all.

    Parameters
    ----------
    counts : SharedCounts
        Of :func:`analysis.quarter.network.aggregate` or :func:`analysis.quarter.network.combine`.
    file : path
        JSON file that is written.
    overwrite : bool
        Whether a file that is there is replaced.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    CohortError
        There is a file of that name already, or it cannot be written.
    """
    refuse_no_file(Path(file))
    return write_text(to_text(counts), Path(file), overwrite=overwrite)


def to_text(counts: SharedCounts) -> str:
    """Give the text of the file; ``docs/network-format.md`` explains every key."""
    said, expected = counts.definitions, counts.expected
    rows = [
        {
            "quantity": quantity,
            "site": site,
            "values": {
                str(period): _cell(float(low), float(high))
                for period, low, high in zip(one["period"], one["lower"], one["upper"], strict=True)
            },
        }
        for (quantity, site), one in counts.cells.groupby(["quantity", "site"], sort=False)
    ]
    data = {
        "form": FORM,
        "version": VERSION,
        "kit": counts.kit,
        "note": AS_THEY_ARE if counts.small_counts == "shown" else ARE_HIDDEN,
        "small_counts": counts.small_counts,
        "as_of": None if counts.as_of is None else counts.as_of.isoformat(),
        "definitions": {
            "measure": said.measure,
            "label": said.label,
            "week": said.week,
            "indicators": [as_plain(one) for one in said.indicators],
            "sums": [[total, list(parts)] for total, parts in said.sums],
            "not_counts": list(said.not_counts),
            "details": [as_plain(one) for one in said.details],
        },
        "notes": list(counts.notes),
        "files": [asdict(one) for one in counts.files],
        "not_yet": {quantity: list(periods) for quantity, periods in counts.not_yet.items()},
        "counts": rows,
        "case_mix": None
        if expected is None
        else {
            "model": expected.model,
            "words": expected.words,
            "indicator": expected.indicator,
            "expected": [
                {"site": site, "values": dict(zip(one["period"], one["expected"], strict=True))}
                for site, one in expected.table.groupby("site", sort=False)
            ],
        },
    }
    return json.dumps(data, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def _cell(lower: float, upper: float) -> float | int | str:
    """Write one cell: a whole number as one, a small count and what is hidden as texts, limits that are wider as two numbers."""
    if lower == upper:
        return int(lower) if float(lower).is_integer() else float(lower)
    if (lower, upper) == (SMALLEST_HIDDEN, LARGEST_HIDDEN):
        return SMALL
    if math.isnan(lower) or (lower == 0 and math.isinf(upper)):
        return BESIDE
    return f"{lower:.0f} or more" if math.isinf(upper) else f"{lower:.0f} to {upper:.0f}"


def read_counts(file: str | os.PathLike[str]) -> SharedCounts:
    """Read a file of counts; sites are in one spelling each.

    Parameters
    ----------
    file : path
        JSON file that :func:`write_counts` wrote.

    Returns
    -------
    SharedCounts
        The counts, hidden ones within limits that the sums of the file narrow.

    Raises
    ------
    CohortError
        The file cannot be read, is of another form or version, or its counts contradict each other; the message names the file.
    """
    path = Path(file)
    try:
        data = read_json(path)
    except OSError as error:
        raise CohortError(
            f"The counts cannot be read: {error.strerror}.", where=str(path), what_to_do="Check the path."
        ) from None
    except ValueError as error:
        raise _wrong(path, f"it is no valid JSON: {error}") from None
    if not isinstance(data, dict) or data.get("form") != FORM:
        raise _wrong(path, f'it does not begin with "form": "{FORM}"')
    if data.get("version") != VERSION:
        raise CohortError(
            f"The counts are of version {data.get('version')!r} of the form; this kit reads version {VERSION}.",
            where=path.name,
            what_to_do="Count again with the version of the kit that the combining office has.",
        )
    try:
        found = _parsed(data, path.name)
        return found if found.files else replace(found, files=(describe_source(path),))
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise _wrong(path, f"a part of it is missing or of another kind ({type(error).__name__}: {error})") from None


def _wrong(path: Path, why: str) -> CohortError:
    return CohortError(
        f"This is no file of counts: {why}.",
        where=str(path),
        what_to_do="Ask the site for the file that kneecurve aggregate wrote.",
    )


def _parsed(data: dict[str, Any], name: str) -> SharedCounts:
    said = data["definitions"]
    sums = tuple((_text(total), tuple(map(_text, parts))) for total, parts in said["sums"])
    definitions = Definitions(
        _text(said["measure"]), _text(said["label"]), float(said["week"]), tuple(map(from_plain, said["indicators"])),
        sums, tuple(map(_text, said["not_counts"])), tuple(map(from_plain, said["details"])),
    )  # fmt: skip
    rows = [
        (
            _text(one["quantity"]),
            period,
            _text(one["site"]),
            *_limits(value, _text(one["quantity"]) in definitions.not_counts),
        )
        for one in data["counts"]
        for period, value in one["values"].items()
    ]
    cells = pd.DataFrame(rows, columns=["quantity", "period", "site", "lower", "upper"])
    sites = one_name_a_site(cells["site"])
    if sites.collision or sites.joined:
        raise CohortError(
            f"Sites of one file cannot be told apart: {sites.collision or sites.joined}.",
            where=name,
            what_to_do="Ask the site to mend the names in its cohort and to count again.",
        )
    if cells.duplicated(["quantity", "period", "site"]).any():
        raise ValueError("a count that is there twice")
    if data["small_counts"] not in ("shown", "hidden"):
        raise ValueError("small_counts")
    every_period(cells["period"])
    _refuse_lacking(cells, definitions)
    mix = data["case_mix"]
    expected = None
    if mix is not None:
        lines = [(p, _text(one["site"]), _number(x)) for one in mix["expected"] for p, x in one["values"].items()]
        table = pd.DataFrame(lines, columns=["period", "site", "expected"])
        if (table["expected"] < 0).any():
            raise ValueError("an expected sum below zero")
        expected = ExpectedSums(_text(mix["model"]), _text(mix["words"]), _text(mix["indicator"]), table)
    as_of = data["as_of"]
    return SharedCounts(
        definitions, _narrowed(cells, definitions, name), {_text(q): tuple(map(_text, p)) for q, p in data["not_yet"].items()},
        data["small_counts"], None if as_of is None else datetime.date.fromisoformat(as_of), expected,
        tuple(map(_text, data["notes"])), _text(data["kit"]), name,
        tuple(Source(_text(one["name"]), _text(one["sha256"]), int(one["n_bytes"])) for one in data["files"]),
    )  # fmt: skip


def _refuse_lacking(cells: pd.DataFrame, definitions: Definitions) -> None:
    """Refuse a file that lacks a quantity in some period and site: what is not there would count as zero."""
    wanted = set(definitions.quantities)
    places = cells[["period", "site"]].drop_duplicates()
    there = cells.groupby("quantity").size()
    lacking = sorted(wanted - set(there[there == len(places)].index))
    if cells.empty or lacking:
        raise ValueError(f"counts of {lacking[0]!r}" if lacking else "counts")


def _narrowed(cells: pd.DataFrame, definitions: Definitions, name: str) -> pd.DataFrame:
    """Narrow the limits of hidden counts by the sums, place by place, and refuse counts that contradict each other."""
    counted = cells[~cells["quantity"].isin(definitions.not_counts)]
    parts = []
    for (period, site), one in counted.groupby(["period", "site"], sort=False):
        place = {quantity: position for position, quantity in enumerate(one["quantity"])}
        sums = positions_of(definitions.sums, place)
        lower, upper = tightened(one["lower"].to_numpy(), one["upper"].to_numpy(), sums)
        if (lower > upper + _NEAR).any():
            raise CohortError(
                f"The counts of {site} in {period} contradict each other: a total is not the sum of its parts.",
                where=f"{name}: {', '.join(one.loc[lower > upper + _NEAR, 'quantity'].head(3))}",
                what_to_do="Ask the site to count again; the file was changed after it was written.",
            )
        parts.append(one.assign(lower=lower, upper=upper))
    return pd.concat([*parts, cells[cells["quantity"].isin(definitions.not_counts)]]).loc[cells.index]


def positions_of(sums: Sequence[tuple[str, Sequence[str]]], place: dict[str, int]) -> list[tuple[int, list[int]]]:
    """Give sums between quantities by the positions of these."""
    return [(place[total], [place[part] for part in parts]) for total, parts in sums]


def _limits(value: Any, is_sum: bool) -> tuple[float, float]:
    if value == BESIDE:
        return (np.nan, np.nan) if is_sum else (0.0, np.inf)
    if value == SMALL and not is_sum:
        return float(SMALLEST_HIDDEN), float(LARGEST_HIDDEN)
    between = (
        re.fullmatch(r"(\d{1,9}) (?:to (\d{1,9})|or more)", value) if isinstance(value, str) and not is_sum else None
    )
    if between is not None:
        return float(between[1]), np.inf if between[2] is None else float(between[2])
    number = _number(value)
    if not is_sum and (number < 0 or not number.is_integer()):
        raise ValueError(f"{value!r} is no count")
    return number, number


def _number(value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise TypeError(f"{value!r} is no number")
    return float(value)


def _text(value: Any) -> str:
    if not isinstance(value, str):
        raise TypeError(f"{value!r} is no text")
    return value

"""Monthly or quarterly aggregates in place of a cohort: counts without patients, read and checked."""

from __future__ import annotations

import re
import warnings
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analysis.cohort.files.paths import refuse_no_file
from analysis.cohort.recognition.site_names import one_name_a_site
from analysis.errors import CohortError, CohortWarning
from analysis.quarter.counts import ALL_SITES, NO_SITE, Indicator, QuarterCounts
from analysis.quarter.periods import every_period

if TYPE_CHECKING:
    from pathlib import Path

AGGREGATES_FILE = "aggregates.csv"
REQUIRED = ("indicator", "period", "numerator", "denominator")
#: What may stand in a column of words.
ALLOWED = {
    "kind": ("share", "rate", "mean"),
    "role": ("outcome", "process", "balancing"),
    "better": ("higher", "lower", "neither"),
}
_LINES_NAMED = 5
_DEFAULTS = {"kind": "share", "role": "outcome", "better": "higher", "unit": ""}
_EXAMPLE = "indicator,kind,role,better,period,site,numerator,denominator"


def read_aggregates(path: Path) -> QuarterCounts:
    r"""Read counts by month or quarter.

    Parameters
    ----------
    path : Path
        CSV with the columns indicator, period (2026-Q1 or 2026-01), numerator, denominator, and optionally site, kind
        (share, rate, mean), role (outcome, process, balancing), better (higher, lower, neither), unit (of a rate for
        example "per 100 patients"), floor, target (of a share from 0 to 1, of a rate in its unit), and expected (of a
        case-mix model, for shares by site).

    Returns
    -------
    QuarterCounts
        The counts. Indicators with the same denominators everywhere share them, as a reader could.

    Raises
    ------
    CohortError
        A column is missing, or rows break a rule; every problem is named in one message.

    Examples
    --------
    >>> from pathlib import Path
    >>> from tempfile import TemporaryDirectory
    >>> with TemporaryDirectory() as folder:
    ...     file = Path(folder) / "aggregates.csv"
    ...     written = file.write_text("indicator,period,numerator,denominator\nImproved,2026-Q1,40,100\n")
    ...     counts = read_aggregates(file)
    >>> counts.indicators[0].label, counts.periods
    ('Improved', ['2026-Q1'])
    """
    refuse_no_file(path)
    try:
        rows = pd.read_csv(path, dtype=str, keep_default_na=False, encoding="utf-8")
    except (OSError, UnicodeDecodeError, pd.errors.ParserError, pd.errors.EmptyDataError) as error:
        raise CohortError(
            "The aggregates cannot be read.", where=f"{path.name}: {error}", what_to_do="Save them as CSV in UTF-8."
        ) from error
    missing = [name for name in REQUIRED if name not in rows]
    if missing or rows.empty:
        raise CohortError(
            f"The aggregates lack {', '.join(missing)}." if missing else "The aggregates hold no row.",
            where=f"{path.name}, columns there: {', '.join(rows.columns)}",
            what_to_do=f"Give a row an indicator, period and site, for example with the columns {_EXAMPLE}.",
        )
    for name, usual in _DEFAULTS.items():
        rows[name] = rows[name].str.strip().replace("", usual) if name in rows else usual
    sites = one_name_a_site(rows["site"] if "site" in rows else pd.Series("", index=rows.index))
    rows["site"] = sites.names.fillna("")
    if sites.joined:
        warnings.warn(CohortWarning(f"{path.name}: {sites.joined}."), stacklevel=2)
    rows["target_words"] = rows["target"].str.strip() if "target" in rows else ""
    for name in ("numerator", "denominator", "floor", "target", "expected"):
        rows[name] = pd.to_numeric(rows[name].str.strip(), errors="coerce") if name in rows else np.nan
    every_period(rows["period"])
    _refuse(rows, path.name, sites.collision)
    return _counts(rows)


def _refuse(rows: pd.DataFrame, name: str, collision: str) -> None:
    """Name every problem of the rows in one message, with the line, what stands there and what may."""
    share, counted = rows["kind"].eq("share"), ~rows["kind"].eq("mean")
    parted = rows[["numerator", "denominator"]].mod(1).ne(0)
    negative = rows["numerator"].where(counted, 0).lt(0) | rows["denominator"].lt(0)
    not_whole = parted["numerator"].where(counted, False) | parted["denominator"].mask(rows["kind"].eq("rate"), False)
    problems = {
        "an empty indicator": rows["indicator"].str.strip().eq(""),
        "no number in numerator or denominator": rows[["numerator", "denominator"]].isna().any(axis=1),
        "a count that is negative or not whole": negative | not_whole,
        "a numerator above its denominator": share & rows["numerator"].gt(rows["denominator"]),
        "an indicator, period and site that are there already": rows.duplicated(["indicator", "period", "site"]),
    }
    with_site = rows["site"].ne("").groupby(rows["indicator"]).transform("mean")
    problems["rows with and without a site for one indicator"] = with_site.between(0, 1, inclusive="neither")
    constant = rows.groupby("indicator")[["kind", "role", "better", "unit"]].transform("nunique").gt(1).any(axis=1)
    problems["an indicator with two kinds, roles, better sides or units"] = constant
    problems["a target that is no number"] = rows["target_words"].ne("") & ~np.isfinite(rows["target"])
    problems["a target of a share that is not from 0 to 1"] = share & ~rows["target"].fillna(0).between(0, 1)
    problems["an indicator with two targets"] = rows.groupby("indicator")["target"].transform("nunique").gt(1)
    found = [
        f"{column} is {text!r} and should be one of {', '.join(allowed)} ({_lines(rows.index[rows[column] == text])})"
        for column, allowed in ALLOWED.items()
        for text in rows.loc[~rows[column].isin(allowed), column].unique()
    ]
    found += [f"{what} ({_lines(rows.index[wrong])})" for what, wrong in problems.items() if wrong.any()]
    found += [collision] if collision else []
    if found:
        raise CohortError(
            ["The aggregates cannot be used:", *found],
            where=name,
            what_to_do="Correct these lines."
            + (" Write one site the same way; names of two differ by a letter or a number." if collision else ""),
        )


def _lines(index: pd.Index) -> str:
    more = f" and {len(index) - _LINES_NAMED:,} more" if len(index) > _LINES_NAMED else ""
    return f"line {', '.join(str(i + 2) for i in index[:_LINES_NAMED])}{more}"


def _counts(rows: pd.DataFrame) -> QuarterCounts:
    rows = rows.assign(site=rows["site"].where(rows["site"].ne(""), ALL_SITES))
    if rows["site"].ne(ALL_SITES).any():
        rows["site"] = rows["site"].replace(ALL_SITES, NO_SITE)
    indicators, frames, sums, not_counts = [], [], [], set()
    denominators: dict[tuple[tuple[str, str, float], ...], str] = {}
    for label, one in rows.groupby("indicator", sort=False):
        first = one.iloc[0]
        keys = one.sort_values(["period", "site"])[["period", "site", "denominator"]].itertuples(index=False, name=None)
        denominator = denominators.setdefault(tuple(keys), f"{label}: denominator")
        numerator = f"{label}: numerator"
        kind = str(first["kind"])
        place = one[["period", "site"]]
        frames.append(place.assign(quantity=numerator, value=one["numerator"]))
        if denominator == f"{label}: denominator":
            frames.append(place.assign(quantity=denominator, value=one["denominator"]))
        if kind == "share":
            rest = f"{label}: the others"
            frames.append(place.assign(quantity=rest, value=one["denominator"] - one["numerator"]))
            sums.append((denominator, (numerator, rest)))
        if kind == "mean":
            not_counts.add(numerator)
        indicators.append(
            Indicator(
                str(label), str(label), kind, str(first["role"]), str(first["better"]), numerator, denominator,  # type: ignore[arg-type]
                "numerator", "denominator", unit=str(first["unit"]), per=_per(kind, str(first["unit"])),
                floor=float(first["floor"]), target=float(one["target"].max()) / _per(kind, str(first["unit"])),
            )
        )  # fmt: skip
    return QuarterCounts(
        tuple(indicators), pd.concat(frames, ignore_index=True), tuple(sums), frozenset(not_counts),
        expected=_expected(rows),
    )  # fmt: skip


def _per(kind: str, unit: str) -> float:
    """Read the factor of a rate off its unit: 100 from "per 100 patients"."""
    found = re.match(r"per (\d+)\b", unit)
    return float(found[1]) if found and kind == "rate" else 1.0


def _expected(rows: pd.DataFrame) -> pd.DataFrame | None:
    """Keep what a case-mix model of the sender expected, by indicator, period and site."""
    given = rows[rows["expected"].notna() & rows["kind"].eq("share")]
    if given.empty:
        return None
    return given[["indicator", "period", "site", "numerator", "denominator", "expected"]].reset_index(drop=True)

"""Count a cohort for the office that combines: every quantity by period and site, without patients."""

from __future__ import annotations

import re
from dataclasses import replace
from importlib import metadata
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from analysis.cohort.follow_up.as_of import as_of_day
from analysis.cohort.recognition.site_names import one_name_a_site
from analysis.errors import CohortError
from analysis.quarter.harms import KIND
from analysis.quarter.indicators import quarter_indicators
from analysis.quarter.network.counts_file import positions_of
from analysis.quarter.network.intervals import limits_that_may_be_said
from analysis.quarter.network.shared_case_mix import SharedCaseMix, fit_case_mix
from analysis.quarter.network.shared_counts import Definitions, SharedCounts, SmallInFile
from analysis.statistics.small_counts import CellSystem, hide_small_cells

if TYPE_CHECKING:
    from analysis.cohort.tables import Cohort
    from analysis.quarter.counts import QuarterCounts
    from analysis.quarter.indicators import QuarterCohort

#: A note that says how many values are limits counts those of one site.
_COUNTS_LIMITS = re.compile(r"values of .* are limits \(")
#: What stands for the version where the kit was not installed as a package.
_NOT_INSTALLED = "not installed"


def aggregate(
    cohort: Cohort,
    *,
    site: str | None = None,
    small_counts: SmallInFile = "shown",
    case_mix: SharedCaseMix | None = None,
    fit: bool = False,
    **options: Any,
) -> tuple[SharedCounts, SharedCaseMix | None]:
    """Count the indicators of a quarter's report by period and site, to be added to those of other sites.

    Parameters
    ----------
    cohort : Cohort
        At the limited level, with the quarter of the start, as :func:`analysis.quarter.quarter_indicators` needs it.
    site : str, optional
        Name of the site in the network; needed where the cohort names none, and only where it has one site at most.
    small_counts : {"shown", "hidden"}
        "hidden" writes counts from 1 to 10 as "<11" where that gives none of them away, and as "hidden" otherwise, with others beside
        them that would.
    case_mix : SharedCaseMix, optional
        The model of the network, applied to the patients.
    fit : bool
        Whether such a model is fitted on this cohort, for the others.
    **options
        measure, week, threshold, enough_sessions, floor of :func:`analysis.quarter.quarter_indicators`; name measure and week, so
        that all sites count the same.

    Returns
    -------
    tuple of (SharedCounts, SharedCaseMix or None)
        The counts, and the model that was applied.

    Raises
    ------
    CohortError
        The cohort holds no quarter, or its site has no name, or the model is of another measure, week or threshold.
    ModelError
        Too few patients for a model that is shared.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> cohort = generate_cohort(patients=300, quarters=4, seed=2).observed
    >>> counts, model = aggregate(cohort, measure="ikdc", week=26, fit=True)
    >>> len(counts.sites), counts.definitions.measure, counts.expected.model == model.sha256
    (3, 'ikdc', True)
    """
    found = quarter_indicators(_named(cohort, site), **options)
    said = _definitions(found)
    outcome = next(one for one in said.indicators if one.name == "improved")
    model = case_mix
    if fit:
        where = " and ".join(sorted(found.patients["site"].astype("str").unique()))
        model = fit_case_mix(found.patients, measure=said.measure, week=said.week, indicator=outcome.label, where=where)
    if model is not None and (model.measure, model.week, model.indicator) != (said.measure, said.week, outcome.label):
        raise CohortError(
            "The case-mix model is of another outcome than these counts.",
            where=f"model: {model.indicator}; counts: {outcome.label}",
            what_to_do="Count the outcome of the model (--set measure=..., week=..., threshold=...), or agree on another model.",
        )
    counts = SharedCounts(
        said, _cells(found.counts), dict(found.counts.not_yet), small_counts, as_of_day(cohort),
        None if model is None else model.expected(found.patients),
        tuple(note for note in found.notes if not _COUNTS_LIMITS.search(note)), _kit(),
    )  # fmt: skip
    return (_with_small_hidden(counts) if small_counts == "hidden" else counts), model


def _kit() -> str:
    try:
        return metadata.version("kneecurve")
    except metadata.PackageNotFoundError:
        return _NOT_INSTALLED


def _named(cohort: Cohort, site: str | None) -> Cohort:
    """Give the cohort with a name for its site; patients whose site is not recorded cannot be told from those of other sites."""
    there = cohort.patients["site"].dropna().astype("str").unique().tolist() if "site" in cohort.patients else []
    if site is not None:
        name = one_name_a_site(pd.Series([site])).names.dropna()
        if len(there) > 1 or name.empty:
            raise CohortError(
                f"The cohort has {len(there)} sites, so that one name cannot stand for it."
                if len(there) > 1
                else "The site has no name.",
                where="--site",
                what_to_do="Leave it out, or give the cohort of one site." if len(there) > 1 else "Name it.",
            )
        return replace(cohort, patients=cohort.patients.assign(site=str(name.iloc[0])))
    if not there or cohort.patients["site"].isna().any():
        n = len(cohort.patients) if not there else int(cohort.patients["site"].isna().sum())
        raise CohortError(
            f"Of {len(cohort.patients):,} patients {n:,} have no site: a network could not tell them from those of others.",
            where="table patients, column site",
            what_to_do="Name the site: --site NAME, where all are of one; otherwise fill the column.",
        )
    return cohort


def _definitions(found: QuarterCohort) -> Definitions:
    """Say what was counted; kinds of harms, which every site names for itself, stay there."""
    counts = found.counts
    return Definitions(
        found.measure, found.label, float(found.week), counts.indicators,
        tuple((total, parts) for total, parts in counts.sums if not any(part.startswith(KIND) for part in parts)),
        tuple(sorted(counts.not_counts)), tuple(one for one in counts.details if not one.name.startswith(KIND)),
    )  # fmt: skip


def _cells(counts: QuarterCounts) -> pd.DataFrame:
    """Give every quantity in every period and site, zero where nothing was counted."""
    parts = []
    for quantity in dict.fromkeys(counts.table["quantity"].astype("str")):
        if quantity.startswith(KIND):
            continue
        matrix = counts.matrix(quantity).rename_axis(index="period", columns=None).reset_index()
        long = matrix.melt(id_vars="period", var_name="site", value_name="lower")
        parts.append(long.assign(quantity=quantity, upper=long["lower"]))
    cells = pd.concat(parts, ignore_index=True)[["quantity", "period", "site", "lower", "upper"]]
    return cells.astype({"period": "str", "site": "str"})


def _with_small_hidden(counts: SharedCounts) -> SharedCounts:
    """Hide counts from 1 to 10 and those beside them, sums of values of so few, and what is expected of them."""
    cells, said = counts.cells.copy(), counts.definitions
    whole = ~cells["quantity"].isin(said.not_counts).to_numpy()
    keys = list(cells[["quantity", "period", "site"]].itertuples(index=False, name=None))
    hidden = np.zeros(len(cells), dtype=bool)
    lower, upper = cells["lower"].to_numpy(copy=True), cells["upper"].to_numpy(copy=True)
    for at in (
        cells[whole].reset_index().groupby(["period", "site"], sort=False)["index"]
    ):  # no sum goes beyond one place
        rows = at[1].to_numpy()
        place = {quantity: position for position, quantity in enumerate(cells.loc[rows, "quantity"])}
        sums = positions_of(said.sums, place)
        system = CellSystem.of(lower[rows], sums)
        away = hide_small_cells(system)
        lower[rows], upper[rows] = limits_that_may_be_said(lower[rows], away, system.small, sums)
        hidden[rows] = away
    cells = cells.assign(lower=lower, upper=upper)
    gone = {key for key, away in zip(keys, hidden, strict=True) if away}
    for one in said.indicators:
        if one.numerator in said.not_counts:
            few = [q == one.numerator and (one.denominator, period, site) in gone for q, period, site in keys]
            cells.loc[few, ["lower", "upper"]] = np.nan
    expected = counts.expected
    if expected is not None:
        of = next(one for one in said.indicators if one.label == expected.indicator)
        shown = [
            not {(of.numerator, period, site), (of.denominator, period, site)} & gone
            for period, site in zip(expected.table["period"], expected.table["site"], strict=True)
        ]
        expected = replace(expected, table=expected.table[shown].reset_index(drop=True))
    return replace(counts, cells=cells, expected=expected)

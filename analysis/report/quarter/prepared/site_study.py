"""The sites of a quarter's report, computed once: funnels, and observed against expected."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from analysis.errors import ModelError
from analysis.quarter import CaseMix, Funnel, Indicator, QuarterCounts, ReleasedCounts, case_mix, funnel, release
from analysis.quarter.network import CombinedCounts
from analysis.quarter.periods import period_number
from analysis.quarter.released_counts import WINDOW, SmallCounts, site_slice
from analysis.quarter.sites.site_effects import scale_expected, shrink

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd

    from analysis.quarter.blocks import Block
    from analysis.quarter.ledger.entries import Release


def site_funnel(released: ReleasedCounts, compared: Indicator | None) -> tuple[Funnel | None, str]:
    """Set the sites about the whole; where there is no funnel, say what is not there."""
    if compared is None:
        return None, "an outcome that is a share of patients. Sites cannot be compared."
    if len(released.sites) < 2:
        return None, "a second site, so there is nothing to compare."
    whole = released.of(compared, [WINDOW]).iloc[0]
    try:
        known, shown = bool(np.isfinite(whole["value"])), _shown_sites(released, compared)
        if not known and len(shown) < 2:
            return None, "a second site whose counts may be shown, or the whole. Sites cannot be compared."
        target, among = (float(whole[name]) if known else None for name in ("value", "denominator"))
        return funnel(shown, "rate" if compared.kind == "rate" else "share", target=target, among=among), ""
    except ModelError as error:
        return None, f"sites that may be shown. {error.what}"


def _shown_sites(released: ReleasedCounts, compared: Indicator) -> pd.DataFrame:
    sites = released.by_site(compared)
    return sites[sites["value"].notna()]


def release_by_sites(
    counts: QuarterCounts,
    quarter: str,
    *,
    baseline: Sequence[str],
    window: Sequence[str],
    compared: Indicator | None,
    small_counts: SmallCounts,
    earlier: Sequence[Release] = (),
    stored: bool = False,
    blocks: Sequence[Block] = (),
) -> ReleasedCounts:
    """Hide what must not be shown: first with the sites by the main indicator alone, then by every share and rate.

    What the first release shows is shown in the second, which hides the other indicators by site before it; where that
    cannot be, the first one stands, and the others are not shown by site. Over blocks the main indicator alone is shown.
    """
    main = [compared.name] if compared is not None else []

    def made(by_site: list[str], keep: ReleasedCounts | None = None) -> ReleasedCounts:
        return release(
            counts, quarter, baseline=baseline, window=window, by_site=by_site, keep=keep, small_counts=small_counts,
            earlier=earlier, stored=stored, blocks=blocks if main else (), over_blocks=main,
        )  # fmt: skip

    first = made(main)
    more = [one.name for one in counts.indicators if one.kind != "mean" and one.name not in main]
    if small_counts == "shown" or len(counts.sites) < 2 or not more:
        return first
    every = made([*main, *more], first)
    lost = every.table["hidden"] & ~first.table["hidden"]
    return first if lost.any() else every


def other_funnels(released: ReleasedCounts, compared: Indicator | None) -> dict[str, Funnel | None]:
    """Set the sites about the whole by every share and rate but the main one; None where no site may be shown."""
    if len(released.sites) < 2:
        return {}
    others = [one for one in released.indicators if one.kind != "mean" and one != compared]
    return {one.name: site_funnel(released, one)[0] for one in others}


def site_case_mix(
    released: ReleasedCounts,
    compared: Indicator | None,
    patients: pd.DataFrame | None,
    counts: QuarterCounts,
    level: float,
) -> tuple[CaseMix | None, str]:
    """Adjust the sites for the case mix of their patients; where that cannot be, say what is not there."""
    if compared is None or len(released.sites) < 2:
        return None, "a second site, so there is nothing to adjust."
    whole = released.of(compared, [WINDOW]).iloc[0]
    shown = _shown_sites(released, compared)
    if shown.empty or not 0 < whole["value"] < 1:
        return None, "sites whose counts may be shown, or both outcomes. Nothing can be adjusted."
    if released.of(compared, [site_slice(one) for one in shown["site"]])["as_released"].any():
        return None, (  # the patients are those of now, and their numbers would tell what came late
            "counts of every site as they were released: late data changed some by too few patients to be told. Nothing is adjusted."
        )
    if patients is None:
        return _expected_as_given(released, compared, counts, shown, float(whole["value"]), level)
    compared_now = patients["quarter"].isin(released.window)
    known = patients["quarter"].map(period_number) <= period_number(released.window[-1])
    try:
        found = case_mix(
            patients[known], compared=compared_now[known], shown=shown["site"].tolist(), share=float(whole["value"]),
            level=level,
        )  # fmt: skip
    except ModelError as error:
        return None, f"enough to adjust for the case mix. {error.what}"
    return found, ""


def _expected_as_given(
    released: ReleasedCounts,
    compared: Indicator,
    counts: QuarterCounts,
    shown: pd.DataFrame,
    share: float,
    level: float,
) -> tuple[CaseMix | None, str]:
    expected, shared = counts.expected, isinstance(counts, CombinedCounts)
    given = "a case-mix model of the network" if shared else "column expected of the aggregates"
    missing = f"what the case mix would lead one to expect ({given}). Nothing can be adjusted."
    if expected is None:
        return None, missing
    inside = expected[expected["indicator"].eq(compared.label) & expected["period"].isin(released.window)]
    sums = inside.groupby("site")[["denominator", "numerator", "expected"]].sum()
    whole = released.of(compared, [WINDOW]).iloc[0]["numerator"]
    sums["expected"] = scale_expected(sums["denominator"], sums["expected"], whole)
    sums = sums.loc[[one for one in shown["site"] if one in sums.index]].reset_index()
    if sums.empty:
        return None, missing
    table = sums.rename(columns={"denominator": "n", "numerator": "observed"})
    chances = [np.full(int(n), expected / n) for n, expected in zip(table["n"], table["expected"], strict=True)]
    table, between = shrink(table, chances, share, level=level)
    by = "with the aggregates, by a model of the sender"
    if isinstance(counts, CombinedCounts):
        by = f"by the sites, by a model that they share ({counts.expected_words.rstrip('.')})"
    notes = (
        (
            f"Expected counts as given {by}; their log odds were moved, all alike, so "
            "that they add up to what was observed. Patients of a site are taken to be alike."
        ),
        "Estimates are shrunk towards the whole. Sites stand by name: the intervals do not support a ranking.",
    )
    return CaseMix(table, (), share, between, float("nan"), notes=notes), ""

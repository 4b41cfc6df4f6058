"""Sites by every share and rate: what is said is what was planted, and the main figures lose nothing by it."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from analysis.quarter import quarter_indicators, release
from analysis.quarter.periods import every_period
from analysis.report import Figure, Passage, Table, quarter
from analysis.report.quarter.prepared.site_study import release_by_sites
from synthetic_cohort import generate_cohort


def aggregates(folder, levels, *, sites=12, n=100, quarters=14):
    """Write counts of each indicator: kind, and a level by site; of rates the level is events per patient."""
    rows = [
        (name, kind, "outcome" if name == "Main" else "balancing", "per 100 patients" if kind == "rate" else "", period, f"site {s}",
         round(n * (level(s) if callable(level) else level)) + (-1) ** (q + s), n)
        for name, (kind, level) in levels.items()
        for q, period in enumerate(every_period(["2022-Q1", "2029-Q4"])[:quarters])
        for s in range(sites)
    ]  # fmt: skip
    columns = ["indicator", "kind", "role", "unit", "period", "site", "numerator", "denominator"]
    pd.DataFrame(rows, columns=columns).to_csv(folder / "aggregates.csv", index=False)
    return quarter.prepare_quarter(folder)


@pytest.fixture(scope="module")
def study(tmp_path_factory):
    return aggregates(
        tmp_path_factory.mktemp("sites"),
        {
            "Main": ("share", 0.6),
            "Extension": ("share", lambda s: 0.45 if s == 2 else 0.6),
            "Falls": ("rate", lambda s: 0.5 if s == 4 else 0.3),
            "Quiet": ("share", 0.5),
            "Pain": ("mean", 5.0),
        },
    )


def test_every_share_and_rate_has_a_funnel_and_a_mean_has_none(study):
    words, table, *figures = quarter.sites_by_indicator(study)
    assert isinstance(words, Passage)
    assert isinstance(table, Table)
    assert [one.name for one in figures] == ["funnel-Extension", "funnel-Falls", "funnel-Quiet"]
    assert all(isinstance(one, Figure) and not one.message for one in figures)  # slides stay as many as they were
    assert set(study.other_funnels) == {"Extension", "Falls", "Quiet"}


def test_what_is_said_of_the_sites_is_what_was_planted(study):
    words, table, extension, falls, quiet = quarter.sites_by_indicator(study)
    said = " ".join(words.paragraphs)
    assert said.startswith(
        "Of 3 further indicators, sites are judged by 3. Of those, extension and Falls have sites with a signal."
    )
    cells = table.cells().set_index("Indicator")
    assert cells.loc["Extension", "Beyond the 99.8 % limits"] == "site 2"
    assert cells.loc["Falls", "Beyond the 99.8 % limits"] == "site 4"
    assert cells.loc["Quiet", "Beyond the 99.8 % limits"] == "none"
    assert cells["Sites judged"].tolist() == ["12", "12", "12"]
    assert cells["Limits widened"].tolist() == ["no"] * 3
    assert "site 2 (45 %)" in extension.alt
    # 4 quarters of 50 events to and fro by 1, among 400; the whole 380 of 1,200 a quarter: 31.7 per 100.
    assert "31.7 per 100 patients over the whole" in falls.alt
    assert "site 4 (50.0 per 100 patients)" in falls.alt
    assert "beyond the 99.8 % limits: none" in quiet.alt
    funnel = study.other_funnels["Falls"]
    assert funnel.kind == "rate"


def test_with_one_site_nothing_is_shown(tmp_path):
    assert (
        list(
            quarter.sites_by_indicator(aggregates(tmp_path, {"Main": ("share", 0.6), "Quiet": ("share", 0.5)}, sites=1))
        )
        == []
    )


def test_where_all_is_hidden_that_is_said(tmp_path):
    """Two of eight a quarter at a site: whatever is shown of the main outcome, nothing of the other can be."""
    study = aggregates(tmp_path, {"Main": ("share", 0.5), "Quiet": ("share", 0.02)}, n=60, sites=4)
    words, table, *figures = quarter.sites_by_indicator(study)
    assert figures == []
    assert "no site can be judged" in " ".join(words.paragraphs)
    assert table.cells()["Sites judged"].tolist() == ["0"]
    assert table.cells()["Beyond the 99.8 % limits"].tolist() == ["–"]


def sited(n_sites, seed, patients, quarters):
    rng = np.random.default_rng(seed)
    cohort = generate_cohort(patients=patients, quarters=quarters, seed=seed).observed
    chance = rng.dirichlet(np.full(n_sites, 6.0))
    names = [f"site {k:02d}" for k in rng.choice(n_sites, len(cohort.patients), p=chance)]
    return quarter_indicators(replace(cohort, patients=cohort.patients.assign(site=names))).counts


@pytest.mark.slow
@pytest.mark.parametrize(
    ("n_sites", "seed", "patients", "quarters"),
    [(5, 2, 700, 13), *((12, seed, 2400, 16) for seed in (0, 1, 2))],
)
def test_the_main_figures_lose_nothing_by_the_others(n_sites, seed, patients, quarters):
    counts = sited(n_sites, seed, patients, quarters)
    main = counts.indicators[0]
    options = {"baseline": counts.periods[:12], "window": counts.periods[-4:]}
    alone = release(counts, counts.quarters[-1], by_site=[main.name], **options)
    both = release_by_sites(counts, counts.quarters[-1], compared=main, small_counts="hidden", **options)
    keys = ["quantity", "slice"]
    merged = alone.table.merge(both.table, on=keys, suffixes=("", "_both"), validate="one_to_one")
    assert len(merged) == len(alone.table)
    assert not (merged["hidden_both"] & ~merged["hidden"]).any()
    more = [one for one in both.indicators if one.kind != "mean" and one.name != main.name]
    shown = {one.name: int(both.by_site(one)["value"].notna().sum()) for one in more}
    assert sum(shown.values()) > 0
    assert all(alone.by_site(one)["value"].isna().all() for one in more)

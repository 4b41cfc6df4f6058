"""What a quarter's report says and shows beside earlier releases: other windows, late data, stored baselines, signals."""

import json
from dataclasses import replace

import pytest

from analysis.errors import CohortError
from analysis.quarter.ledger.entries import read_ledger
from analysis.report import quarter
from analysis.report.quarter.closing import methods
from analysis.report.quarter.findings.doubts import doubts_words

from .planted_quarters import FOUR, plant, prepared


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "cohort").mkdir()
    return tmp_path / "cohort"


def said(section):
    return " ".join(text for item in section for text in item.paragraphs)


def released(cohort, folder, **options):
    """Make a release and put it on record."""
    study = prepared(cohort, folder, **options)
    quarter.record_release(study)
    return study


def test_a_release_is_recorded_once_with_what_it_showed_and_nothing_else(folder):
    cohort = plant(quarters=6, each=12)
    first = released(cohort, folder)
    path = folder.parent / "cohort.releases.json"
    ledger = read_ledger(path)
    assert len(ledger.releases) == 1
    assert "release 1 in the ledger cohort.releases.json" in said(quarter.record_release(first))
    shown = {row["value"] for row in first.released.table.to_dict("records") if row["value"] == row["value"]}
    recorded = [value for one in ledger.releases for found in one.shown.values() for value in found.values()]
    assert recorded
    assert set(recorded) <= shown
    again = released(cohort, folder)
    assert len(read_ledger(path).releases) == 1
    assert again.released.table.equals(first.released.table)
    assert quarter.since_last_release(again).items == ()


@pytest.mark.slow
def test_other_windows_cost_counts_and_say_so(folder):
    cohort = plant(quarters=8, each=9, improved=0.5)
    released(cohort, folder, site_quarters=4)
    other = released(cohort, folder, site_quarters=5)
    told = said(methods(other))
    assert "Checked against 1 earlier release" in told
    assert "Sites are compared over other quarters than in the last release of this quarter" in told
    assert other.released.hidden_beside > 0
    alone = prepared(cohort, folder, site_quarters=5, releases=str(folder.parent / "none.json"))
    assert alone.released.table["hidden"].sum() < other.released.table["hidden"].sum()


def test_late_data_of_a_few_patients_are_not_told(folder):
    """Nine more patients of one quarter were seen: 42 of 90 and then 46 of 99 would tell of these nine."""
    before = plant(quarters=8, each=40, seen=lambda q, site: 0.80 if q == 6 else 0.9)
    after = plant(quarters=8, each=40, seen=lambda q, site: 0.84 if q == 6 else 0.9)
    first = released(before, folder)
    second = released(replace(after, as_of="2024-09-01"), folder)
    improved = first.released.indicators[0]
    one, two = (study.released.by_period(improved).iloc[6] for study in (first, second))
    now = prepared(after, folder, small_counts="shown").released.by_period(improved).iloc[6]
    assert 1 <= now["denominator"] - one["denominator"] <= 10
    assert (two["numerator"], two["denominator"], two["as_released"]) == (one["numerator"], one["denominator"], True)
    words = said(quarter.since_last_release(second))
    assert "as released, since late data changed" in words
    assert "The last release reported Q4 2023, with data up to 21 July 2024." in words


@pytest.mark.slow
def test_a_quarter_released_again_after_a_few_late_data_says_that_it_stands(folder):
    before = plant(quarters=8, each=40, seen=lambda q, site: 0.80 if q == 7 else 0.9)
    after = plant(quarters=8, each=40, seen=lambda q, site: 0.84 if q == 7 else 0.9)
    first = released(before, folder)
    second = released(replace(after, as_of="2024-09-01"), folder)
    assert second.found.of("improved").as_released
    assert second.found.of("improved").value == first.found.of("improved").value
    (answer,) = quarter.answer(second)
    assert "values of the quarter stand as released before" in " ".join(
        [answer.paragraphs[3], *doubts_words(second.found)]
    )


def test_sites_that_stand_as_released_are_not_taken_from_a_newer_whole(folder):
    """Late data of a few at every site shown, of many in all: what is left of the whole is not the sites hidden."""
    given = {"sites": (*FOUR, "small", "tiny"), "started": {"small": 4, "tiny": 4}, "each": 40}
    before = released(plant(seen=0.80, **given), folder)
    assert before.found.sites.together
    after = prepared(replace(plant(seen=0.85, **given), as_of="2026-09-01"), folder)
    improved = after.compared
    rows = after.released.of(improved, [f"site: {one}" for one in after.released.sites])
    mixed = rows["as_released"].any() != after.released.of(improved, ["window"])["as_released"].all()
    assert mixed
    assert after.found.sites.together == ()
    assert "are as one" not in " ".join(text for one in quarter.answer(after) for text in one.paragraphs)


def test_no_table_of_sites_tells_the_few_patients_that_late_data_added(folder):
    """Eight of 133 came late: 125 stand in the funnel, and no other table may say 133."""
    given = {"sites": (*FOUR, "small", "tiny"), "started": {"small": 4, "tiny": 4}, "each": 40}
    released(plant(seen=0.80, **given), folder)
    late = replace(plant(seen=0.85, **given), as_of="2026-09-01")
    after = prepared(late, folder)
    before, now = (
        after.released.by_site(after.compared).set_index("site"),
        after.released.of(after.compared, ["site: east"]),
    )
    assert now["as_released"].all()
    added = prepared(late, folder, small_counts="shown").released.by_site(after.compared).set_index("site")
    assert 1 <= added.loc["east", "denominator"] - before.loc["east", "denominator"] <= 10
    tables = [getattr(one, "table", one) for section in (quarter.sites, quarter.case_mix) for one in section(after)]
    printed = [one.to_csv() for one in tables if hasattr(one, "to_csv")]
    assert printed
    row = f"east,{added.loc['east', 'denominator']}"
    assert [text for text in printed if row in text or "75.0,133.0" in text] == []
    assert "late data" in after.no_case_mix


@pytest.mark.slow
def test_late_data_of_many_patients_are_told(folder):
    before = plant(quarters=8, each=60, seen=lambda q, site: 0.6 if q == 6 else 0.9)
    after = plant(quarters=8, each=60, seen=0.9)
    released(before, folder)
    second = released(replace(after, as_of="2024-09-01"), folder)
    words = said(quarter.since_last_release(second))
    assert "Late data revised" in words
    assert "patients improved, Q3 2023: 102/153, now 141/222" in words


@pytest.mark.slow
def test_the_baseline_is_stored_and_stays(folder):
    first = released(plant(quarters=14), folder)
    ledger = read_ledger(folder.parent / "cohort.releases.json")
    assert ledger.baseline == first.released.baseline
    assert "which is stored with this release and not computed again" in said(methods(first))
    changed = plant(quarters=15, improved=lambda q, site: 0.8 if q == 2 else 0.6)
    second = released(changed, folder)
    centre = {study: study.charts["improved"].chart.table["centre"].iloc[0] for study in (first, second)}
    assert centre[second] == centre[first]
    assert second.found.of("improved").baseline == first.found.of("improved").baseline
    assert "stored with an earlier release and not computed again" in said(methods(second))
    anew = released(changed, folder, baseline="2022-Q1 to 2024-Q4")
    assert anew.charts["improved"].chart.table["centre"].iloc[0] != centre[first] or anew.releasing.stored
    moved = released(changed, folder, baseline="2022-Q2 to 2025-Q2")
    assert moved.charts["improved"].chart.table["centre"].iloc[0] != centre[first]
    assert read_ledger(folder.parent / "cohort.releases.json").baseline == moved.released.baseline


def test_late_data_within_the_baseline_are_not_taken_from_a_whole_that_lacks_them(folder):
    """Late data raise four quarters of the stored baseline; the last eight, these among them, hardly differ from the others."""
    given = {"sites": ("only",), "each": 320, "spread": 0.0}
    released(plant(seen=0.8, **given), folder)
    late = replace(plant(seen=lambda q, site: 0.86 if 8 <= q < 12 else 0.8, **given), as_of="2026-09-01")
    beside, alone = (prepared(late, folder, small_counts=one).found.of("complete ikdc") for one in ("hidden", "shown"))
    assert beside.change.verdict == alone.change.verdict == "no signal"
    up = replace(plant(seen=lambda q, site: 0.9 if q >= 12 else 0.8, **given), as_of="2026-10-01")
    assert prepared(up, folder).found.of("complete ikdc").change.verdict == "signal"


def test_a_signal_against_a_stored_baseline_that_late_data_changed_is_doubted(folder):
    """Late data come to every quarter: each lies above the stored baseline, and nothing got better."""
    given = {"sites": ("only",), "each": 320, "spread": 0.0}
    released(plant(seen=0.8, **given), folder)
    study = prepared(replace(plant(seen=0.9, **given), as_of="2026-09-01"), folder)
    assert study.found.of("complete ikdc").change.verdict == "signal"
    doubt = "Late data changed the baseline of completeness of IKDC subjective knee score after it was stored, so a difference"
    assert [one for one in doubts_words(study.found) if one.startswith(doubt)]
    (summary,) = quarter.summary(study)
    assert summary.data["to_do"].tolist()[-1] == "Set a new baseline: late data changed the stored one."
    anew = prepared(replace(plant(seen=0.9, **given), as_of="2026-09-01"), folder, baseline="2022-Q1 to 2024-Q3")
    assert not anew.found.of("complete ikdc").baseline_revised
    fresh = prepared(plant(quarters=17, seen=lambda q, site: 0.95 if q == 16 else 0.8, **given), folder)
    assert fresh.found.of("complete ikdc").change.verdict == "signal"
    assert [one for one in doubts_words(fresh.found) if one.startswith("Late data changed the baseline")] == []


@pytest.mark.slow
def test_a_short_baseline_is_not_stored(folder):
    study = released(plant(quarters=6), folder)
    assert read_ledger(folder.parent / "cohort.releases.json").baseline == ()
    assert "not stored until it holds 12 periods" in said(methods(study))


@pytest.mark.slow
def test_signals_are_new_then_go_on_and_then_are_none(folder):
    def low(q, site):
        return 0.36 if q == 13 else 0.6

    told = []
    for n in (13, 14, 15, 16):
        study = released(plant(quarters=n, improved=low), folder)
        told.append(said(quarter.since_last_release(study)))
    assert told[0] == ""
    assert "New signals (2): Patients improved: lower than the baseline (worse)" in told[1]
    assert "Signals that go on (2): Patients improved: lower than the baseline since Q2 2025 (worse)" in told[2]
    assert "The signal of the last release in patients improved is none now." in told[3]
    (answer,) = quarter.answer(study)
    assert (
        "In the year before there was a signal that is none now in patients improved (lower in Q3 2025)"
        in answer.paragraphs[1]
    )


def test_a_report_that_hides_nothing_neither_reads_nor_writes_the_ledger(folder):
    path = folder.parent / "cohort.releases.json"
    path.write_text("no ledger")
    study = released(plant(quarters=6, each=12), folder, small_counts="shown")
    assert path.read_text() == "no ledger"
    assert "the release ledger was neither read nor written" in said(methods(study))
    with pytest.raises(CohortError, match="cannot be read"):
        prepared(plant(quarters=6, each=12), folder)


def test_a_ledger_may_have_another_name(folder):
    path = folder.parent / "board.json"
    released(plant(quarters=6), folder, releases=str(path))
    assert len(json.loads(path.read_text())["releases"]) == 1

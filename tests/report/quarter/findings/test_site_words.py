"""The sites' figures in words: every site beyond a limit by name, how many were judged and hidden, and nothing else."""

import dataclasses

import pytest

from analysis.quarter import Indicator
from analysis.quarter.over_time.quarter_change import QuarterChange
from analysis.report.quarter.findings.finding import Followed, QuarterFindings, Site, Sites
from analysis.report.quarter.findings.site_words import (
    case_mix_caption,
    case_mix_words,
    funnel_caption,
    funnel_words,
    site_point,
    site_words,
)

NAN = float("nan")
SHARE = Indicator("better", "Better by week 26", "share", "outcome", "higher", "better", "seen", "better", "seen")
SITES = Sites(
    recorded=tuple("abcde"), judged=4, hidden=1, span="Q1 2026", whole=0.7, shares=(0.54, 0.81),
    beyond=(Site("d", 0.54, "below"),), near=(Site("c", 0.59, "below"), Site("a", 0.81, "above")), widened=False, adjusted=4,
    adjusted_whole=0.7, ratios=(0.771, 1.157), estimates=(0.57, 0.78), apart=(Site("d", 0.57, "below", 0.48, 0.66),),
    case_mix_known=True, signals=(Site("d", 0.54, "below"),), limits_notes=("Exact limits.",), case_mix_notes=("Expected: by a model.",),
)  # fmt: skip


def found(**changed):
    unchanged = dataclasses.replace(SITES, **changed)
    change = QuarterChange("better", "no signal")
    followed = Followed(SHARE, change, 7, 10, 0.7, NAN, NAN, NAN, NAN, "no chart", 0, 0, (NAN, NAN), False, False, None)
    return QuarterFindings("2026-Q1", 0.95, True, None, (followed,), "better", unchanged, "")


def test_the_funnel_names_every_site_beyond_a_limit_and_counts_the_hidden():
    assert funnel_words(found()) == (
        "Funnel of 4 sites, Q1 2026: better by week 26, 70 % over the whole, from 54 % to 81 % at single sites; signals: d; "
        "beyond the 99.8 % limits: d (54 %); beyond the 95 % limits only: c (59 %) and a (81 %); 1 site not shown because of small counts."
    )
    many = tuple(Site(f"site {k}", 0.5, "below") for k in range(7))
    assert all(f"site {k} (50 %)" in funnel_words(found(beyond=many)) for k in range(7))


def test_where_none_lies_beyond_the_widened_limits_that_is_said_of_those_judged():
    said = funnel_words(found(beyond=(), near=(), widened=True, hidden=0))
    assert said.startswith("Funnel of 4 sites, ")
    assert said.endswith("beyond the 99.8 % widened limits: none; beyond the 95 % widened limits only: none.")


def test_the_captions_carry_how_it_was_made_and_who_is_left_out():
    caption = funnel_caption(found())
    assert caption.startswith("Better by week 26, Q1 2026. Each mark is a site;")
    assert (
        "Exact limits. Not adjusted for the patients' case mix. Hidden because of small counts: 1 of 5 sites,"
        in caption
    )
    assert "Hidden" not in funnel_caption(found(hidden=0))
    assert case_mix_caption(found()).endswith("the line is the whole, 70 %. Expected: by a model.")


def test_signals_by_other_indicators_stand_in_short_and_on_the_slide():
    other = Indicator("walks", "Walks alone", "share", "outcome", "higher", "walks", "seen", "walks", "seen")
    main = found()
    (one,) = main.followed
    both = dataclasses.replace(
        main, followed=(one, dataclasses.replace(one, indicator=other)), other_sites={"walks": main.sites}
    )
    assert "By other indicators d (Walks alone, below) has a signal." in site_words(both)
    assert site_point(both) == (
        "Better by week 26: of 4 sites judged, d (below) has a signal; 1 hidden; by other indicators 1 has one."
    )
    assert not any("By other indicators" in words for words in site_words(main))


@pytest.mark.parametrize(("known", "how"), [(True, "after"), (False, "without")])
def test_the_sites_after_adjustment_have_their_intervals(known, how):
    assert case_mix_words(found(case_mix_known=known)) == (
        f"Estimates of 4 sites {how} adjustment, observed over expected 0.77 to 1.16; shrunken shares from 57 % to 78 % about "
        "the whole of 70 %. Intervals (95 %) that leave out the whole: d (57 %, 48 to 66 %)."
    )
    assert case_mix_words(found(apart=())).endswith("that leave out the whole: none.")


def test_of_no_site_judged_nothing_is_said():
    assert funnel_words(found(judged=0)) == ""
    assert case_mix_words(found(adjusted=0)) == ""
    assert funnel_caption(dataclasses.replace(found(), sites=None)) == ""

"""What a quarter must say of counts whose truth is planted, and what it must not: In short, slides, and sentences of figures.

Counts are planted exactly, with a fixed to and fro about them in place of chance, so that only what is planted is there."""

import html
import re
from dataclasses import replace

import pandas as pd
import pytest

from analysis.quarter.periods import every_period
from analysis.report import Figure, quarter
from analysis.report.quarter.findings.doubts import doubts_words, too_few_points
from analysis.report.quarter.findings.words import name_words

from ..test_what_is_said import reading_age
from .planted_quarters import FOUR, TO_AND_FRO, plant, prepared


def told_of(study):
    """Give In short, the titles of slides, and everything else that makes a claim."""
    (answer,) = quarter.answer(study)
    sections = (quarter.outcomes, quarter.balancing, quarter.sites, quarter.case_mix)
    figures = [one for section in sections for one in section(study) if isinstance(one, Figure)]
    titles = [one.message for one in figures if one.message]
    claims = [*(str(one) for one in quarter.changed(study)), *(one.alt for one in figures)]
    return answer, titles, claims


TEN = tuple(f"site {letter}" for letter in "abcdefghij")
NO_CHANGE, LOOKED_FOR = "No change can be told in any of the 3 indicators judged.", "Looked for and not found"
BAD_AND_SMALL = {
    "sites": (*FOUR, "tiny"),
    "started": {"tiny": 4},
    "improved": lambda q, site: 0.25 if site == "tiny" else 0.6,
}
#: Cohort, options of the report, what In short must say, what nothing may say, and the titles of slides that must be there.
TRUTHS = {
    "nothing there": (
        {}, {},
        ["In Q4 2025, 160 patients started; all were due by 22 July 2026.", "Seen were 144 of 160 (90 %)", "16 were lost.", NO_CHANGE,
         ("Patients improved: 61 % (88/144; 95 % interval 53 to 69 %) in Q4 2025, 61 % over the baseline; the chart takes 49 "
          "to 73 % in one quarter for chance."),
         "all 4 are judged. Of the 4 judged, none has a signal against the whole of 60 %, not adjusted for case mix.",
         "On record are 32 harms within six weeks among 160 patients followed that long (20.0 per 100 patients, 95 % interval 13.7 to 28.2)",
         LOOKED_FOR],
        ["A change is seen", "higher than", "lower than", "because of small", "may have fared", "in 100 show"],
        ["Patients improved: 61 % in Q4 2025, no change can be told", "of 4 sites judged, none has a signal"],
    ),
    "one site bad but hidden": (
        BAD_AND_SMALL, {},
        ["3 of 5 are judged; 2 are hidden because of small counts.", "The 2 hidden are as one 5", "Of the 3 judged, none has a signal",
         "Whether a site that is hidden lies beyond the limits is not known."],
        ["tiny", "No site", "no site", "all 5", "every site", LOOKED_FOR],
        ["Patients improved: of 3 sites judged, none has a signal; 2 hidden", "mix: of 3 sites judged, none has a signal; 2 hidden"],
    ),
    "one site bad and seen": (
        {"sites": TEN, "each": 18, "improved": lambda q, site: 0.25 if site == "site d" else 0.6}, {},
        ["all 10 are judged. Of the 10 judged, site d (21 %, below) has a signal against the whole of 58 %, not adjusted for case mix.",
         ("Of 100 releases without any change 5 or fewer have a signal, if quarters differ by chance alone, over all that is "
          "judged here: 4 indicators, 10 sites and 2 "
          "comparisons of sites by other indicators."), NO_CHANGE],
        ["none has", "site a (", "worst", "worse than", "poor", "fault"],
        ["Patients improved: of 10 sites judged, site d (below) has a signal", "mix: of 10 sites judged, site d (below) has a signal"],
    ),
    "one of few sites bad": (
        {"improved": lambda q, site: 0.35 if site == "west" else 0.6}, {},
        ["As a precaution the limits are widened by the spread between those judged. Of the 4 judged, west (36 %, below) has a signal"],
        ["none has a signal"], ["of 4 sites judged, west (below) has a signal"],
    ),
    "nothing varies": (
        {"spread": 0.0}, {},
        [NO_CHANGE, ("Points lie nearer together than chance makes them in patients improved and harms within six weeks: ask whether "
          "the limits fit.")],
        ["A change is seen", "(better)", "(worse)"], ["no change, points nearer together than by chance"],
    ),
    "a true improvement": (
        {"quarters": 20, "improved": lambda q, site: 0.7 if q >= 12 else 0.6}, {},
        [("A change is seen in 2 of the 3 indicators judged. Patients improved: 66 % (93/141; 95 % interval 58 to 73 %) in Q4 "
          "2026, 61 % over the baseline; higher than the baseline since Q1 2025 (better)."),
         ("Of 100 releases without any change 5 or fewer have a signal, if quarters differ by chance alone, over all that is "
          "judged here: 4 indicators, 4 sites and 8 ")],
        ["(worse)", NO_CHANGE, "lower than", "six weeks: higher", "the chart takes"],
        ["Patients improved: 66 % in Q4 2026, higher than the baseline since Q1 2025 (better)"],
    ),
    "a true decline": (
        {"improved": lambda q, site: 0.4 if q == 15 else 0.6}, {},
        ["A change is seen in 2 of the 3 indicators judged.", "lower than the baseline (worse)"],
        ["(better)", NO_CHANGE, "higher than"], ["lower than the baseline (worse)"],
    ),
    "better, and more harms": (
        {"improved": lambda q, site: 0.8 if q == 15 else 0.6, "harms": lambda q, site: 0.4 if q == 15 else 0.2}, {},
        [("A change is seen in 2 of the 3 indicators judged. Harms within six weeks: higher than the baseline (worse). Patients "
          "improved: 81 %"),
         ("64 harms within six weeks among 160 patients followed that long (40.0 per 100 patients, 95 % interval 30.8 to "
          "51.1), 19.7 per 100 patients over the baseline; higher than the baseline (worse).")],
        [NO_CHANGE, "lower than"], ["Harms within six weeks: 40.0 per 100 patients in Q4 2025, higher than the baseline (worse)"],
    ),
    "fewer harms": (
        {"harms": lambda q, site: 0.07 if q >= 14 else 0.2}, {},
        ["Harms within six weeks: lower than the baseline since Q3 2025 (better)."], ["(worse)", "higher than"],
        ["lower than the baseline since Q3 2025 (better)"],
    ),
    "no harm": (
        {"harms": 0.0}, {},
        ["No harm is on record of the 160 patients followed six weeks; what was not recorded cannot be seen."],
        ["nearer together", "no harms"], ["Harms within six weeks: 0.0 per 100 patients in Q4 2025, no change can be told"],
    ),
    "harms not recorded": (
        {"events": False, "quarters": 4}, {}, ["Harms were not recorded, so nothing is said of them."], ["No harm", "Harms within"], [],
    ),
    "half lost, better those seen": (
        {"seen": lambda q, site: 0.5 if q == 15 else 0.9, "improved": lambda q, site: 0.8 if q == 15 else 0.6}, {},
        ["Seen were 80 of 160 (50 %)", "80 were lost, a third or more.",
         "Too many were lost for a conclusion about patients improved and mean improvement.",
         "No change can be told in the one indicator judged, harms within six weeks.", "Patients improved among those seen: 80 %",
         "Those who were not seen may have fared otherwise", "50 % were lost, more than the 10 % of the baseline",
         "Fewer than the 80 % asked for have a value"],
        [LOOKED_FOR, NO_CHANGE, "A change is seen", "(better)", "the chart takes", "some may not be due yet"],
        ["Patients improved: 80 % in Q4 2025, too many lost to tell"],
    ),
    "too few quarters": (
        {"quarters": 4}, {},
        ["It is too early to tell a change in any of the 3 indicators: 4 points can be shown over time.",
         "With 4 points over time one unusual quarter of all 3 indicators followed cannot be told from chance; 12 are needed."],
        ["A change is seen", "No change", "no change", LOOKED_FOR], ["Patients improved: 57 % in Q4 2022, too early to tell"],
    ),
    "a run chart": (
        {"quarters": 9}, {}, [NO_CHANGE, "With 9 points over time one unusual quarter of all 3 indicators followed cannot be told from chance"],
        ["too early", "for chance.", LOOKED_FOR], ["no change can be told"],
    ),
    "a step in a short series": (
        {"quarters": 10, "improved": lambda q, site: 0.7 if q > 4 else 0.5}, {},
        ["Over the whole chart the runs about the median are not those of chance: patients improved"],
        [LOOKED_FOR], ["in Q2 2024, no change can be told"],
    ),
    "the quarter in its own baseline": (
        {"quarters": 12}, {}, ["Q4 2024 is part of the baseline, so a change shows less."], [LOOKED_FOR], [],
    ),
    "one site": (
        {"sites": ("only",), "each": 160}, {}, ["There is one site only, so sites are not compared."],
        ["limits about", "site that is hidden", "judged, none"], [],
    ),
    "not yet due": (
        {"due": False, "quarters": 8}, {"quarter": "2023-Q4"},
        [("In Q4 2023, 160 patients started. Nobody of them was due by 3 March 2024, so nothing is said of their outcomes. The "
          "latest quarter all of whose patients were due is Q2 2023; a report of that quarter tells its outcomes."),
         "Nothing can be told of patients improved and mean improvement: the patients are not yet due.",
         "harms within six weeks among 160 patients followed that long (", "Outcomes and losses of the quarter are not known yet."],
        ["were lost", LOOKED_FOR, "Patients improved: 6"], ["Patients improved, Q4 2023: the patients are not yet due"],
    ),
    "one early visit makes no quarter due": (
        {"due": False, "quarters": 8, "early": 1}, {"quarter": "2023-Q4"},
        ["160 patients started. Nobody of them was due by 3 March 2024", "Outcomes and losses of the quarter are not known yet."],
        [LOOKED_FOR, " 0 %", "(1 %", "1 of 160", "159 ", "159/160", "were lost"], ["Patients improved, Q4 2023: the patients are not yet due"],
    ),
    "early visits of some, nobody named a quarter": (
        {"due": False, "quarters": 8, "early": 40}, {},
        ["In Q2 2023, 160 patients started; all were due by 3 March 2024.", "Seen were 142 of 160 (89 %)"],
        ["Q4 2023", "too many lost", "Too many were lost"], ["Patients improved: 59 % in Q2 2023, no change can be told"],
    ),
    "a part is due": (
        {"due": False, "quarters": 8, "early": 160, "partly": 30}, {"quarter": "2023-Q4"},
        ["160 patients started; 30 of them were due by 3 March 2024, the others not yet.", "Seen were 30 of 30 (100 %)",
         "Part of the quarter's patients were not yet due; they may fare otherwise than those who were."],
        [LOOKED_FOR, "of 160 (", "were lost"], [],
    ),
    "nobody dated the data": (
        {"due": False, "quarters": 8, "early": 1, "dated": False}, {},
        ["In Q3 2023, 160 patients started; all were due by the last day seen."], ["Q4 2023", "1 of 160"], [],
    ),
    "everybody improves": (
        {"improved": 1.0, "seen": 1.0, "quarters": 13}, {},
        ["Patients improved: 100 % (160/160; 95 % interval 98 to 100 %) in Q1 2025, 100 % over the baseline.", "nobody was lost"],
        ["for chance", "After adjustment", "nan"], [],
    ),
    "nothing to adjust for": (
        {"sites": ("north", "south"), "improved": lambda q, site: 0.4 if site == "south" else 0.7, "quarters": 13}, {},
        ["Of the 2 judged, north (72 %, above) and south (38 %, below) have a signal against the whole of 55 %, not adjusted for case mix."],
        ["After", "after adjustment"], ["Not adjusted for case mix: of 2 sites judged, north (above) and south (below) have a signal"],
    ),
    "one patient": (
        {"sites": ("only",), "each": 1, "quarters": 3, "harms": 1.0, "seen": 1.0}, {"small_counts": "shown"},
        ["In Q3 2022, 1 patient started; the one was due by 21 April 2023. Seen was 1 of 1 (100 %)", "nobody was lost.",
         "On record is 1 harm within six weeks among 1 patient followed that long"],
        ["1 patients", "1 harms", "No change"], [],
    ),
    "all hidden": (
        {"sites": ("a", "b"), "each": 2, "quarters": 5}, {},
        ["no value can be shown because of small counts", "Of 2 sites none can be judged"],
        ["No change", "A change", "none lies", LOOKED_FOR, "No harm"], [],
    ),
}  # fmt: skip


#: Near others, and left to the slow tests so that the quick ones stay quick.
SLOW = {"a true decline", "early visits of some, nobody named a quarter", "everybody improves"}


@pytest.fixture(
    scope="module", params=[pytest.param(one, marks=[pytest.mark.slow] if one in SLOW else []) for one in TRUTHS]
)
def told(request, tmp_path_factory):
    """Give what is said of a cohort, beside what must be said and what must not be, and the study."""
    cohort, options, must, must_not, titles = TRUTHS[request.param]
    study = prepared(plant(**cohort), tmp_path_factory.mktemp("quarter"), **options)
    return told_of(study), must, must_not, titles, study


def test_what_must_be_said_is_said_and_what_must_not_is_not(told):
    (answer, titles, claims), must, must_not, wanted, study = told
    page = html.unescape(re.sub(r"<[^>]+>", "\n", answer.to_html())).replace("\u00a0", " ")
    page += "\n".join(["", *doubts_words(study.found)[3:]])
    assert [words for words in must if words not in page] == []
    assert [words for words in must_not if words in "\n".join([page, *titles])] == []
    assert [words for words in wanted if not any(words in title for title in titles)] == []
    # What tells a change or its lack in the sections and alternative sentences is what In short tells.
    spoken = "\n".join(line for one in claims for line in one.split("\n") if not line.startswith("Completeness"))
    for words in ("(better)", "(worse)"):
        assert (words in spoken) == (words in page)


def test_every_indicator_stands_once_under_what_changed(told):
    *_, study = told
    items = [text for one in quarter.changed(study) if one.kind == "items" for text in one.paragraphs]
    assert len(items) == len(study.found.followed)
    for one in study.found.followed:
        assert sum(text.startswith(name_words(one)) for text in items) == 1


def test_the_figures_of_sites_name_those_that_the_results_put_beyond(told):
    *_, study = told
    shown = [one for part in (quarter.sites(study), quarter.case_mix(study)) for one in part if isinstance(one, Figure)]
    for figure in shown:
        table = figure.data
        if figure.name == "funnel":
            for region, words in (("beyond the 99.8 % limits", "99.8 %"), ("beyond the 95 % limits", "95 %")):
                there = table.loc[table["wide_region"] == region, "site"]
                said = re.search(rf"beyond the {words} (?:widened )?limits(?: only)?: (.*?)[;.](?: |$)", figure.alt)[1]
                assert (said == "none") == there.empty
                assert all(f"{site} (" in said for site in there)
            n_hidden = int(table["hidden"].sum())
            assert (f"{n_hidden} of {len(table)} sites" in figure.caption) == (n_hidden > 0)
        else:
            out = table[(table["lower"] > study.case_mix.share) | (table["upper"] < study.case_mix.share)]["site"]
            assert all(f"{site} (" in figure.alt for site in out)
            assert figure.alt.endswith("that leave out the whole: none.") == out.empty


CAUSES = re.compile(
    r"because of (?!small counts)|effect|led to|leads? to|due to|caused|thanks|benefit|blame|fault|should|must\b|recommend"
)


def test_every_sentence_is_whole_and_none_gives_a_cause(told):
    (answer, titles, claims), *_ = told
    assert len(answer.paragraphs) == 5
    for text in (*answer.paragraphs, *answer.points, *titles, *claims):
        assert not re.search(r"  | [,.;:]|\.\.|,,|\( | \)|\bnan\b|None|–", text), text
        assert text.count("(") == text.count(")"), text
        assert not any(re.match(r"\d", one) for one in re.split(r"(?<=[a-z)%][.!?])\s+", text)), text
        assert not re.search(r"(?<![\d.,])1 (patients|sites|harms|points|periods|indicators)\b", text), text
        assert not CAUSES.search(text), text
    assert all(len(title) <= 108 for title in titles)
    assert 5 <= len(answer.points) <= 7
    assert sum(map(len, answer.points)) < 950


def test_in_short_tells_the_three_weightiest_doubts_and_the_cautions_the_others(told):
    (answer, *_), *_, study = told
    doubts = doubts_words(study.found)
    *_, line, harms = answer.paragraphs
    assert line.startswith(" ".join(doubts[:3]))
    (cautions,) = quarter.cautions(study)
    assert list(cautions.paragraphs[-len(doubts[3:]) :]) == doubts[3:] or len(doubts) <= 3
    assert ("under Cautions." in line) == (len(doubts) > 3)
    assert not any("arm" in one and one in harms for one in doubts)
    assert max(len(one.split()) for one in answer.paragraphs) <= 80


def test_in_short_can_be_read_after_twelve_years_of_schooling(told):
    (answer, *_), *_ = told
    assert reading_age(" ".join(answer.paragraphs)) <= 12


def test_aggregates_say_what_they_do_not_hold(tmp_path):
    """Months of two indicators at two sites, of which one rises in the last quarter; complications are worse when higher."""
    rows = [
        (name, kind, role, better, month, site, round(60 * level + TO_AND_FRO[i % 16] * (site == "a") * 4), 60)
        for i, month in enumerate(every_period(["2024-01", "2025-06"]))
        for site in ("a", "b")
        for name, kind, role, better, level in (
            ("Full extension", "share", "outcome", "higher", 0.6),
            ("Complications", "rate", "balancing", "lower", 0.6 if i > 14 else 0.3),
        )
    ]
    columns = ["indicator", "kind", "role", "better", "period", "site", "numerator", "denominator"]
    pd.DataFrame(rows, columns=columns).to_csv(tmp_path / "aggregates.csv", index=False)
    answer, titles, _ = told_of(quarter.prepare_quarter(tmp_path))
    who, changed, sites, _, harms = answer.paragraphs
    assert who.endswith("who was due, seen or lost is not in them.")
    assert changed.startswith(
        "A change is seen in 1 of the 2 indicators judged. Complications: 0.62 per unit of the denominator ("
    )
    assert "higher than the baseline since April 2025 (worse). Full extension: " in changed
    assert "both are judged. Of the 2 judged, none has a signal against the whole of" in sites
    assert harms.startswith("Which of these counts are harms is not in the data.")
    assert not re.search("started|were seen|were lost", " ".join([*answer.paragraphs, *titles]))


def test_which_indicators_have_too_few_points_is_named(tmp_path):
    followed = prepared(plant(quarters=4), tmp_path).found.followed
    one = replace(followed[1], points=9)
    said = too_few_points([one], 3)
    assert said.startswith("With 9 points over time one unusual quarter of ")
    assert "indicators" not in said
    assert said.endswith("cannot be told from chance; 12 are needed.")
    assert "With 4 to 9 points over time" in too_few_points([followed[0], one], 3)
    assert "one unusual quarter of 6 of 7 indicators cannot" in too_few_points([*followed, one, one], 7)

"""What a comparison must say of a cohort whose truth is planted, and what it must not: In short, and titles of slides."""

import dataclasses
import re

import pytest

from analysis.report import Figure, Passage, Table, comparison
from analysis.report.comparison.findings.doubts import doubts_words
from analysis.report.comparison.findings.responder_words import responders_words

from .planted import better, plant, share


def low_ones(name, week, value, rng):
    return name == "early" and week >= 26 and value < 1.75


def none_of_early(name, week, value, rng):
    return name == "early" and week >= 12


def at_the_primary_week(name, week, value, rng):
    return week == 26 and rng.random() < (0.6 if name == "early" else 0.1)


def nearly_all_of_one(name, week, value, rng):
    return name == "early" and week >= 26 and rng.random() < 0.93


NOTHING, FAVOURS, NO_CONCLUSION = "These data do not tell whether", "These data favour {}", "No conclusion about"
#: Cohort, options of the report, what must be said, what must not be said, what the title of the slide says.
TRUTHS = {
    "no difference": (
        {"lose": share({"usual": 0.1, "early": 0.1})}, {},
        [NOTHING, "115 of 120 patients were seen with a value of quadriceps torque: usual 57/60, early 58/60",
         "interval of the difference in shares holds zero",
         "Looked for and not found"],
        ["favour", "No conclusion", "econdary"], "Early, week 26: cannot be told",
    ),
    "early and fading": (
        {"effect": better(0.3, (6, 12))}, {},
        [NOTHING, "Secondary: 0.29 N·m/kg higher with early at week 6 (so too at week 12), not found at week 26."],
        ["favour", "assumptions about missing visits"], "Early, week 26: cannot be told",
    ),
    "late only": (
        {"effect": better(0.3, (52,))}, {}, [NOTHING, "with early at week 52, not yet found at week 26."], ["favour"], "cannot be told",
    ),
    "gone at the end": (
        {"effect": better(0.3, (12, 26))}, {},
        [FAVOURS.format("early over usual"), "Secondary: the difference of early is found no more at week 52."],
        [NOTHING, "not found at"], "Early: 0.28 N·m/kg higher at week 26",
    ),
    "reversed": (
        {"effect": better(-0.3)}, {}, [FAVOURS.format("usual over early"), "lower with early"], [NOTHING, "favour early"],
        "Early: 0.32 N·m/kg lower at week 26",
    ),
    "turned round": (
        {"effect": {"early": {6: -0.3, 12: -0.3, 26: 0.3, 52: 0.3}}}, {},
        [FAVOURS.format("early over usual"), "with early at week 12 (so too at week 6), the other way at week 26."],
        ["favour usual"], "higher at week 26",
    ),
    "three protocols": (
        {"protocols": ("usual", "early", "late"), "effect": better(0.35)}, {},
        [FAVOURS.format("early"), "adjusted for 2 comparisons", NOTHING, "+68 percentage points"], ["favour late"],
        "Early: 0.33 N·m/kg higher at week 26 (0.25 to 0.41); late: cannot be told",
    ),
    "confounded": (
        {"start": {"early": 0.4}, "effect": better(0.3)}, {"design": "observational"},
        ["not allocated", "Before balancing they differ most from usual in quadriceps torque", "(early, +1.1 SD)",
         "Balanced for the baseline: patients with early did better on average", "Unadjusted: +0.68 (0.55 to 0.81).",
         "E-value 3.9 for early (limit 3.0)"],
        ["favour", "effect of", "Looked for and not found", "Secondary"],
        "Balanced: Early: 0.33 N·m/kg higher at week 26",
    ),
    "three protocols, nobody drew lots": (
        {"protocols": ("usual", "early", "late"), "start": {"early": 0.15}, "effect": better(0.35), "sites": ("north", "south")},
        {"design": "observational", "alike_in": ["site"], "target": "everybody"},
        ["Balanced for the baseline and site: patients with early did better on average than those with usual",
         "adjusted for 2 comparisons", "these data do not tell whether late or usual is better".capitalize(), "E-value"],
        ["favour", "effect of", "Looked for and not found"],
        "Balanced: Early: 0.3",
    ),
    "confounded, no difference": (
        {"start": {"early": 0.4}}, {"design": "observational"},
        ["Balanced for the baseline: these data do not tell whether early or usual is better.", "Unadjusted: +0.38 (0.25 to 0.51).",
         "Before balancing they differ most from usual"],
        ["favour", "did better", "could explain it:", "Looked for and not found"],
        "Balanced: Early, week 26: cannot be told",
    ),
    "of different patients": (
        {"start": {"early": 1.6}, "effect": better(0.3)}, {"design": "observational"},
        ["Patients could not be made alike, so the difference is that of the curves:", "not allocated"],
        ["favour", "Balanced for", "could explain it:", "Looked for and not found"], "Early: ",
    ),
    "drop-out by outcome": (
        {"lose": low_ones}, {},
        [NO_CONCLUSION, "usual 60/60, early 31/60", "as too many were not seen", "A third or more have none: early (29 of 60)",
         "for a conclusion about early", "may have fared otherwise", "with other assumptions about missing visits"],
        ["favour", NOTHING, "Looked for and not found"], "Early, week 26: too many lost to tell",
    ),
    "one arm lost": (
        {"lose": nearly_all_of_one, "effect": better(0.5)}, {},
        [NO_CONCLUSION, "early 2/60", "Fewer than 20 patients were seen: early (2)", "for a conclusion about early"], ["favour"],
        "too many lost to tell",
    ),
    "lost at the primary week alone": (
        {"lose": at_the_primary_week, "effect": better(0.4)}, {},
        [NO_CONCLUSION, "for a conclusion about early", ("higher with early at week 52 (seen usual 60/60, early 60/60), "
         "which cannot be told at week 26.")],
        ["favour", "not found at", "Looked for and not found"], "Early, week 26: too many lost to tell",
    ),
    "half lost": (
        {"lose": share({"usual": 0.5, "early": 0.5}), "effect": better(0.4)}, {},
        [NO_CONCLUSION, "60 of 120 patients were seen", "A third or more have none: usual (30 of 60) and early (30 of 60)"],
        ["favour", "Looked for and not found"], "too many lost to tell",
    ),
    "twelve patients": (
        {"patients": 6}, {}, ["all 12 patients were seen", "Fewer than 20 patients were seen: usual (6) and early (6)"],
        ["favour", "Looked for and not found"], "cannot be told",
    ),
    "one site": ({"sites": ("north",)}, {}, ["adjusted for the baseline,"], ["baseline and site"], "cannot be told"),
    "many sites": ({"sites": tuple("abcdefgh")}, {}, ["adjusted for the baseline and site"], ["favour"], "cannot be told"),
    "complete": ({}, {}, ["all 120 patients were seen"], ["not seen", "missing"], "cannot be told"),
    "pain": (
        {"measure": "pain", "effect": better(1.2)}, {},
        [FAVOURS.format("early"), "points lower with early", "could not be told from the error of measurement",
         "The threshold of improvement is less than the error of measurement in one patient (up to 2.8 points)",
         "in 80 % (48/60) with usual and 95 % (57/60) with early"],
        ["favour usual", "No conclusion"], "Early: 1.18 points lower at week 26",
    ),
    "extension": (
        {"measure": "knee_extension", "effect": better(1.5)}, {}, [FAVOURS.format("early"), "higher with early"],
        ["beyond", "Means lie outside"], "Early: 1.4 deg higher",
    ),
    "extension beyond straight": (
        {"measure": "knee_extension", "effect": better(4.0)}, {},
        ["the mean with early, 2.4 deg, lies beyond 0 (with usual, −1.6 deg), where higher is not better"],
        ["favour", "(better)", "(worse)"],
        "values beyond the best one",
    ),
    "without a start": (
        {"weeks": (6, 12, 26, 52), "effect": better(0.3)}, {"design": "observational"},
        ["What the patients were like at the start is not in the data, so nothing of it is adjusted for.",
         "The model, not adjusted, holds all patients.",
         "Who improved is not counted: no patient has a value at or before week 0, so there is no change from baseline."],
        ["favour", "At the start they differ", "Looked for and not found"], "Early: 0.29 N·m/kg higher at week 26",
    ),
    "many get worse": (
        {"gain": -2.0, "effect": better(0.3)}, {},
        [FAVOURS.format("early"), "Worse by as much: 57 % (34/60) with usual and 8 % (5/60) with early.",
         "Hardly anybody judged reached it (1 of 120)"],
        ["favour usual"], "Early: 0.28 N·m/kg higher at week 26",
    ),
    "everybody improves": (
        {"measure": "ikdc", "gain": 3.0}, {}, ["Everybody judged reached it (120 of 120)", "tell little"], ["favour"],
        "cannot be told",
    ),
    "at the best value": (
        {"measure": "ikdc", "level": 97.0}, {},
        ["Of 120 patients seen 44 have the best value there is, 100 points",
         "Of 120 patients judged 113 began too near the best IKDC subjective knee score to improve by 18.9 points.",
         "Nobody judged reached it (0 of 120)"],
        ["favour", "Looked for and not found"], "cannot be told",
    ),
    "nobody of one protocol": (
        {"lose": none_of_early, "effect": better(0.5, (6,))}, {},
        ["Early could not be compared with usual at week 26: nobody of early was seen.", "which cannot be told at week 26.",
         "usual 60/60, early 0/60",
         "A third or more have none: early (60 of 60)", "15 % (9/60) with usual.", "Fewer than 20 patients were seen: early (0)"],
        ["favour", NOTHING, "0/0", "not found at", "quadriceps torque at week 26 was", "Looked for and not found"],
        "Early, week 26: no interval",
    ),
    "impossible values": (
        {"measure": "knee_extension", "level": 9.6}, {},
        ["Means lie outside what groups of patients have (−45 to 5 deg)", "Ask how it was measured"],
        ["favour", "(better)", "Looked for and not found"], "cannot be told",
    ),
}  # fmt: skip


@pytest.fixture(scope="module", params=TRUTHS)
def told(request, study_in_memory):
    """Give what is said of a cohort beside what must and what must not be."""
    cohort, options, must, must_not, title = TRUTHS[request.param]
    study = study_in_memory(plant(**cohort), **{"imputations": 2, "design": "randomised", **options})
    (answer,) = comparison.answer(study)
    figures = [*comparison.differences(study), *comparison.balanced_comparison(study)]
    titles = [one.message for one in figures if isinstance(one, Figure) and one.message]
    return list(answer.paragraphs), titles, must, must_not, title


def test_what_must_be_said_is_said_and_what_must_not_is_not(told):
    paragraphs, titles, must, must_not, title = told
    said = "\n".join(paragraphs)
    assert [words for words in must if words not in said] == []
    assert [words for words in must_not if words in "\n".join([said, *titles])] == []
    assert len(titles) == 1
    assert title in titles[0]


@pytest.mark.parametrize(
    ("effect", "point"),
    [
        (better(0.3, (6, 12)), "Secondary: 0.29 N·m/kg higher with early at week 6 (so too at week 12), not found at week 26."),
        (better(0.3, (12, 26)), "Secondary: the difference of early is found no more at week 52."),
        ({"early": {6: -0.3, 12: -0.3, 26: 0.3, 52: 0.3}},
         "Secondary: 0.32 N·m/kg lower with early at week 12 (so too at week 6), the other way at week 26."),
    ],
)  # fmt: skip
def test_a_slide_tells_another_week_with_what_holds_at_the_primary_one(study_in_memory, effect, point):
    (answer,) = comparison.answer(study_in_memory(plant(effect=effect), imputations=2, design="randomised"))
    assert answer.points[2] == point
    assert not any("econdary" in one for one in answer.points if one != point)


def test_means_that_no_group_has_are_questioned_before_they_are_told(study_in_memory):
    for protocols in (("usual", "early"), ("usual",)):
        study = study_in_memory(
            plant(measure="knee_extension", level=9.6, protocols=protocols), imputations=2, design="randomised"
        )
        (answer,) = comparison.answer(study)
        assert answer.paragraphs[1].startswith(
            "Means lie outside what groups of patients have (−45 to 5 deg): usual 9.6 deg"
        )
        if len(protocols) == 2:
            assert answer.paragraphs[3].startswith("Means that lie outside")
            assert answer.points[1].startswith("Means lie outside")


@pytest.mark.parametrize(
    ("name", "doubt"),
    [
        ("one arm lost", "; a third or more lost of early"), ("half lost", "; a third or more lost of usual and early"),
        ("impossible values", "; means lie outside what groups have"), ("confounded", "; groups not made alike"),
        ("complete", ""),
    ],
)  # fmt: skip
def test_the_title_of_the_means_says_what_they_must_not_be_read_without(study_in_memory, name, doubt):
    cohort, options, *_ = TRUTHS[name]
    study = study_in_memory(plant(**cohort), imputations=2, **{"design": "randomised", **options})
    (figure,) = comparison.recovery(study)
    assert re.fullmatch(
        rf"Mean [a-z ]+ \(.+\) at week 26: (?:usual [\d.]+, early [\d.]+|[\d.]+ to [\d.]+){doubt}", figure.message
    )


def test_the_table_of_findings_says_what_in_short_says(study_in_memory):
    planted = plant(protocols=("usual", "early", "late"), effect=better(0.35), lose=share({"late": 0.5}))
    for design, verdict, kind in (
        ("randomised", "favours early", "difference"),
        ("observational", "early did better on average", "balanced difference"),
    ):
        table, *_ = comparison.every_finding(study_in_memory(planted, imputations=2, design=design))
        rows = table.data.set_index(["what", "protocol"])
        assert rows.loc["seen", "part"].tolist() == [60, 60, 27]
        assert rows.loc[f"{kind} at the primary week", "verdict"].tolist() == [verdict, "no conclusion"]
        assert rows.loc["responders in quadriceps torque", "verdict"].tolist()[1:] == [
            "more than the reference",
            "no conclusion",
        ]
        assert ("favour" in table.data.to_string()) is (design == "randomised")
        assert table.cells()["Patients"].tolist()[3:5] == ["–", "–"]


def reading_age(text):
    """Years of schooling by the automated readability index (Smith and Senter, AMRL-TR-66-220, 1967, from memory)."""
    sentences = [one for one in re.split(r"(?<=[.!?])\s+(?=[A-Z\d])", text) if one.strip()]
    words = re.findall(r"[A-Za-z]+(?:-[a-z]+)*|\d[\d.,/]*", text)
    letters = sum(len(re.sub(r"\W", "", one)) for one in words)
    return 4.71 * letters / len(words) + 0.5 * len(words) / len(sentences) - 21.43


def test_in_short_can_be_read_after_twelve_years_of_schooling(told):
    paragraphs, *_ = told
    assert reading_age(" ".join(paragraphs)) <= 12


def test_the_reading_age_is_that_of_the_formula():
    """Three words and eleven letters in one sentence, and a sentence nobody would read aloud."""
    assert reading_age("The cat slept.") == pytest.approx(4.71 * 11 / 3 + 0.5 * 3 - 21.43)
    assert (
        reading_age("Notwithstanding considerable interindividual heterogeneity, quantification remains approximate.")
        > 20
    )


def test_in_short_is_four_lines_who_was_seen_first_and_harms_apart(told):
    paragraphs, *_ = told
    assert len(paragraphs) == 5
    assert paragraphs[0].startswith("At week 26, ")
    assert " were seen" in paragraphs[0]
    assert paragraphs[4] == "Harms were not recorded, so nothing is said of them."
    assert not any("arm" in one for one in paragraphs[:4] if "one arm" not in one)
    assert max(len(one.split()) for one in paragraphs) <= 80


def test_what_in_short_leaves_out_is_counted_and_stands_with_the_table_of_findings(study_in_memory):
    """A cohort with nearly every doubt: three are told, in the order of their weight, and the others listed."""
    cohort = plant(
        measure="pain",
        patients=(60, 18),
        start={"early": 1.2},
        effect=better(1.2),
        lose=share({"usual": 0.1, "early": 0.3}),
    )
    study = study_in_memory(cohort, imputations=2, design="observational")
    (answer,) = comparison.answer(study)
    doubts = doubts_words(study.found, study.measure, allocation="observational")
    assert len(doubts) > 3
    *_, told, _ = answer.paragraphs
    more = int(re.search(r"And (\d+) more findings?, under The findings as a table\.$", told)[1])
    _, said, rest = comparison.every_finding(study)
    assert said.paragraphs == ("Found beside what In short says:",)
    assert len(rest.paragraphs) == more
    assert told.startswith(" ".join(doubts[:3]))
    assert "At the start they differ most from usual in pain" in told
    assert [one for one in doubts if one not in told] == [one for one in rest.paragraphs if one in doubts] == doubts[3:]
    everything = " ".join([*answer.paragraphs, *rest.paragraphs])
    assert all(one in everything for one in responders_words(study.responders[0]))


def test_where_nothing_is_missing_one_sentence_says_so(study_in_memory):
    study = study_in_memory(plant(patients=12), design="randomised")
    for section in (comparison.missing(study), comparison.sensitivity(study)):
        (said,) = section
        assert str(said).startswith(("Every patient was seen at every expected week", "No visit was missed"))
    some = study_in_memory(plant(patients=12, lose=share({"usual": 0.2})), imputations=2)
    assert len(list(comparison.missing(some))) == 3
    assert len(list(comparison.sensitivity(some))) >= 4


@pytest.mark.parametrize("sex", [False, True])
def test_without_any_value_at_the_start_a_sentence_says_so_in_place_of_empty_rows(study_in_memory, sex):
    cohort = plant(patients=12, weeks=(6, 12, 26), lose=share({"usual": 0.2, "early": 0.2}))
    if sex:
        people = cohort.patients.assign(sex=["female", "male"] * 12)
        cohort = dataclasses.replace(cohort, patients=people)
    section = comparison.missing(study_in_memory(cohort, imputations=2))
    said = [str(one) for one in section if isinstance(one, Passage)]
    assert said == [
        "Not in the data: a baseline of quadriceps torque, so those missing and seen at week 26 are not compared by it."
    ]
    tables = [one for one in section if isinstance(one, Table) and one.name == "missing-start"]
    assert len(tables) == sex
    assert all(row[0].startswith("sex") for one in tables for row in one.rows())
    whole = study_in_memory(plant(patients=12, lose=share({"usual": 0.2})), imputations=2)
    assert not [one for one in comparison.missing(whole) if isinstance(one, Passage)]

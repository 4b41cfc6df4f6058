"""A quarter's outcomes on invented cohorts and aggregates: whole, small, strange; attacked from what it prints."""

import json
import re
import zipfile
from dataclasses import replace

import nbformat
import numpy as np
import pandas as pd
import pytest

from analysis.cohort import write_cohort
from analysis.errors import CohortError, ReportError
from analysis.quarter import quarter_indicators
from analysis.quarter.network import aggregate, combine, write_combined
from analysis.report import make_report
from analysis.report.quarter import balancing, methods, outcomes, prepare_quarter, sites
from analysis.report.quarter.closing import NOT_FOR_RELEASE
from synthetic_cohort import generate_cohort

from .quarter_reader import counts_in_words, printed, recovered

SECTIONS = [
    "In short", "What changed", "Indicators", "Completeness", "Outcomes over time",
    "Recovery by quarter of start", "Sites",
    "Balancing measures", "Process over time", "Who waits, who is missing, who is left behind", "Actions", "Cautions", "Appendix",
]  # fmt: skip


def sited(cohort, names, seed=3):
    """Give the patients other sites, at random and of different size."""
    rng = np.random.default_rng(seed)
    weight = np.arange(1, len(names) + 1) / sum(range(1, len(names) + 1))
    codes = rng.choice(len(names), size=len(cohort.patients), p=weight)
    site = pd.Categorical.from_codes(codes, categories=list(names))
    return replace(cohort, patients=cohort.patients.drop(columns="therapist").assign(site=site))


def slim(cohort):
    """Keep what is quick to load: two measures at two weeks, a tenth of the sessions' rows."""
    visits = cohort.visits[cohort.visits["measure"].isin(["ikdc", "pain"]) & cohort.visits["week"].isin([0, 26])]
    return replace(cohort, visits=visits, sessions=cohort.sessions.iloc[::10], brace_limits=None)


@pytest.fixture(scope="module")
def cohort():
    made_up = generate_cohort(patients=1500, seed=5, quarters=14).observed
    return slim(sited(made_up, ["north", "east", "south", "west", "mid"]))


@pytest.fixture(scope="module")
def small():
    """Make few patients at six sites; one quarter has hardly any."""
    made_up = slim(
        sited(generate_cohort(patients=400, seed=7, quarters=5).observed, [f"site {one}" for one in "abcdef"])
    )
    quarter = made_up.patients["quarter"].astype("str")
    moved = quarter.index[quarter == "2022-Q3"][15:]
    return replace(
        made_up, patients=made_up.patients.assign(quarter=quarter.where(~quarter.index.isin(moved), "2022-Q4"))
    )


@pytest.fixture(scope="module")
def small_folder(small, tmp_path_factory):
    return write_cohort(small, tmp_path_factory.mktemp("small") / "cohort")


def test_every_section_is_there_and_the_page_keeps_the_rules(quick_quarter_of, page_rules, cohort):
    made = quick_quarter_of(cohort, changes=["2024-Q1: new garment <b>"])
    assert page_rules.problems(made.page) == []
    assert re.findall(r"<h2 id=\"[^\"]*\">(.*?)</h2>", made.page) == SECTIONS
    assert len(made.sentences("answer")) == 5
    assert "Patients improved:" in made.sentences("answer")[1]
    assert any("hidden" in line for line in made.sentences("study"))
    assert len(made.figures("outcomes")) == 2
    assert len(made.figures("balancing")) == 2
    assert made.figures("sites")
    assert made.figures("case-mix")
    assert [row[0] for row in made.tables("completeness")[0]["rows"]][-1] == "IKDC subjective knee score"
    assert any("Provost and Murray" in text for text in made.sentences("methods"))
    assert any("must" in text or "hidden" in text for text in made.sentences("cautions"))
    assert any("kneecurve report quarter_outcomes cohort" in text for text in made.sentences("provenance"))
    messages = [one["message"] for cell in made.cells for one in made.figures(cell) if one["message"]]
    assert len(messages) == 5
    names = [row[0] for row in made.figures("sites")[0]["table"]["rows"]]
    assert names == sorted(names)


def attack(cohort, made):
    """Read all that is printed and solve for every small count; give how many there are, and those not left open."""
    counts = quarter_indicators(cohort).counts
    return recovered(counts, printed(made, counts, counts.quarters[-1]))


@pytest.mark.slow
def test_the_attacker_reads_who_started_and_was_due_out_of_the_words(quick_quarter_of, cohort):
    """The reader of words finds what In short, titles, captions and alternative sentences print, and leaves no count over."""
    made, counts = quick_quarter_of(cohort), quarter_indicators(cohort).counts
    quarter = counts.quarters[-1]
    found, left = counts_in_words(made, counts, quarter)
    assert left == []
    names = {"started", "due", "change known", "improved", "harms", "followed six weeks"}
    assert {name for name, _ in found} >= names
    for name in names:
        assert found[name, quarter] == counts.matrix(name).loc[quarter].sum()


@pytest.mark.slow
def test_a_solver_that_reads_the_report_recovers_nothing(quick_quarter_of, small, small_folder):
    made = quick_quarter_of(small_folder)
    n_small, found = attack(small, made)
    assert n_small > 0
    assert found == []


@pytest.mark.slow
def test_without_hiding_the_same_solver_recovers_counts(quick_quarter_of, small, small_folder):
    """The attack can succeed: with nothing hidden it reads small counts off the page."""
    made = quick_quarter_of(small_folder, small_counts="shown")
    (cautions,) = made.parts("cautions", "passage")
    assert len(cautions["points"]) == 4
    assert NOT_FOR_RELEASE in cautions["paragraphs"]
    assert "Small counts are shown: for the team itself, never for release." in cautions["points"]
    _, found = attack(small, made)
    assert found
    assert any("must not leave the team" in line for line in made.sentences("study"))


@pytest.mark.slow
@pytest.mark.parametrize(("patients", "n_sites", "quarters"), [(240, 3, 5), (420, 3, 14), (900, 8, 12), (1500, 5, 14)])
def test_the_solver_recovers_nothing_from_other_reports(quick_quarter_of, tmp_path, patients, n_sites, quarters):
    for seed in (1, 2):
        made_up = generate_cohort(patients=patients, seed=seed, quarters=quarters).observed
        made_up = slim(sited(made_up, [f"site {i}" for i in range(n_sites)], seed=seed))
        made = quick_quarter_of(write_cohort(made_up, tmp_path / f"cohort {seed}"))
        _, found = attack(made_up, made)
        assert found == []


def due_late(cohort, n):
    """Let but n patients of the last quarter be not yet due at week 26, and unseen."""
    last = cohort.patients["quarter"].astype("str") == "2023-Q1"
    late = last & (last.cumsum() > n)
    gone = cohort.visits["patient_id"].isin(cohort.patients.loc[late, "patient_id"]) & (cohort.visits["week"] == 26)
    patients = cohort.patients.assign(due_week=np.where(late, 6.0, 26.0))
    return replace(cohort, patients=patients, visits=cohort.visits[~gone])


@pytest.mark.slow
@pytest.mark.parametrize(
    "change",
    [
        lambda made: replace(made, events=None),
        lambda made: replace(made, sessions=None),
        lambda made: replace(made, sessions=None, events=None),
        lambda made: due_late(made, 0),
        lambda made: due_late(made, 1),
        lambda made: due_late(made, 12),
        lambda made: replace(made, events=made.events.iloc[::9]),
    ],
)
@pytest.mark.parametrize("seed", [7, 8, 9])
def test_the_solver_recovers_nothing_where_the_words_alone_tell_who_started_or_was_due(
    quick_quarter_of, tmp_path, change, seed
):
    made_up = slim(sited(generate_cohort(patients=420, seed=seed, quarters=5).observed, list("abcd"), seed=seed))
    made_up = change(made_up)
    made = quick_quarter_of(write_cohort(made_up, tmp_path / "cohort"), quarter="2023-Q1")
    n_small, found = attack(made_up, made)
    assert n_small > 0
    assert found == []


def test_hidden_periods_and_sites_are_not_drawn(small_folder):
    study = prepare_quarter(small_folder)
    drawn, left_out = 0, 0
    for figure in [*outcomes(study), *balancing(study), *sites(study)]:
        if not hasattr(figure, "drawing"):
            continue
        hidden = np.flatnonzero(figure.data["hidden"].to_numpy())
        axes = figure.drawing().axes[0]
        points = [line for line in axes.lines if line.get_marker() not in ("None", None, "")]
        drawn += len(points)
        left_out += len(hidden)
        if "period" in figure.data:
            assert not {float(x) for line in points for x in line.get_xdata()} & {float(i) for i in hidden}
        assert figure.data.loc[figure.data["hidden"], "value"].isna().all()
    assert drawn > 0
    assert left_out > 0
    assert len(study.origin.patients) == 0


@pytest.mark.slow
def test_one_site_has_no_funnel(quick_quarter_of, page_rules, small):
    made = quick_quarter_of(replace(small, patients=small.patients.assign(site="only")))
    assert page_rules.problems(made.page) == []
    assert "a second site" in made.absent("sites")[0]["paragraphs"][0]
    assert made.absent("case-mix")


@pytest.mark.slow
def test_a_site_of_three_patients_is_hidden(quick_quarter_of, page_rules, cohort):
    site = cohort.patients["site"].astype("str")
    last = cohort.patients.index[cohort.patients["quarter"].astype("str") == "2025-Q2"][:3]
    made = quick_quarter_of(
        replace(cohort, patients=cohort.patients.assign(site=site.where(~site.index.isin(last), "tiny")))
    )
    assert page_rules.problems(made.page) == []
    rows = {row[0]: row for row in made.figures("sites")[0]["table"]["rows"]}
    assert rows["tiny"][3] == "hidden"
    assert not re.search(r"tiny[^;.]*\d", made.figures("sites")[0]["alt"])


@pytest.mark.slow
def test_markup_formulas_and_other_scripts_in_site_names_are_text(quick_quarter_of, page_rules, small):
    names = [
        "<script>alert(1)</script>",
        "=cmd('x')!A1",
        "عيادة",
        "Clínica São João & <b>Söhne</b>",
        "$x^2$ {}_%",
        "Küste",
    ]
    renamed = replace(small, patients=small.patients.assign(site=small.patients["site"].cat.rename_categories(names)))
    made = quick_quarter_of(renamed)
    assert page_rules.problems(made.page) == []
    assert "<script" not in made.page
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in made.page


def test_everything_missing_after_the_start(tmp_path, small):
    bare = replace(small, visits=small.visits[small.visits["week"] <= 0])
    with pytest.raises(CohortError, match="after the start"):
        prepare_quarter(write_cohort(bare, tmp_path / "cohort"))


@pytest.mark.slow
def test_without_sessions_and_events_each_section_says_so(quick_quarter_of, page_rules, small):
    made = quick_quarter_of(replace(small, sessions=None, events=None))
    assert page_rules.problems(made.page) == []
    assert "Nothing can be said" in made.absent("balancing")[0]["paragraphs"][0]


def test_aggregates_serve_in_place_of_a_cohort(quick_quarter_of, page_rules, tmp_path):
    rng = np.random.default_rng(4)
    rows = [
        (name, kind, role, f"{2024 + i // 12}-{i % 12 + 1:02d}", site, int(rng.binomial(60, share)), 60)
        for i in range(15)
        for site in ("a", "b", "c")
        for name, kind, role, share in (
            ("Full extension", "share", "outcome", 0.6),
            ("Irritation", "rate", "balancing", 0.3),
        )
    ]
    # An empty denominator in one month: a missing point, not 0 %.
    rows = [(*row[:5], 0, 0) if row[3] == "2024-05" else row for row in rows]
    columns = ["indicator", "kind", "role", "period", "site", "numerator", "denominator"]
    pd.DataFrame(rows, columns=columns).to_csv(tmp_path / "aggregates.csv", index=False)
    made = quick_quarter_of(tmp_path)
    assert page_rules.problems(made.page) == []
    table = made.figures("outcomes")[0]["table"]["rows"]
    assert table[4][:4] == ["May 2024", "0", "0", "–"]
    assert made.figures("sites")
    assert "column expected" in made.absent("case-mix")[0]["paragraphs"][0]
    assert made.absent("completeness")


@pytest.mark.slow
@pytest.mark.parametrize("hidden", [False, True])
def test_the_counts_of_a_network_serve_in_place_of_a_cohort(quick_quarter_of, page_rules, small, tmp_path, hidden):
    """Two sites send counts; where one of them hides small ones the page says nothing of what holds them."""
    names = sorted(small.patients["site"].astype("str").unique())[:2]
    sent = []
    for name in names:
        ids = small.patients.loc[small.patients["site"].astype("str") == name, "patient_id"]
        tables = {one: frame[frame["patient_id"].isin(ids)] for one, frame in small.tables() if one != "flow"}
        kept = "hidden" if hidden and name == names[1] else "shown"
        sent.append(aggregate(replace(small, flow=None, **tables), small_counts=kept)[0])
    both = combine(sent)
    made = quick_quarter_of(write_combined(both, tmp_path / "network"))
    assert page_rules.problems(made.page) == []
    assert "added up by kneecurve combine" in made.page
    assert ("never guessed" in made.page) == hidden


def test_expected_counts_of_aggregates_are_never_all_patients(tmp_path):
    """A sender expected 57.5 to 59.9 of 60 and 58 or 59 came: scaled up in proportion, one site would exceed its patients."""
    rows = [
        (
            "Full extension",
            f"2024-{month:02d}",
            site,
            59 if site == "a" else 58,
            60,
            59.9 if site == "a" else 57.5 - month / 50,
        )
        for month in range(1, 13)
        for site in ("a", "b", "c")
    ]
    columns = ["indicator", "period", "site", "numerator", "denominator", "expected"]
    pd.DataFrame(rows, columns=columns).to_csv(tmp_path / "aggregates.csv", index=False)
    found = prepare_quarter(tmp_path, small_counts="shown").case_mix
    assert found is not None
    assert (found.table["expected"] < found.table["n"]).all()
    assert found.table["expected"].sum() == pytest.approx(found.table["observed"].sum())
    assert found.table[["estimate", "lower", "upper"]].notna().all(axis=None)


def test_the_methods_say_which_charts_have_widened_limits(tmp_path):
    """Shares of 1,000 patients that swing by more than chance get a p' chart; those of 60 and steady ones do not."""
    rows = []
    for i in range(15):
        month = f"2024-{i % 12 + 1:02d}" if i < 12 else f"2025-{i - 11:02d}"
        swing = (40, -40, 10)[i % 3]
        rows += [("Full extension", month, 500 + swing, 1000), ("Seen", month, 800 + swing // 8, 1000)]
        rows += [("Night pain", month, 30 + swing // 4, 60)]
    pd.DataFrame(rows, columns=["indicator", "period", "numerator", "denominator"]).to_csv(
        tmp_path / "aggregates.csv", index=False
    )
    study = prepare_quarter(tmp_path)
    said = [line for line in methods(study).items[0].paragraphs if line.startswith("Where denominators are large")]
    assert len(said) == 1
    assert said[0].endswith(": Full extension.")
    assert [study.charts[one.name].chart.kind for one in study.released.indicators] == ["p'", "p", "p"]


def test_a_folder_that_is_neither_says_what_is_needed(tmp_path):
    with pytest.raises(CohortError, match="neither a cohort nor aggregates") as caught:
        prepare_quarter(tmp_path)
    assert "limited level" in caught.value.what_to_do
    assert "aggregates.csv" in caught.value.what_to_do


@pytest.mark.parametrize(
    ("given", "message"),
    [
        ({"quarter": "2031-Q1"}, "There are no data in the quarter 2031-Q1"),
        ({"baseline": "always"}, "The baseline 'always' names no period"),
        ({"changes": ["new garment"]}, "'new garment' is not a change in a period"),
        ({"changes": ["2031-Q1: new garment"]}, "is not a change in a period"),
    ],
)
def test_parameters_that_do_not_fit_are_refused(small_folder, given, message):
    with pytest.raises((CohortError, ReportError), match=message):
        prepare_quarter(small_folder, **given)


@pytest.mark.slow
def test_sixty_sites_keep_the_rules(quick_quarter_of, page_rules):
    made_up = sited(generate_cohort(patients=6000, seed=4, quarters=14).observed, [f"site {i:02d}" for i in range(60)])
    made = quick_quarter_of(made_up, site_quarters=8)
    assert page_rules.problems(made.page) == []
    assert len(made.figures("sites")[0]["table"]["rows"]) == 60
    assert len(made.figures("sites")[0]["alt"]) < 1500


@pytest.mark.slow
def test_all_four_forms_with_few_slides_and_nothing_hidden_in_any_file(cohort, tmp_path):
    folder = write_cohort(cohort, tmp_path / "cohort")
    files = make_report("quarter_outcomes", folder, tmp_path / "out", formats=("html", "pdf", "docx", "pptx"))
    assert files.html.stat().st_size < 3_000_000
    with zipfile.ZipFile(files.slides) as slides:
        pages = [name for name in slides.namelist() if re.fullmatch(r"ppt/slides/slide\d+\.xml", name)]
        notes = [name for name in slides.namelist() if re.fullmatch(r"ppt/notesSlides/notesSlide\d+\.xml", name)]
        text = " ".join(slides.read(name).decode() for name in [*pages, *notes])
    assert 8 <= len(pages) <= 12
    assert len(notes) == len(pages)
    with zipfile.ZipFile(files.word) as word:
        text += word.read("word/document.xml").decode()
    executed = nbformat.read(files.notebook, as_version=4)
    assert not any("data" in one and "text/plain" in one.data and "Cohort" in one.data["text/plain"]
                   for cell in executed.cells for one in cell.get("outputs", []))  # fmt: skip
    assert json.loads(files.record.read_text())["origin"]["steps"] == []
    # No patient's identifier is in any file.
    ids = set(cohort.patients["patient_id"])
    everything = text + files.html.read_text() + files.notebook.read_text() + files.record.read_text()
    everything = re.sub(
        r"[A-Za-z0-9+/=]{200,}", "", everything
    )  # pictures, in whose letters any name may stand by chance
    assert not {one for one in re.findall(r"[A-Za-z]*\d{4,}", everything) if one in ids}

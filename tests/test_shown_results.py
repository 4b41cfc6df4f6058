"""Every public result shows itself: a headline, a table of at most 12 rows, notes; in a notebook as HTML too."""

import html.parser
import importlib
import inspect
import re
from collections.abc import Mapping
from functools import cache

import numpy as np
import pandas as pd
import pytest

import analysis
from analysis.cohort import Measures, Threshold, write_cohort
from analysis.result import Result
from synthetic_cohort import generate_cohort

ROOMS = ("cohort", "curves", "outcomes", "quality", "quarter")
#: What users write down themselves shows how it is written: VisitWindow(week=6, earliest=4, latest=8).
WRITTEN_BY_USERS = {
    "CellSystem", "Indicator", "Prescription", "Provenance", "Source", "Threshold", "UsualSession", "ValueRule",
    "VisitSchedule", "VisitWindow",
}  # fmt: skip
MOST_LINES, LONGEST_TABLE, MOST_ROWS = 40, 12, 16


def public(room):
    """Give the names that a room exports, with what they are."""
    module = importlib.import_module(f"analysis.{room}")
    return {name: getattr(module, name) for name in module.__all__}


@cache
def clinic():
    return generate_cohort(patients=120, seed=5).observed


@cache
def quarters():
    return generate_cohort("meniscus surgery", patients=600, seed=8, quarters=6).observed


@cache
def curves():
    return analysis.fit_recovery(clinic(), "quadriceps_torque")


@cache
def counted():
    from analysis.quarter import quarter_indicators

    return quarter_indicators(quarters())


@cache
def released():
    from analysis.quarter import release

    counts = counted().counts
    return release(counts, counts.quarters[-1], baseline=counts.quarters[:3], window=counts.quarters[-4:])


def points(n=14):
    periods = [f"{2023 + i // 4}-Q{1 + i % 4}" for i in range(n)]
    numerator = np.array([40.0 + i % 3 for i in range(n)])
    frame = pd.DataFrame({"period": periods, "numerator": numerator, "denominator": 100.0})
    return frame.assign(value=frame["numerator"] / frame["denominator"], hidden=False, not_yet=False)


def made(tmp_path):
    """Give a result of every type that a public function returns, by the name of the type."""
    from analysis import cohort, outcomes, quarter

    one = clinic()
    frame = analysis.visit_frame(one, "pain")
    fit = analysis.fit_mixed(frame, "value ~ protocol * week_spline")
    pain = outcomes.choose_endpoint(one, "pain", week=26)
    means = outcomes.choose_endpoint(one, "pain", week=26, criterion=None)
    torque = outcomes.choose_endpoint(one, "quadriceps_torque", week=26, criterion=None)
    raw = pd.DataFrame({"id": ["a", "b"], "start": ["2026-01-05", "2026-02-03"], "pain": [3, 4]})
    raw.to_csv(tmp_path / "raw.csv", index=False)
    (tmp_path / "long.csv").write_text("id,arm,week,pain\na,x,0.2,4\na,x,6.5,2\nb,y,0,5\nb,y,6,3\n", encoding="utf-8")
    (tmp_path / "long.toml").write_text(
        'layout = "long"\n[patients]\npatient_id = "id"\nprotocol = "arm"\n[week]\ncolumn = "week"\n[schedule]\n'
        "windows = [{ week = 0, from = -8, to = 1 }, { week = 6, from = 4, to = 8 }]\n"
        '[[values]]\nmeasure = "pain"\ncolumn = "pain"\n',
        encoding="utf-8",
    )
    write_cohort(one, tmp_path / "folder")
    retest = pd.DataFrame(
        {"patient_id": np.repeat(np.arange(20), 2), "occasion": [1, 2] * 20, "value": np.arange(40.0) % 7}
    )
    rng = np.random.default_rng(4)
    anchored = pd.DataFrame({"improvement": rng.normal(5, 6, 120), "baseline": rng.normal(50, 10, 120)})
    anchored["anchor"] = np.where(anchored["improvement"] + rng.normal(0, 4, 120) > 6, "better", "same")
    sites = pd.DataFrame({"site": list("abcdef"), "numerator": [40, 45, 50, 30, 42, 44], "denominator": [100] * 6})
    said = generate_cohort(patients=120, seed=5).reported_sessions
    schedule = cohort.VisitSchedule(tuple(cohort.VisitWindow(at, at - 1, at + 1) for at in (0, 6, 12, 26)))
    chart = quarter.chart_of(released(), released().indicators[0])
    return [
        one,
        cohort.check_cohort(one),
        cohort.check_folder(tmp_path / "folder"),
        cohort.deidentify(tmp_path / "raw.csv", tmp_path / "clean", patient="id", start="start"),
        cohort.review_columns(tmp_path / "raw.csv", patient="id", start="start"),
        cohort.disclosure_risk(one),
        cohort.import_cohort(tmp_path / "long.csv", tmp_path / "long.toml"),
        cohort.load_catalogue(),
        cohort.load_catalogue()["pain"],
        cohort.to_scheduled_weeks(one, schedule)[1],
        curves(),
        pain,
        fit,
        analysis.visit_moments(frame, "value ~ protocol * week_spline"),
        analysis.visit_moments(frame, "value ~ protocol * week_spline").disclosure(),
        analysis.plan_moments(frame, "value ~ protocol * week_spline"),
        analysis.second_opinion(fit),
        outcomes.compare_outcomes(one, ["pain", "ikdc"], week=26),
        outcomes.subgroup_differences(generate_cohort(patients=240, seed=1).observed, "pain", "sex", week=26),
        outcomes.adherence_association(one, torque),
        outcomes.adjusted_means(one.patients, "body_mass_kg", "protocol", ["age_years"]),
        outcomes.balance_weights(one.patients, "protocol", ["age_years"]),
        outcomes.observational_comparison(one, "quadriceps_torque", ["age_years"]),
        outcomes.adherence_by_week(one),
        outcomes.adherence_classes(one),
        outcomes.baseline_table(one),
        outcomes.brace_by_week(one),
        outcomes.change_distribution(one, pain),
        outcomes.choose_threshold(one, "pain"),
        outcomes.chosen_group_change(one, pain, correlation=0.7),
        outcomes.complier_effect(one, torque, randomised=True),
        outcomes.events_by_protocol(one),
        outcomes.events_by_week(one),
        outcomes.find_thresholds(anchored, improved=["better"], draws=50),
        outcomes.gap_regained(one, torque),
        outcomes.home_dose(one),
        outcomes.missing_by_week(one, "pain"),
        outcomes.missing_data_analyses(one, pain, draws=5),
        outcomes.missing_patterns(one, "pain"),
        outcomes.number_needed_to_treat(0.1, -0.05, 0.25),
        outcomes.patient_flow(one, "pain"),
        outcomes.probability_of_response(one, outcomes.choose_endpoint(one, "knee_flexion", week=26), draws=20),
        outcomes.regression_to_mean(10, 0.7, share=0.25),
        outcomes.reliability(retest),
        outcomes.reported_adherence(one, said),
        outcomes.responders(one, "pain", week=26),
        outcomes.responders_at_two_weeks(one, pain, earlier=12),
        outcomes.time_to_stopping(one),
        outcomes.tipping_point(one, means, draws=5),
        outcomes.weeks_with_enough(one),
        counted(),
        counted().counts,
        released(),
        chart,
        quarter.xmr_chart(points()),
        quarter.run_chart(points(10)),
        quarter.funnel(sites),
        quarter.case_mix(counted().patients),
        quarter.quarter_change(released(), chart),
    ]


@pytest.fixture(scope="module")
def results(tmp_path_factory):
    return made(tmp_path_factory.mktemp("results"))


@pytest.fixture(scope="module")
def pages(results):
    """Give the name of the type of each result, and how it shows itself in a notebook."""
    return [(type(one).__name__, one._repr_html_()) for one in results]


class Page(html.parser.HTMLParser):
    """Counts the tags of a piece of HTML and the rows of the bodies of its tables."""

    def __init__(self, text):
        super().__init__()
        self.tags, self.open, self.without_scope = [], [], 0
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.open.append(tag)
        self.without_scope += tag == "th" and "scope" not in dict(attrs)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag


def test_every_public_type_is_a_result_or_written_by_users():
    types = {name: one for room in ROOMS for name, one in public(room).items() if inspect.isclass(one)}
    others = {name for name, one in types.items() if not issubclass(one, Result | Exception)}
    assert others == WRITTEN_BY_USERS


def test_what_public_functions_return_is_public_too():
    """A function that returns a type of the kit returns one that its room exports, so that it can be named."""
    plain = {"DataFrame", "Path", "NDArray", "bool_", "Any", "Iterator"}
    missing = []
    for room in ROOMS:
        known = {*public("cohort"), *public("curves"), *public("outcomes"), *public(room)} | plain
        for name, one in public(room).items():
            if inspect.isfunction(one):
                named = re.findall(r"\b[A-Z]\w+", str(inspect.signature(one).return_annotation))
                missing += [f"{name}: {returned}" for returned in named if returned not in known]
    assert missing == []


def test_every_public_result_was_made_here(results):
    types = {one for room in ROOMS for one in public(room).values() if inspect.isclass(one) and issubclass(one, Result)}
    assert types - {type(one) for one in results} == set()


def test_results_show_a_headline_a_short_table_and_notes(results):
    for one in results:
        text, name = repr(one), type(one).__name__
        assert str(one) == text, name
        lines = text.splitlines()
        assert 1 <= len(lines) <= MOST_LINES, f"{name}: {len(lines)} lines"
        assert len(text) < 8_000, f"{name}: {len(text)} characters"
        assert not re.search(rf"\b{name}\(|=array\(|DataFrame\(|dtype=| object at 0x", text), name
        assert lines[0], name
        assert lines[0] != name, name


def test_results_show_themselves_in_a_notebook_with_tables_that_can_be_read_aloud(pages):
    for name, shown in pages:
        page = Page(shown)
        assert page.open == [], name
        assert page.without_scope == 0, name
        assert page.tags.count("caption") == page.tags.count("table"), name
        bodies = [body.count("<tr>") for body in re.findall("<tbody>(.*?)</tbody>", shown, re.DOTALL)]
        assert max(bodies, default=0) <= LONGEST_TABLE, name
        assert sum(bodies) <= MOST_ROWS, name


def test_a_result_says_how_many_rows_there_are_in_all():
    text, page = repr(curves()), curves()._repr_html_()
    rows = len(curves().differences())
    assert rows > 0
    if rows > LONGEST_TABLE:
        assert f"{LONGEST_TABLE} of {rows} rows" in text
        assert f"{LONGEST_TABLE} of {rows} rows" in page
    assert f"means(): {len(curves().means())} rows" in text


def test_no_patient_is_shown(results, pages):
    ids = set(clinic().patients["patient_id"]) | set(quarters().patients["patient_id"])
    for one, (name, page) in zip(results, pages, strict=True):
        shown = re.findall(r"\w+", repr(one) + page)
        assert not ids & set(shown) or name in {"CheckReport", "Imported"}, name


def test_measures_are_a_mapping_that_shows_a_row_a_measure():
    shown = repr(analysis.load_catalogue())
    assert isinstance(analysis.load_catalogue(), Measures | Mapping)
    assert "points" in shown
    assert Threshold.__name__ not in shown


def test_types_and_errors_come_from_where_the_functions_come_from():
    from analysis import errors

    types = {name: one for room in ROOMS[:3] for name, one in public(room).items() if inspect.isclass(one)}
    own = {name: one for name, one in vars(errors).items() if getattr(one, "__module__", "") == errors.__name__}
    problems = {name: one for name, one in own.items() if inspect.isclass(one)}
    assert len(problems) > 10
    for name, one in (types | problems).items():
        assert name in analysis.__all__, name
        assert getattr(analysis, name) is one

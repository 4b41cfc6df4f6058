"""The data-quality report: every section, the page rules, what is shown at which level, and cohorts with errors."""

import re
from dataclasses import replace

import pytest

from analysis.cohort import Provenance, write_cohort
from analysis.errors import DeidentificationError
from analysis.report import make_report, quality
from analysis.report.parts import numbers
from analysis.report.parts.figures import Figure
from analysis.report.quality.closing import CAUTIONS
from synthetic_cohort import generate_cohort

SECTIONS = [
    "In short", "Findings", "Impossible and unlikely values", "Completeness", "Visit timing", "Who is lost", "Last digits",
    "Cautions", "Appendix",
]  # fmt: skip


@pytest.fixture(scope="module")
def cohort():
    whole = generate_cohort(patients=60, seed=3).observed
    measures = ["quadriceps_torque", "knee_flexion", "pain"]
    return replace(whole, visits=whole.visits[whole.visits["measure"].isin(measures)])


@pytest.fixture(scope="module")
def study(cohort, tmp_path_factory):
    return quality.prepare_check(write_cohort(cohort, tmp_path_factory.mktemp("study") / "cohort"))


def text_of(*sections):
    return "\n".join(str(item) for section in sections for item in section)


def every_section(study):
    parts = [getattr(quality, name)(study) for name in quality.__all__[2:-1]]
    return [*parts, quality.provenance(study, "cohort_check")]


#: As imported by a map that names the therapist.
_NAMED = Provenance(steps=("Relabelled for a test.",), decided=("patients.therapist",))


def real(cohort, privacy):
    return replace(cohort, provenance=_NAMED, privacy=privacy)


@pytest.mark.slow
def test_the_page_keeps_the_rules_and_has_every_section(tmp_path, page_rules, cohort):
    folder = write_cohort(cohort, tmp_path / "cohort")
    files = make_report("cohort_check", folder, tmp_path / "report")
    page = files.html.read_text(encoding="utf-8")
    assert page_rules.problems(page) == []
    assert re.findall(r"<h2 id=\"[^\"]*\">(.*?)</h2>", page) == SECTIONS
    assert page.count("<figure") == 2


def test_single_patients_are_shown_where_the_level_allows_it_only(tmp_path, cohort):
    shown = {}
    for privacy in ("safe-harbor", "limited"):
        folder = write_cohort(real(cohort, privacy), tmp_path / privacy)
        study = quality.prepare_check(folder)
        assert len(study.questions) > 0
        shown[privacy] = set(re.findall(r"\bp\d{4}\b", text_of(*every_section(study)[:-1])))
    assert shown["safe-harbor"] == set()
    assert shown["limited"]
    assert "stays within the organisation" in text_of(quality.subtitle(study))


def test_a_cohort_with_errors_is_reported_not_refused(tmp_path, cohort):
    folder = write_cohort(cohort, tmp_path / "cohort")
    visits = folder / "visits.csv"
    visits.write_text(visits.read_text() + "p0001,6,pain,none,70\np0001,0,pain,none,3\n")
    study = quality.prepare_check(folder)
    assert study.checked.n_errors == 3  # out of range, and both come twice
    assert "The check found 3 errors" in text_of(quality.answer(study))
    assert "the same patient_id, week, measure, limb as row" in text_of(quality.findings(study))


def test_a_cohort_with_identifiers_is_refused(tmp_path, cohort):
    folder = write_cohort(cohort, tmp_path / "cohort")
    patients = folder / "patients.csv"
    lines = patients.read_text().splitlines()
    patients.write_text("\n".join([lines[0] + ",email", *(f"{line},a@example.org" for line in lines[1:])]) + "\n")
    with pytest.raises(DeidentificationError):
        quality.prepare_check(folder)


def test_the_numbers_of_the_answer_are_those_of_the_cohort(cohort, study):
    said = text_of(quality.answer(study))
    last = cohort.visits[(cohort.visits["week"] == 52) & cohort.visits["value"].notna()]["patient_id"].nunique()
    assert f"Of 60 patients {60 - last} are lost before the last scheduled week" in said
    seen, expected = study.expected["seen"].sum(), len(study.expected)
    assert f"Of {numbers.count(expected)} expected values {numbers.count(seen)} are there" in said
    unlikely = len(study.questions)
    assert set(study.questions["severity"]) == {"unlikely"}
    judged = f"Of {numbers.plural(study.values_judged, 'value')} and {numbers.plural(study.changes_judged, 'change')} judged none is"
    assert f"{judged} impossible and {unlikely} unlikely: questions to the sites." in said


def test_a_cohort_without_a_schedule_site_or_fine_measures(tmp_path, cohort):
    visits = cohort.visits[cohort.visits["measure"] == "pain"].copy()
    visits["week"] = [7 * i / 100 for i in range(len(visits))]
    bare = replace(
        cohort, patients=cohort.patients[["patient_id", "protocol"]], visits=visits, sessions=None, events=None,
        brace_limits=None,
    )  # fmt: skip
    study = quality.prepare_check(write_cohort(bare, tmp_path / "cohort"))
    said = text_of(*every_section(study))
    assert "Visits follow no schedule" in said
    assert "Not in the data: a measure recorded finely enough" in said


def test_last_digits_stand_by_site_and_small_counts_are_hidden_at_the_safe_harbor_level(tmp_path, cohort):
    flexion = cohort.visits["measure"] == "knee_flexion"
    sites = cohort.patients.set_index("patient_id")["site"].astype("str")
    at_a = flexion & (cohort.visits["patient_id"].map(sites) == "site A")
    rounded = cohort.visits.assign(value=cohort.visits["value"].where(~at_a, 5 * (cohort.visits["value"] / 5).round()))
    rounded.loc[rounded.index[at_a][:3], "value"] += 1.0  # 3 values of site A end in another digit
    shown = {}
    for privacy in ("safe-harbor", "limited"):
        study = quality.prepare_check(write_cohort(real(replace(cohort, visits=rounded), privacy), tmp_path / privacy))
        shown[privacy] = text_of(quality.digits(study))
    n = int(rounded.loc[at_a, "value"].notna().sum())
    assert f"{n - 3}/{n} (" in shown["limited"]
    assert "By site, last digits are uneven in Knee flexion at site A (p below 0.001)." in shown["limited"]
    assert f"{n - 3}/{n} (" not in shown["safe-harbor"]
    assert "hidden" in shown["safe-harbor"]
    assert "a count from 1 to 10" in shown["safe-harbor"]
    assert "hidden" not in shown["limited"]


def test_without_sites_there_are_no_digits_by_site(tmp_path, cohort):
    bare = replace(cohort, patients=cohort.patients.drop(columns="site"))
    study = quality.prepare_check(write_cohort(bare, tmp_path / "cohort"))
    assert "by site" not in text_of(quality.digits(study)).lower()


def test_rules_of_ones_own_are_used_and_named(tmp_path, cohort):
    rules = tmp_path / "mine.toml"
    rules.write_text('[[rules]]\nmeasure = "pain"\nhighest = 5\nproblem = "pain above 5"\nsource = "our team"\n')
    study = quality.prepare_check(write_cohort(cohort, tmp_path / "cohort"), rules=str(rules))
    pain = cohort.visits[(cohort.visits["measure"] == "pain") & (cohort.visits["value"] > 5)]
    assert (study.questions["problem"] == "pain above 5").sum() == len(pain) > 0
    assert "pain above 5; Pain allowed to 5 points (source: our team)." in text_of(quality.methods(study))


def test_every_figure_can_be_drawn_wide_and_narrow_and_says_what_it_shows(study):
    figures = [item for section in every_section(study) for item in section if isinstance(item, Figure)]
    assert len(figures) == 2
    for figure in figures:
        assert len(figure.drawing("wide").axes) >= len(figure.drawing("narrow").axes) > 0
        assert re.search(r"\d", figure.alt)


def test_the_cautions_defer_and_judge_nobody():
    words = " ".join(one.text for one in CAUTIONS)
    for part in ("privacy officer and the ethics board", "treating clinician", "no judgement of a site"):
        assert part in words


@pytest.mark.parametrize(
    ("lost", "usable"), [((2, 2), True), ((0, 2), True), ((4, 3), False), ((0, 3), False), ((7, 7), False)]
)
def test_whether_a_cohort_can_be_used_depends_on_the_losses_by_protocol(study, lost, usable):
    """Of 12 and 15 patients: a third or more of one lost, or 15 points more than of the other, and no verdict is given."""
    sizes = {"usual": 12, "early": 15}
    by_protocol = tuple(sorted((name, gone, sizes[name]) for name, gone in zip(sizes, lost, strict=True)))
    clean = replace(study, found=replace(study.found, lost=by_protocol))
    assert clean.checked.n_errors == 0
    said = text_of(quality.answer(clean))
    assert ("the cohort can be used" in said) == usable
    counted = f"early {lost[1]}/15, usual {lost[0]}/12."
    assert (
        f"too many were lost before the last scheduled week to conclude anything about protocols there: {counted}"
        in said
    ) != usable

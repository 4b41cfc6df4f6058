"""A plan comes back from its file with the same hash, an edit shows, and a file that is none says all that is wrong."""

import re
from dataclasses import fields, replace
from typing import Literal, get_args, get_origin, get_type_hints

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.errors import KneecurveError, ReportError
from analysis.report.planned.design import design_of
from analysis.report.planned.document import plan_to_markdown
from analysis.report.planned.parts import LISTS, PARTS, PlannedAnalysis
from analysis.report.planned.plan import MOST_LETTERS, AnalysisPlan, plan_of_text, read_plan
from analysis.report.planned.write import write_plan

TEXTS = st.text(st.characters(codec="utf-8"), max_size=6)
SIMPLE = {
    str: TEXTS,
    bool: st.booleans(),
    int: st.integers(-(2**40), 2**40),
    float: st.floats(allow_nan=False, allow_infinity=False),
}
DESIGN = """
protocols = ["usual", "early"]
visit_weeks = [0, 6]
measures = ["pain"]
"""


def any_value(declared):
    if get_origin(declared) is Literal:
        return st.sampled_from(get_args(declared))
    if get_origin(declared) is list:
        return st.lists(any_value(get_args(declared)[0]), max_size=2)
    return SIMPLE[declared]


def any_part(part):
    hints = get_type_hints(part)
    return st.builds(part, **{one.name: any_value(hints[one.name]) for one in fields(part)})


ANALYSES = st.builds(
    PlannedAnalysis,
    **{
        name: st.lists(any_part(part), max_size=2).map(tuple) if name in LISTS else any_part(part)
        for name, part in PARTS.items()
    },
)


@settings(max_examples=15, deadline=None)
@given(ANALYSES)
def test_a_plan_comes_back_from_its_text_with_the_same_hash(analysis):
    plan = AnalysisPlan.of(analysis, kit="0.1.0", made="2026-01-31")
    again = plan_of_text(plan.to_toml(), "text")
    assert again == plan
    assert again.digest == plan.sha256
    assert not again.edited


@pytest.fixture(scope="module")
def plan():
    from analysis.report import plan_analysis
    from synthetic_cohort import generate_cohort

    return plan_analysis(generate_cohort(patients=60, seed=1).observed, parameters={"secondary": ["ikdc"]})


def test_every_edit_of_a_key_shows_and_of_a_comment_or_order_none(plan):
    text = plan.to_toml()
    assert plan_of_text(text.replace("threshold = 90.0", "threshold = 85.0"), "text").edited
    assert plan_of_text(text.replace(plan.made, "2020-01-01"), "text").edited
    sections = re.split(r"\n\n(?=\[)", text)
    otherwise = "\n\n".join([sections[0], *reversed(sections[1:2]), *sections[2:]])
    assert not plan_of_text(
        re.sub(r"  # .*", "", otherwise).replace("primary_week = 26.0", "primary_week = 26"), "text"
    ).edited


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda text: "nothing = at all", "no valid TOML"),
        (lambda text: re.sub('sha256 = ".*"', "", text), "sha256 is missing"),
        (lambda text: re.sub('sha256 = ".*"', 'sha256 = "12"', text), "64 digits"),
        (lambda text: re.sub('made = ".*"', 'made = "yesterday"', text), "made must be a date"),
        (lambda text: text.replace("[limits]", "[limit]"), "limit is not known"),
        (lambda text: text.replace("few_seen = 20", 'few_seen = "20"'), "limits.few_seen must be a whole number"),
        (lambda text: text.replace("few_seen = 20", "few_seen = true"), "limits.few_seen must be a whole number"),
        (lambda text: text.replace("level = 0.95", "level = nan"), "multiplicity.level must be a number"),
        (lambda text: text.replace('limb = "involved"', 'leg = "left"'), "endpoint.leg is not known"),
        (lambda text: text.replace('criterion = "state"', 'criterion = "luck"'), "one of improvement, percent, state"),
        (lambda text: text + "#" * MOST_LETTERS, "too large"),
        (lambda text: text.replace('measure = "quadriceps_torque"', "", 1), "endpoint.measure is missing"),
        (lambda text: text.replace("criterion =", "#", 1), "responders[1].criterion is missing"),
        (lambda text: text.replace("plan_version = 1", "plan_version = 0"), "plan_version must be a whole number from 1"),
    ],
)  # fmt: skip
def test_a_file_that_is_no_plan_is_refused_in_three_parts(plan, tmp_path, change, said):
    file = tmp_path / "plan.toml"
    file.write_text(change(plan.to_toml()), encoding="utf-8")
    with pytest.raises(ReportError, match=re.escape(said)) as caught:
        read_plan(file)
    assert caught.value.where == str(file)
    assert "plan-analysis" in caught.value.what_to_do


def test_a_plan_of_a_later_version_is_refused_and_one_without_a_version_is_of_the_first(plan):
    text = plan.to_toml()
    assert "\nplan_version = 1\n" in text
    assert plan_of_text(text.replace("plan_version = 1\n", ""), "text") == plan
    later = text.replace("plan_version = 1", "plan_version = 2").replace("[limits]", "[bounds]")
    with pytest.raises(
        ReportError,
        match="The plan is of version 2, and this kit reads plans up to version 1",
    ):
        plan_of_text(later, "text")


def test_a_plan_of_an_earlier_kit_may_lack_keys_and_keeps_its_hash(plan):
    """As a kit that did not know two keys would have made it: they are in neither its text nor its hash."""
    lacking = (("missing", "imputations"), ("limits", "few_seen"))
    earlier = replace(plan, lacking=lacking)
    earlier = replace(earlier, sha256=earlier.digest)
    text = earlier.to_toml()
    assert "imputations" not in text
    again = plan_of_text(text, "text")
    assert again.lacking == lacking
    assert not again.edited
    assert again.to_toml() == text
    assert "imputations" not in again.parameters()
    with pytest.raises(
        ReportError, match=r"does not say everything that its document would: missing\.imputations, limits\.few_seen"
    ):
        plan_to_markdown(again)
    assert plan_of_text(re.sub("few_seen = .*", "", plan.to_toml()), "text").edited  # taken out by hand


def test_the_document_of_an_edited_plan_is_written_also_without_a_covariance(plan):
    model = replace(plan.analysis.model, covariances=[])
    document = plan_to_markdown(replace(plan, analysis=replace(plan.analysis, model=model)))
    assert "Within the patient: not said." in document


def test_nothing_is_replaced_or_left_half_written(plan, tmp_path):
    written = write_plan(plan, tmp_path / "deep" / "plan.toml")
    assert [path.name for path in written] == ["plan.toml", "plan.md"]
    assert plan.sha256 in written[1].read_text(encoding="utf-8")
    before = {path: path.read_bytes() for path in written[0].parent.iterdir()}
    written[0].unlink()
    with pytest.raises(ReportError, match="already"):
        write_plan(plan, written[0])
    assert not written[0].exists()
    write_plan(plan, written[0], overwrite=True)
    assert {path: path.read_bytes() for path in written[0].parent.iterdir()} == before


@pytest.mark.parametrize(
    ("design", "said"),
    [
        ('protocols = ["usual"]', "two or more"),
        (DESIGN + 'reference = "late"', "reference is not one of protocols"),
        (DESIGN + "arms = 2", "arms is not known"),
        (DESIGN.replace("pain", "luck"), "no measure 'luck'"),
        (DESIGN.replace('["pain"]', "{ pain = [0, 7] }"), "none of visit_weeks"),
        (DESIGN.replace("pain", "limb_symmetry_index"), "is computed"),
        (DESIGN + "[covariates]\nage_years = [60, 16]", "lowest and the highest"),
        (DESIGN + "[covariates]\nage_years = [-1e308, 1e308]", "lowest and the highest"),
        (DESIGN.replace("[0, 6]", f"{list(range(40))}"), "more than"),
    ],
)
def test_a_file_that_is_no_design_says_all_that_is_wrong(tmp_path, design, said):
    file = tmp_path / "design.toml"
    file.write_text(design, encoding="utf-8")
    with pytest.raises(KneecurveError, match=said) as caught:
        design_of(file)
    assert caught.value.what_to_do

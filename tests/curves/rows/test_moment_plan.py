"""Parts gathered by a plan: sums of the same things, and every disagreement refused with the difference."""

import json

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from analysis.curves.formula.gathered import plan_moments, visit_moments
from analysis.curves.mixed_model import fit_mixed
from analysis.curves.rows.moment_plan import read_moment_plan
from analysis.errors import ModelError

from ..cohort_of_visits import visits

FIXED = "value ~ protocol * week_spline + baseline + pain"


def halves(frame):
    odd = frame["patient_id"] % 2 == 1
    return frame[~odd], frame[odd]


def by_pattern(moments):
    return moments.products[np.lexsort(moments.seen.T)]


def same_fit(one, other):
    assert one.n_patients == other.n_patients
    assert one.criterion == pytest.approx(other.criterion, rel=1e-11)
    assert_allclose(one.coefficients, other.coefficients, rtol=1e-6, atol=1e-9)


def test_parts_in_any_order_are_the_pooled_rows():
    frame = visits()
    whole, plan = fit_mixed(frame, FIXED), plan_moments(frame, FIXED)
    first, second = (visit_moments(part, FIXED, plan=plan) for part in halves(frame))
    for total in (first + second, second + first):
        same_fit(fit_mixed(total, FIXED), whole)
        assert_allclose(by_pattern(total), by_pattern(visit_moments(frame, FIXED, plan=plan)), rtol=1e-10, atol=1e-8)
        assert total.plan == plan.digest


def test_parts_without_a_plan_agree_by_themselves_whatever_each_lacks():
    """The first part lacks a week, a protocol and every change of pain within a patient."""
    frame = visits()
    first, second = halves(frame)
    first = first[(first["week"] < 20) & (first["protocol"] != "motion")]
    first = first.assign(pain=first.groupby("patient_id")["pain"].transform("first"))
    found = visit_moments([first, second], FIXED)
    same_fit(fit_mixed(found, FIXED), fit_mixed(pd.concat([first, second]), FIXED))
    assert plan_moments([first, second], FIXED).digest == found.plan
    with pytest.raises(ModelError, match="read once only need a plan"):
        visit_moments(iter([first, second]), FIXED)


def test_a_plan_is_written_and_read(tmp_path):
    frame = visits().assign(day=lambda rows: (rows["week"] > 6).map({True: "late", False: "early"}))
    plan = plan_moments(frame, FIXED + " + day")
    path = plan.save(tmp_path / "agreed")
    assert [one.name for one in tmp_path.iterdir()] == ["agreed.json"]
    again = read_moment_plan(path)
    assert again.digest == plan.digest
    assert repr(again) == repr(plan)
    first, second = (visit_moments(part, FIXED + " + day", plan=again) for part in halves(frame))
    same_fit(fit_mixed(first + second, FIXED + " + day"), fit_mixed(frame, FIXED + " + day"))
    for text in ("no plan", "{}", json.dumps({**json.loads(path.read_text()), "format": "plan of moments, version 0"})):
        path.write_text(text)
        with pytest.raises(ModelError, match="holds no plan of moments that this version reads"):
            read_moment_plan(path)


def changed(column, where, value):
    def change(frame):
        frame = frame.astype({"protocol": "str"})
        return frame.assign(**{column: frame[column].where(~where(frame), value)})

    return change


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (
            changed("week", lambda rows: rows["week"] == 6, 7.0),
            r"there are visits at week 7, which is not on the schedule",
        ),
        (
            changed("protocol", lambda rows: rows["patient_id"] == 5, "other"),
            "protocol holds other, and the levels agreed",
        ),
        (changed("baseline", lambda rows: rows["week"] == 6, 1.0), "baseline takes two values in one patient"),
        (
            lambda rows: rows.assign(baseline=rows["baseline"].astype(str)),
            "baseline holds words, and numbers were agreed",
        ),
        (lambda rows: pd.concat([rows, rows[:2]]), "2 rows of this part repeat a patient's week"),
    ],
)
def test_a_part_that_is_not_as_agreed_is_refused_with_the_difference(change, message):
    frame = visits()
    plan = plan_moments(frame, "value ~ protocol * week + baseline")
    with pytest.raises(ModelError, match=message):
        visit_moments(change(frame), plan.fixed, plan=plan)


def test_what_varies_with_the_week_only_is_agreed_too():
    frame = visits().assign(wave=lambda rows: np.where(rows["week"] < 5, 1.0, 2.0))
    fixed = "value ~ protocol + wave"
    first, second = halves(frame)
    plan = plan_moments(frame, fixed)
    other = second.assign(wave=second["wave"].where(second["week"] != 12, 3.0))
    with pytest.raises(ModelError, match="wave differs from what was agreed for every patient at week 12"):
        visit_moments(other, fixed, plan=plan)
    with pytest.raises(ModelError, match=r"wave has two values at week 12[^0-9]*\n *where: 2.0 and 3.0"):
        visit_moments(first, fixed) + visit_moments(other, fixed)
    same_fit(fit_mixed(visit_moments([first, other], fixed), fixed), fit_mixed(pd.concat([first, other]), fixed))
    early, late = first[first["week"] < 10], second[second["week"] > 1]  # once an IndexError of the fit
    same_fit(
        fit_mixed(visit_moments(early, fixed) + visit_moments(late, fixed), fixed),
        fit_mixed(pd.concat([early, late]), fixed),
    )


def test_a_patient_in_two_parts_is_refused_not_counted_twice():
    frame = visits()
    first, second = halves(frame)
    twice = pd.concat([second, first[first["patient_id"] == 4]])
    for parts in ((first, twice), (first.astype({"patient_id": "str"}), twice.astype({"patient_id": "str"}))):
        with pytest.raises(ModelError, match="1 patient is in both of these parts and would be counted twice"):
            visit_moments(parts[0], FIXED) + visit_moments(parts[1], FIXED)
        with pytest.raises(ModelError, match="1 patient is in both"):
            visit_moments(parts, FIXED)


def test_the_reference_is_that_of_the_plan_whatever_a_part_has_first():
    frame = visits().astype({"protocol": "str"})
    parts = [frame[frame["protocol"] == name] for name in ("stimulation", "exercise", "motion")]
    plan = plan_moments(visits(), "value ~ protocol * week")
    for order in ((0, 1, 2), (2, 1, 0)):
        fit = fit_mixed(visit_moments([parts[i] for i in order], plan.fixed, plan=plan), plan.fixed)
        assert set(fit.differences(weeks=[6.0])["reference"]) == {"exercise"}


@pytest.mark.parametrize("kind", ["category", "str"])
def test_levels_have_the_order_of_the_pooled_rows_whatever_part_comes_first(kind):
    """Each part has one protocol: declared in an order, or as words, which are put in that of the alphabet."""
    frame = visits().astype({"protocol": kind})
    whole = fit_mixed(frame, "value ~ protocol * week")
    parts = [frame[frame["protocol"] == name] for name in ("motion", "stimulation", "exercise")]
    for order in ((0, 1, 2), (2, 1, 0), (1, 0, 2)):
        found = visit_moments([parts[i] for i in order], "value ~ protocol * week")
        assert (
            fit_mixed(found, "value ~ protocol * week").coefficients.index.tolist() == whole.coefficients.index.tolist()
        )


def test_two_plans_and_what_learns_from_patients_are_refused():
    frame = visits()
    plans = [plan_moments(rows, "value ~ protocol") for rows in (frame, frame[frame["week"] < 20])]
    first = visit_moments(frame[frame["week"] < 20], "value ~ protocol", plan=plans[0])
    second = visit_moments(frame[frame["week"] < 20], "value ~ protocol", plan=plans[1])
    with pytest.raises(ModelError, match="gathered by two plans"):
        first + second
    with pytest.raises(ModelError, match="for another formula"):
        visit_moments(frame, "value ~ week", plan=plans[0])
    with pytest.raises(ModelError, match="learns from the patients"):
        visit_moments([frame], "value ~ center(baseline)")
    with pytest.raises(ModelError, match="follow no schedule"):
        plan_moments(visits(unscheduled=True), "value ~ week")
    with pytest.raises(ModelError, match="These are no visits but NoneType"):
        visit_moments(None, "value ~ week")
    with pytest.raises(ModelError, match="There are no visits"):
        visit_moments([], "value ~ week")


def test_numbers_of_patients_are_not_written_to_a_file(tmp_path):
    moments = visit_moments(visits(), FIXED)
    assert moments.who.size == moments.n_patients
    with np.load(moments.save(tmp_path / "file", trusted=True), allow_pickle=False) as stored:
        assert "who" not in stored.files
        assert "who" not in json.loads(str(stored["words"]))


def tampered(held, column, **changes):
    return {"covariates": [{**one, **(changes if one["name"] == column else {})} for one in held["covariates"]]}


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda held: {"weeks": [6, 0, 2, 12, 26]}, "weeks must be numbers that increase"),
        (lambda held: {"weeks": [0, 2, 6, 12, float("nan")]}, "weeks must be numbers that increase"),
        (lambda held: {"weeks": list(range(70))}, "70 weeks, and a schedule has at most 62"),
        (lambda held: {"outcome_shift": None}, "shifts must be numbers"),
        (lambda held: {"shifts": [1]}, "shifts must be numbers"),
        (lambda held: {"shifts": {"protocol[motion]": 0.5}}, "only numbers have shifts"),
        (lambda held: {"fixed": 3}, "must be words"),
        (lambda held: {"covariates": held["covariates"] * 2}, "each column must stand in it once"),
        (lambda held: {"covariates": held["covariates"][:1]}, "do not read the same columns: late, protocol"),
        (
            lambda held: tampered(held, "baseline", name="zz", by_week=None) | {"shifts": {}},
            "columns: baseline, zz in one",
        ),
        (lambda held: tampered(held, "protocol", scope="site"), "varies with 'site', which is none of"),
        (
            lambda held: tampered(held, "protocol", levels=["exercise"] * 2),
            "levels of protocol must be words, each once",
        ),
        (lambda held: tampered(held, "protocol", levels=[1, 2, 3]), "levels of protocol must be words, each once"),
        (
            lambda held: tampered(held, "protocol", levels=["exercise", "motion"]),
            "protocol holds stimulation, and the levels",
        ),
        (lambda held: tampered(held, "late", by_week=None), "late needs a value for each week"),
        (lambda held: tampered(held, "late", by_week=[0.0, 1.0]), "late has 2 values for 5 weeks"),
        (lambda held: tampered(held, "late", by_week=[[0.0]] * 5), "late has a value by week that is no number"),
    ],
)
def test_a_plan_that_was_changed_by_hand_is_refused_with_what_is_wrong(tmp_path, change, message):
    """Unsorted weeks once put visits into wrong places; the others were errors of pandas and numpy."""
    frame = visits().assign(late=lambda rows: 1.0 * (rows["week"] > 5))
    plan = plan_moments(frame, "value ~ protocol * week + baseline + late")
    path = plan.save(tmp_path / "agreed")
    held = json.loads(path.read_text())
    path.write_text(json.dumps({**held, **change(held)}))
    with pytest.raises(ModelError, match=message):
        visit_moments([frame], plan.fixed, plan=read_moment_plan(path))


def test_parts_of_more_weeks_than_a_schedule_has_are_refused():
    """Patterns of more than 62 weeks once fell together."""
    parts = [
        pd.DataFrame({"patient_id": i, "week": np.arange(35.0) + 35 * i, "value": np.arange(35.0) % 7}) for i in (0, 1)
    ]
    with pytest.raises(ModelError, match="70 weeks, and a schedule has at most 62"):
        visit_moments(parts, "value ~ 1")


@pytest.mark.parametrize("kind", ["int64", "Int64", "float64", "str", "category", object])
def test_an_identifier_is_the_same_patient_whatever_its_type(kind):
    first, second = halves(visits())
    again = pd.concat([second, first[first["patient_id"] == 4]]).astype({"patient_id": kind})
    with pytest.raises(ModelError, match="1 patient is in both"):
        visit_moments([first, again], "value ~ week")


def test_long_identifiers_are_told_apart():
    """Beyond 2**53 neighbours were one patient as floats."""
    frame = visits()
    frame["patient_id"] += 2**60
    assert visit_moments(halves(frame), "value ~ week").n_patients == 40


def test_expressions_that_read_other_rows_are_refused():
    """Each part has its own mean; the sums were those of nothing."""
    frame = visits()
    for expression in ("I(baseline - baseline.mean())", "I(baseline.rank())"):
        fixed = f"value ~ week + {expression}"
        with pytest.raises(ModelError, match="learns from the patients"):
            visit_moments(halves(frame), fixed)
    assert visit_moments(halves(frame), "value ~ week + np.log(baseline) + I(pain**2)").n_patients == 40


def test_a_plan_is_asked_for_where_a_path_is_given():
    with pytest.raises(ModelError, match="The plan is no MomentPlan but str"):
        visit_moments(visits(), "value ~ week", plan="agreed.json")


def test_a_plan_holds_no_means_but_its_shifts():
    plan = plan_moments(visits(), FIXED)
    assert all(np.isnan(one.mean) for one in plan.covariates)
    assert set(plan.shifts) == {"baseline"}

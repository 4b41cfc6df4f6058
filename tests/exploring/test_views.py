"""Views of a cohort: what is drawn is what the functions of the kit give, and no word says more than was seen."""

import re
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from analysis import fit_recovery, responders
from analysis.cohort import Provenance, write_cohort
from analysis.errors import CohortError, ModelError
from analysis.exploring import View, look, patients_of
from analysis.exploring.code import code_of
from analysis.report.parts.look import marks
from synthetic_cohort import generate_cohort

VIEWS = {
    "curves": View("quadriceps_torque", week=12.0),
    "differences": View(
        "pain", picture="differences", protocols=("exercise only", "home stimulation and early motion")
    ),
    "responders": View("ikdc", picture="responders", week=26.0, by="sex", group="female"),
    "a state": View("knee_flexion", picture="responders", week=26.0, criterion="state", threshold=120.0),
    "one patient": View("pain", picture="one patient", patient="p0003"),
    "last seen": View("pain", picture="last seen"),
}


@pytest.fixture(scope="module")
def cohort():
    return generate_cohort(patients=60, seed=3).observed


@pytest.mark.parametrize("name", VIEWS)
def test_the_cell_makes_the_same_figure(cohort, name, tmp_path):
    looked = look(cohort, VIEWS[name])
    folder = write_cohort(cohort, tmp_path / "cohort")
    *before, last = code_of(looked.view, folder.as_posix()).splitlines()
    names = {}
    exec("\n".join(before), names)
    made = eval(last, names)
    assert (made.name, made.alt, made.caption) == (looked.figure.name, looked.figure.alt, looked.figure.caption)
    pd.testing.assert_frame_equal(made.data, looked.figure.data, rtol=1e-6)


def test_the_numbers_in_the_words_are_those_of_the_fit(cohort):
    curves = fit_recovery(cohort, "pain", primary_week=12.0)
    seen, means = look(cohort, View("pain", week=12.0)).words
    at = curves.visits[curves.visits["week"] == 12].groupby("protocol", observed=True)["patient_id"].nunique()
    every = cohort.patients["protocol"].value_counts()
    assert [f"{at[name]} of {every[name]} with {name}" in seen for name in curves.protocols] == [True] * 3
    numbers = [float(text) for text in re.findall(r"(\d+\.\d+) \(", means)]
    shown = curves.means()
    assert numbers == pytest.approx(shown.loc[shown["week"] == 12, "estimate"].tolist(), abs=0.006)
    told = look(cohort, View("pain", picture="responders", week=12.0)).words[1]
    counted = responders(cohort, "pain", week=12).table
    assert re.findall(r"(\d+)/(\d+)", told) == [
        (str(row.responders), str(row.n)) for row in counted.itertuples()
    ]  # fmt: skip


def with_effect(cohort, effect):
    """Take the scatter of the model away and leave an effect of early motion on pain, after the start."""
    rng = np.random.default_rng(1)
    people = cohort.patients.set_index("patient_id")["protocol"].astype("str")
    visits = cohort.visits[cohort.visits["measure"].astype("str") == "pain"].reset_index(drop=True)
    early = visits["patient_id"].map(people).eq("home stimulation and early motion") & (visits["week"] > 0)
    return replace(cohort, visits=visits.assign(value=(5 + rng.normal(0, 0.5, len(visits)) + effect * early).round(3)))


@pytest.mark.parametrize("effect", [0.0, -2.0])
def test_nothing_is_called_better_or_a_difference_whatever_is_there(cohort, effect):
    planted = with_effect(cohort, effect)
    for picture in ("curves", "differences", "responders"):
        said = "\n".join(look(planted, View("pain", picture=picture, week=26.0)).words)
        assert not re.search(r"favour|better than|worse|significan|no difference|effective|recommend", said), said
    (sizes,) = look(planted, View("pain", picture="differences", week=26.0)).words[1:]
    assert "(lower is better)" in sizes
    shown = float(re.search(r"early motion ([−+]?\d+\.\d+)", sizes)[1].replace("−", "-"))
    assert shown == pytest.approx(effect, abs=0.5)


def test_of_patients_who_were_perhaps_not_allocated_a_difference_is_called_an_association(cohort):
    real = replace(cohort, provenance=Provenance())
    for picture in ("curves", "differences", "responders"):
        view = View("pain", picture=picture, week=26.0)
        assert "a difference between protocols is an association" in look(real, view).caution
        assert "association" not in look(cohort, view).caution
    alone = View("pain", week=26.0, protocols=("exercise only",))
    assert "association" not in look(real, alone).caution + look(real, View("pain", picture="last seen")).caution


def test_where_too_many_are_lost_it_is_said(cohort):
    early = cohort.patients.loc[cohort.patients["protocol"] == "home stimulation", "patient_id"].iloc[:12]
    gone = cohort.visits["patient_id"].isin(early) & (cohort.visits["week"] >= 26)
    lost = replace(cohort, visits=cohort.visits[~gone])
    for picture in ("curves", "differences", "responders"):
        assert "Too many were not" in "\n".join(look(lost, View("pain", picture=picture, week=26.0)).words)
        assert "Too many were not" not in "\n".join(look(cohort, View("pain", picture=picture, week=6.0)).words)


def test_without_a_schedule_nobody_is_said_to_be_lost(cohort):
    rng = np.random.default_rng(2)
    weeks = cohort.visits["week"].where(
        cohort.visits["week"] <= 0, cohort.visits["week"] + rng.uniform(-1, 1, len(cohort.visits))
    )
    loose = replace(cohort, visits=cohort.visits.assign(week=weeks.round(2)))
    assert look(loose, View("pain")).words[0].startswith("Visits have no schedule; the curves hold ")
    means = look(loose, View("pain")).words[1]
    assert means.count("home stimulation and early motion") == 1, means
    assert look(loose, View("pain", picture="last seen")).words == (
        "Visits have no schedule, so nobody can be said to be lost.",
    )


def test_without_any_value_nobody_is_shown_as_seen(cohort):
    nothing = replace(cohort, visits=cohort.visits.assign(value=np.nan))
    with pytest.raises(ModelError, match="no value of any visit"):
        look(nothing, View("pain", picture="last seen"))


def test_names_move_no_cursor_and_turn_no_writing(cohort):
    protocol = cohort.patients["protocol"].cat.rename_categories(lambda name: f"{name}\x1b[31m\u202e")
    odd = replace(cohort, patients=cohort.patients.assign(protocol=protocol), reference=None)
    said = str(look(odd, VIEWS["last seen"]))
    assert "\x1b" not in said
    assert "\u202e" not in said
    assert "exercise only\\x1b[31m\\u202e" in said


def test_protocols_keep_their_marks_when_others_are_left_out(cohort):
    every = ["exercise only", "home stimulation", "home stimulation and early motion"]
    looked = look(cohort, replace(VIEWS["curves"], protocols=(every[0], every[2])))
    assert marks(every)[every[2]].colour in looked.svg().decode()
    assert marks(every)[every[1]].colour not in looked.svg().decode()
    assert looked.svg() == looked.svg()


def test_still_seen_counts_the_last_visits(cohort):
    table = look(cohort, VIEWS["last seen"]).figure.data
    last = cohort.visits.groupby("patient_id")["week"].max()
    people = cohort.patients.assign(last=cohort.patients["patient_id"].map(last).fillna(-np.inf))
    for row in table.itertuples():
        own = people[people["protocol"] == row.protocol]
        assert (row.patients, row.allocated) == ((own["last"] >= row.week).sum(), len(own))


def test_patients_of_keeps_the_rows_of_those_who_are_left(cohort):
    some = patients_of(cohort, protocols=["home stimulation"], by="sex", group="male")
    ids = set(some.patients["patient_id"])
    people = cohort.patients
    assert ids == set(people.loc[(people["protocol"] == "home stimulation") & (people["sex"] == "male"), "patient_id"])
    assert set(some.visits["patient_id"]) <= ids
    assert len(some.visits) == cohort.visits["patient_id"].isin(ids).sum()
    assert (cohort.reference, some.reference) == ("exercise only", None)
    assert patients_of(cohort) is cohort


@pytest.mark.parametrize(
    ("view", "error", "what"),
    [
        (View("strength"), CohortError, "There is no measure 'strength'"),
        (View("pain", picture="table"), ModelError, "picture"),
        (View("pain", protocols=("early",)), ModelError, "There is no protocol 'early'"),
        (View("pain", by="sex"), ModelError, "A group of patients has a characteristic and a name"),
        (View("pain", by="sex", group="other"), ModelError, "There is no group 'other'"),
        (View("pain", by="hair", group="red"), ModelError, "There is no column 'hair'"),
        (View("pain", picture="differences", protocols=("exercise only",)), ModelError, "one protocol only"),
        (View("pain", picture="responders", criterion="state"), ModelError, "needs a number to reach"),
        (View("pain", picture="one patient"), ModelError, "No patient is named"),
        (View("pain", picture="one patient", patient="p9999"), ModelError, "There is no patient 'p9999'"),
        (View("pain", limb="involved"), CohortError, "not taken on limb"),
    ],
)  # fmt: skip
def test_what_cannot_be_shown_is_refused(cohort, view, error, what):
    with pytest.raises(error, match=what) as caught:
        look(cohort, view)
    assert caught.value.what_to_do


def test_a_single_patient_is_not_shown_at_the_safe_harbor_level(cohort):
    real = replace(cohort, provenance=Provenance(), privacy="safe-harbor")
    with pytest.raises(CohortError, match="safe-harbor"):
        look(real, VIEWS["one patient"])
    assert look(replace(real, privacy="limited"), VIEWS["one patient"]).figure.name == "patient"

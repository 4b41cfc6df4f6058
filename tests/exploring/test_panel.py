"""The widgets: each choice gives the picture of its view, refusals are read in place of it, pictures are saved whole."""

import pytest

from analysis.cohort import write_cohort
from analysis.errors import CohortError, ReportError
from analysis.exploring import explore
from synthetic_cohort import generate_cohort


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return write_cohort(generate_cohort(patients=48, seed=3).observed, tmp_path_factory.mktemp("explored") / "cohort")


@pytest.fixture
def explorer(folder):
    return explore(folder)


def test_a_choice_changes_the_picture_its_words_and_the_cell(explorer):
    before = explorer._shown.value, explorer._said.value, explorer.code
    explorer.choose(measure="pain", week=12.0)
    assert explorer.looked.view.measure == "pain"
    after = explorer._shown.value, explorer._said.value, explorer.code
    assert all(one != other for one, other in zip(before, after, strict=True))
    assert explorer.looked.figure.alt in explorer._shown.value
    assert 'alt="' in explorer._shown.value
    assert all(
        word in explorer._said.value for word in ("At week 12", "recommends nothing", "2 pictures were looked at")
    )
    assert "fit_recovery(cohort, 'pain', primary_week=12.0)" in explorer.code
    explorer.choose(measure="pain")
    assert explorer.looks == 2


def test_groups_follow_their_characteristic(explorer):
    assert explorer._widgets["group"].disabled
    explorer.choose(by="sex")
    assert explorer._widgets["group"].options == ("female", "male")
    assert "Only patients of the group &#x27;female&#x27; by sex." in explorer._said.value
    explorer.choose(by=None)
    assert explorer.looked.view.group is None
    assert "Only patients" not in explorer._said.value


def test_what_cannot_be_shown_is_said_and_the_next_choice_mends_it(explorer):
    explorer.choose(picture="responders", criterion="state")
    assert explorer.looked is None
    assert explorer.code == ""
    assert "needs a number to reach" in explorer._said.value
    with pytest.raises(ReportError, match="no picture to save"):
        explorer.save()
    explorer.choose(threshold="1,5")
    assert explorer.looked.view.threshold == 1.5
    explorer.choose(threshold="much")
    assert "is no number" in explorer._said.value


def test_what_is_not_offered_is_refused_and_nothing_changes(explorer):
    shown = explorer._shown.value
    for wrong, said in (
        ({"colour": "red"}, "no choice 'colour'"),
        ({"measure": "strength"}, "'strength' cannot be chosen"),
    ):
        with pytest.raises(ReportError, match=said):
            explorer.choose(**wrong)
    assert explorer._shown.value == shown


def test_pictures_are_saved_beside_the_cohort_under_names_of_their_own(explorer, folder):
    explorer.choose(picture="last seen")
    files = [explorer.save(), explorer.save()]
    assert [one.name for one in files] == ["last-seen-quadriceps_torque.svg", "last-seen-quadriceps_torque-2.svg"]
    assert files[0].parent == folder.parent
    assert files[0].read_text(encoding="utf-8").count("<svg") == 1
    assert files[0].read_bytes() == files[1].read_bytes() == explorer.looked.svg()


def test_a_failed_save_leaves_nothing_and_is_explained(explorer, folder, monkeypatch):
    def full(*_):
        raise OSError(28, "No space left on device")

    before = sorted(folder.parent.iterdir())
    monkeypatch.setattr("pathlib.Path.replace", full)
    with pytest.raises(ReportError, match="No space left on device"):
        explorer.save()
    assert sorted(folder.parent.iterdir()) == before


def test_no_cohort_is_an_error_before_any_widget(tmp_path):
    with pytest.raises(CohortError, match="There is no such folder"):
        explore(tmp_path / "nowhere")


def test_at_the_safe_harbor_level_no_patient_is_offered(tmp_path):
    from dataclasses import replace

    from analysis.cohort import Provenance

    made = generate_cohort(patients=24, seed=3).observed
    cohort = replace(made, patients=made.patients.drop(columns="therapist"), provenance=Provenance())
    explorer = explore(write_cohort(cohort, tmp_path / "cohort"))
    assert [value for _, value in explorer._widgets["patient"].options] == [""]

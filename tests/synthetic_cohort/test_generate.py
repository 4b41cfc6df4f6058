"""Generated cohorts: complete truth, missing matrix and observed data agree; the same seed gives the same cohort."""

import hashlib
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from analysis.cohort import check_cohort, load_cohort, write_cohort
from analysis.errors import CohortError
from synthetic_cohort import generate_again, generate_cohort, list_scenarios

KEYS = ["patient_id", "week", "measure", "limb"]


@pytest.fixture(scope="module")
def made():
    return generate_cohort("ligament reconstruction", patients=240, seed=1)


def test_the_design_of_the_demo(made):
    patients, visits = made.observed.patients, made.observed.visits
    assert len(patients) == 240
    assert made.observed.protocols == ["exercise only", "home stimulation", "home stimulation and early motion"]
    assert patients["site"].nunique() == 3
    assert sorted(visits["week"].unique()) == [0, 2, 6, 12, 26, 39, 52]
    torque = visits[visits["measure"] == "quadriceps_torque"]
    assert sorted(torque["week"].unique()) == [0, 12, 26, 39, 52]
    assert set(torque["limb"]) == {"involved", "uninvolved"}
    assert set(visits["measure"]) == {"quadriceps_torque", "knee_flexion", "knee_extension", "pain", "ikdc"}


def test_randomised_within_sites_in_blocks(made):
    counts = pd.crosstab(made.observed.patients["site"], made.observed.patients["protocol"])
    assert (counts.max(axis=1) - counts.min(axis=1)).max() <= 2


def test_complete_is_observed_and_missing(made):
    missing = made.missing
    assert missing[KEYS].equals(made.complete.visits[KEYS])
    kept = made.complete.visits[~missing["missing"].to_numpy()].reset_index(drop=True)
    assert kept.equals(made.observed.visits)
    assert missing.loc[missing["missing"], "reason"].notna().all()
    assert missing.loc[~missing["missing"], "reason"].isna().all()
    assert made.truth.curves[KEYS].equals(made.complete.visits[KEYS])
    assert not missing.loc[missing["week"] == 0, "missing"].any()


def test_a_lost_patient_does_not_come_back_and_leaves_no_sessions_or_events(made):
    lost = made.missing[made.missing["reason"].isin(["withdrew", "moved away", "could not be reached"])]
    first = lost.groupby("patient_id")["week"].min()
    assert len(first) > 20
    visits = made.observed.visits
    last_seen = visits[visits["patient_id"].isin(first.index)].groupby("patient_id")["week"].max()
    assert (last_seen < first.reindex(last_seen.index)).all()
    for frame in (made.observed.sessions, made.observed.events):
        later = frame[frame["week"] >= frame["patient_id"].map(first).fillna(np.inf)]
        assert later.empty
    withdrew = set(made.missing.loc[made.missing["reason"] == "withdrew", "patient_id"])
    events = made.observed.events
    assert set(events.loc[events["event"] == "withdrawal", "patient_id"]) == withdrew


@pytest.mark.parametrize(
    "name",  # a scenario without its differences is that scenario in all that is checked
    [pytest.param(one, marks=pytest.mark.slow if one.endswith("no difference") else ()) for one in list_scenarios()],
)
def test_every_scenario_passes_the_check_without_errors(name):
    for seed in (1, 2):
        made = generate_cohort(name, patients=150, seed=seed)
        assert check_cohort(made.observed).n_errors == 0
        assert check_cohort(made.complete).n_errors == 0


@pytest.mark.parametrize("file_format", ["csv", "parquet"])
def test_a_written_cohort_can_be_read_and_made_again(made, tmp_path, file_format):
    folder = write_cohort(made.observed, tmp_path / "demo", file_format=file_format)
    read = load_cohort(folder)
    again = generate_again(read.provenance)
    for (name, frame), (_, other), (_, from_file) in zip(
        made.observed.tables(), again.observed.tables(), read.tables(), strict=True
    ):
        pd.testing.assert_frame_equal(frame, other, obj=name)
        pd.testing.assert_frame_equal(frame, from_file, obj=name)


def test_the_same_seed_gives_the_same_cohort_as_on_other_platforms():
    """The digest was computed once, on Linux with numpy 2.4; values are rounded as their instruments round them."""
    visits = generate_cohort("ligament reconstruction", patients=50, seed=11).observed.visits
    text = visits.to_csv(index=False, lineterminator="\n")
    assert hashlib.sha256(text.encode()).hexdigest()[:16] == "7cc1533c76059aa5"


def test_another_seed_gives_another_cohort(made):
    other = generate_cohort("ligament reconstruction", patients=240, seed=2)
    assert not made.complete.visits["value"].equals(other.complete.visits["value"])


def test_effects_change_only_what_they_act_on(made):
    """Named streams: without effects the complete values of measures without effects stay the same."""
    null = generate_cohort("ligament reconstruction, no difference", patients=240, seed=1)
    a, b = made.complete.visits, null.complete.visits
    same = a["limb"] == "uninvolved"
    assert a[same].equals(b[same])
    changed = (a["measure"] == "knee_flexion") & (a["week"] == 2)
    assert not a.loc[changed, "value"].equals(b.loc[changed, "value"])
    assert made.observed.patients.equals(null.observed.patients)
    assert (null.truth.protocol_differences["difference"] == 0).all()


def test_values_are_read_off_an_instrument(made):
    values = made.complete.visits.groupby("measure", observed=True)["value"]
    assert values.get_group("pain").between(0, 10).all()
    assert (values.get_group("pain") % 1 == 0).all()
    assert (values.get_group("knee_flexion") % 1 == 0).all()
    late = made.complete.visits.query("measure == 'pain' and week == 52")["value"]
    assert (late == 0).mean() > 0.4
    steps = values.get_group("ikdc") * 87 / 100
    assert np.allclose(steps, steps.round(), atol=0.05)


def test_what_is_shown_of_a_synthetic_cohort(made):
    assert repr(made).startswith(
        "SyntheticCohort: ligament reconstruction, seed 1, 240 patients, 9,120 planned values, "
    )


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"scenario": "shoulder"}, "There is no scenario 'shoulder'."),
        ({"scenario": "ligament reconstruction, missing often"}, "There is no scenario"),
        ({"patients": 0}, "patients should be a whole number from 1 to 20,000,000, not 0."),
        ({"patients": 10.5}, "patients should be a whole number from 1 to 20,000,000, not 10.5."),
        ({"seed": -1}, "seed should be a whole number from 0 to 9,223,372,036,854,775,807, not -1."),
    ],
)
def test_wrong_arguments(arguments, message):
    with pytest.raises(CohortError) as caught:
        generate_cohort(**arguments)
    assert caught.value.what.startswith(message)
    assert caught.value.what_to_do


@pytest.mark.parametrize("patients", [1, 2, 7])
def test_very_small_cohorts(patients):
    made = generate_cohort(patients=patients, seed=3)
    assert len(made.observed.patients) == patients
    assert len(made.truth.curves) == patients * 38


@pytest.mark.parametrize("changed", [{"patients": "x"}, {"patients": None}, {"patients": 5, "quarters": "y"}])
def test_a_provenance_without_numbers_is_explained(changed):
    provenance = replace(generate_cohort(patients=5).observed.provenance, parameters=changed)
    with pytest.raises(CohortError, match="should be a whole number from 1 to"):
        generate_again(provenance)


def test_a_cohort_from_a_clinic_cannot_be_made_again():
    made = generate_cohort(patients=5)
    provenance = type(made.observed.provenance)()
    with pytest.raises(CohortError, match="was not generated"):
        generate_again(provenance)

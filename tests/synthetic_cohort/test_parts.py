"""The parts of a cohort: streams, sites, home sessions, brace, events."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from analysis.cohort.modalities import NMES, TENS
from synthetic_cohort import generate_cohort, load_scenario

KEYS = ["patient_id", "week", "measure", "limb"]


@pytest.fixture(scope="module")
def large():
    return generate_cohort("ligament reconstruction", patients=12_000, seed=41)


def test_leaving_a_series_out_leaves_the_others_as_they_are():
    scenario = load_scenario("ligament reconstruction")
    fewer = replace(scenario, series=tuple(one for one in scenario.series if one.measure != "pain"), effects=())
    more = generate_cohort(scenario.without_effects(), patients=50, seed=42)
    less = generate_cohort(fewer, patients=50, seed=42)
    visits = more.observed.visits
    kept = visits[visits["measure"] != "pain"].reset_index(drop=True)
    pd.testing.assert_frame_equal(
        kept.astype({"measure": "str"}), less.observed.visits.astype({"measure": "str"}), check_categorical=False
    )


def test_sites_differ_by_their_true_effects(large):
    """Mean torque of a site less the mean of all, 26 weeks: the true effect within 4.5 standard errors."""
    rows = "measure == 'quadriceps_torque' and limb == 'involved'"
    effects = large.truth.sites.query(rows).set_index("site")["effect"]
    shares = dict(zip(large.scenario.sites, large.scenario.site_shares, strict=True))
    assert sum(shares[site] * effect for site, effect in effects.items()) == pytest.approx(0, abs=1e-5)
    visits = large.complete.visits.query(rows + " and week == 26")
    values = visits.set_index("patient_id")["value"]
    site = large.complete.patients.set_index("patient_id")["site"]
    for name, of_site in values.groupby(site, observed=True):
        error = of_site.std() / np.sqrt(len(of_site))
        assert of_site.mean() - values.mean() == pytest.approx(effects[name], abs=4.5 * error + 0.005)
    therapists = large.truth.therapists.query(rows)
    assert len(therapists) == 12
    assert therapists["effect"].std() > 0


def test_torques_of_both_limbs_are_correlated(large):
    torque = large.complete.visits.query("measure == 'quadriceps_torque' and week == 0")
    wide = torque.set_index(["patient_id", "limb"])["value"].unstack().dropna(axis=1, how="all")
    assert 0.7 < wide.corr().iloc[0, 1] < 0.9


def test_sessions_are_those_of_the_protocol(large):
    sessions = large.complete.sessions.merge(large.complete.patients[["patient_id", "protocol"]], on="patient_id")
    stimulated = sessions[sessions["modality"] == "neuromuscular electrical stimulation (NMES)"]
    assert set(stimulated["protocol"].astype("str")) == {"home stimulation", "home stimulation and early motion"}
    assert (sessions["sessions_done"] <= sessions["sessions_prescribed"]).all()
    length = {
        "exercise": 30,
        NMES: 20,
        TENS: 30,
    }
    longest = sessions["sessions_done"] * sessions["modality"].astype("str").map(length)
    assert (sessions["minutes_done"] <= longest).all()
    levels = stimulated[["level_knee", "level_thigh"]]
    assert (levels.isna().all(axis=1) == (stimulated["sessions_done"] == 0)).all()
    assert (levels.min() >= 1).all()
    assert (levels.max() <= 100).all()
    assert sessions.loc[sessions["modality"] == "exercise", "level_knee"].isna().all()
    assert stimulated["level_thigh"].mean() > stimulated["level_knee"].mean()


def test_some_never_start(large):
    never = large.truth.patients["never_started"]
    assert never.mean() == pytest.approx(0.06, abs=4 * np.sqrt(0.06 * 0.94 / 12_000))
    done = large.complete.sessions.groupby("patient_id")["sessions_done"].sum()
    assert (done[large.truth.patients.loc[never, "patient_id"]] == 0).all()


def test_brace_limits_open_and_hold_the_flexion_reached(large):
    limits = large.complete.brace_limits
    assert limits["both_hinges_agree"].all()
    assert (limits.groupby("patient_id")["flexion_limit_deg"].diff().dropna() >= 0).all()
    assert limits["flexion_limit_deg"].between(-15, 135).all()
    flexion = large.complete.visits.query("measure == 'knee_flexion' and 0 < week <= 6")
    both = pd.merge_asof(flexion.sort_values("week"), limits.sort_values("week"), on="week", by="patient_id")
    assert (both["value"].clip(upper=135) <= both["flexion_limit_deg"]).all()


def test_events_are_as_frequent_as_stated(large):
    events = large.complete.events
    harms = events[events["event"] != "withdrawal"]
    assert not harms.duplicated(["patient_id", "event"]).any()
    protocol = large.complete.patients.set_index("patient_id")["protocol"].astype("str")
    skin = harms[harms["event"] == "skin irritation"]
    assert (protocol[skin["patient_id"]] != "exercise only").all()
    n = (protocol != "exercise only").sum()
    assert len(skin) / n == pytest.approx(0.09, abs=4 * np.sqrt(0.09 * 0.91 / n))
    clots = harms[harms["event"] == "deep vein thrombosis"]
    assert clots["serious"].all()
    assert not clots["related"].any()
    assert events["week"].between(0, 52).all()
    # skin irritation in weeks 1 to 8 of the programme: days 0 to 55, every day as likely as another
    days = 7 * skin["week"]
    assert days.to_numpy() == pytest.approx(days.round().to_numpy())
    assert days.round().value_counts().reindex(range(56)).notna().all()
    assert days.round().max() == 55
    assert days.mean() == pytest.approx(27.5, abs=4 * np.sqrt((56**2 - 1) / 12 / len(days)))


def test_a_scenario_without_home_programme_or_brace():
    scenario = load_scenario("knee replacement")
    bare = replace(scenario, modalities=(), events=(), brace=())
    made = generate_cohort(bare, patients=60, seed=43)
    assert made.observed.sessions is None
    assert made.observed.brace_limits is None
    assert made.reported_sessions.empty
    assert set(made.observed.events["event"]) <= {"withdrawal"}
    assert made.missing["missing"].any()

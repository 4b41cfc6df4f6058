"""What a comparison over sites says, against planted truths: nothing there, something there, left out, missing, not recorded."""

from dataclasses import replace

import numpy as np
import pytest

from analysis.cohort.tables import Cohort
from analysis.pooled.planning import plan_pooling
from analysis.pooled.sites.combining import combine_sites, write_network
from analysis.pooled.sites.site_file import summarise_site, write_site_sums
from analysis.report import sites
from synthetic_cohort import generate_cohort


def cohort_of(*, effect=0.0, seen=1.0, each=60, harms=0.1, events=True, seed=3):
    """Make patients of two protocols at two sites: pain by week, of whom a share is seen at week 26."""
    import pandas as pd

    rng = np.random.default_rng(seed)
    n = 4 * each
    people = pd.DataFrame(
        {
            "patient_id": [f"p{i:04d}" for i in range(n)],
            "protocol": np.tile(["usual", "early"], n // 2),
            "site": np.repeat(["north", "south"], n // 2),
        }
    )
    level = rng.normal(0, 1, n)
    early = people["protocol"] == "early"
    parts = []
    for week, drop in ((0.0, 0.0), (6.0, 1.0), (26.0, 2.5)):
        value = 6.0 + level - drop - effect * early * (week > 0) + rng.normal(0, 0.8, n)
        here = np.ones(n, dtype=bool) if week < 26 else np.arange(n) % 20 < round(20 * seen)
        parts.append(people.loc[here, ["patient_id"]].assign(week=week, value=np.clip(value[here].round(1), 0, 10)))
    visits = pd.concat(parts, ignore_index=True).assign(measure="pain", limb="none")
    harmed = people.loc[np.arange(n) // 2 % 10 < round(10 * harms), ["patient_id"]].assign(
        week=3.0, event="skin irritation"
    )
    return Cohort(people, visits, events=harmed if events else None, reference="usual")


def study_of(cohort, folder, *, trusted=True, without=(), silent=(), like=None, week=26, **parameters):
    plan = plan_pooling(like or cohort, "pain", week=week, sites=["north", "south"], threshold=2.0)
    files = []
    for name in plan.sites:
        people = cohort.patients[cohort.patients["site"] == name]
        tables = {
            one: None
            if one == "events" and name in silent
            else table[table["patient_id"].isin(set(people["patient_id"]))]
            for one in ("visits", "events")
            if (table := getattr(cohort, one)) is not None
        }
        one = replace(cohort, patients=people, **tables)
        if name not in without:
            files.append(write_site_sums(summarise_site(one, plan, name, trusted=trusted), folder / f"{name}.json"))
    write_network(combine_sites(plan, files, without=without), folder / "network")
    return sites.prepare_sites(folder / "network", **parameters)


def said(section):
    return " ".join(text for one in section for text in getattr(one, "paragraphs", ()))


def every_section(study):
    return " ".join(said(getattr(sites, name)(study)) for name in sites.__all__[2:-1])


def test_nothing_there_is_no_equality(tmp_path):
    told = said(sites.answer(study_of(cohort_of(), tmp_path)))
    assert told.startswith(
        "240 patients of 2 sites. At week 26, 240/240 of those due had a value of pain: usual 120/120, early 120/120."
    )
    assert "These data do not tell whether early or usual is better." in told
    assert "The 95 % interval of the difference in shares holds zero." in told
    assert "Looked for and not found: sites of the plan that sent nothing" in told
    assert "favour" not in told


def test_something_there_is_told_with_its_side(tmp_path):
    study = study_of(cohort_of(effect=1.2), tmp_path, design="randomised")
    told = said(sites.answer(study))
    assert "These data favour early over usual." in told
    assert "points lower with early" in told
    assert [one.verdict for one in study.found.differences] == ["favours protocol"]
    again = said(sites.answer(sites.prepare_sites(tmp_path / "network")))
    assert (
        "Patients with early did better on average than those with usual; the groups may differ in other ways." in again
    )


def test_too_many_lost_is_no_conclusion(tmp_path):
    told = said(sites.answer(study_of(cohort_of(effect=1.2, seen=0.6), tmp_path)))
    assert "No conclusion about early against usual, as too many were not seen." in told
    assert "144/240 of those due had a value" in told
    assert "favour" not in told


def test_visits_left_out_are_counted_and_nothing_is_concluded_from_what_is_left(tmp_path):
    """Of each site's protocols seven patients were not seen at week 26: fewer than ten, so they are in no curve."""
    cohort = cohort_of(effect=1.2, each=20, seen=0.65)
    study = study_of(cohort, tmp_path, trusted=False)
    told = said(sites.answer(study))
    assert study.found.left_out > 0
    n, whole = study.found.left_out, study.found.with_visits
    assert (
        f"Of the patients with visits {n}/{whole} are in no curve, as fewer than 10 at their site share their pattern"
        in told
    )
    assert study.found.only_complete
    assert "The curves hold only patients who were seen at every week." in told
    assert "favour" not in told
    assert "No conclusion about early against usual from the curves, which hold too few of those due" in told
    open_to_the_office = said(sites.answer(study_of(cohort_of(effect=1.2), tmp_path / "all")))
    assert "in no curve" not in open_to_the_office


@pytest.fixture(autouse=True)
def folder_of_all(tmp_path):
    (tmp_path / "all").mkdir()


def test_a_site_that_sent_nothing_is_named(tmp_path):
    study = study_of(cohort_of(), tmp_path, without=["south"])
    told = said(sites.answer(study))
    assert "120 patients of 1 of 2 sites." in told
    assert "south has sent nothing: what holds there is not known." in told
    assert "Looked for and not found" not in told
    assert "Sent nothing: south." in said(sites.sites(study))


@pytest.mark.parametrize(
    ("harms", "events", "silent", "told"),
    [
        (0.1, True, (), "any other harm: usual 12/120, early 12/120"),
        (0.1, True, ("south",), "Of 240 patients 120 are at sites that record events."),
        (0.0, True, (), "any serious harm: none on record of 240 patients"),
        (0.1, False, (), "Harms were not recorded, so nothing is said of them."),
        (0.1, True, ("north", "south"), "Harms were not recorded, so nothing is said of them."),
    ],
)
def test_harms_are_told_of_whom_they_are_recorded(harms, events, silent, told, tmp_path):
    study = study_of(cohort_of(harms=harms, events=events), tmp_path, silent=silent)
    answer = said(sites.answer(study))
    assert told in answer
    if "not recorded, so" not in told:
        assert "What was not recorded cannot be seen." in answer


def test_what_is_not_there_is_said(tmp_path):
    study = study_of(cohort_of(events=False), tmp_path)
    whole = every_section(study)
    assert "Not in the data: events." in whole
    assert "Not in the data: home sessions" in whole
    assert "medians and quartiles" in whole
    assert "Sums are no anonymous data" in whole
    assert "favour" not in whole


def test_the_sites_of_masked_files_have_no_numbers(tmp_path):
    study = study_of(cohort_of(), tmp_path)
    hidden = replace(study, pooled=replace(study.pooled, masked=True))
    (table,) = sites.sites(hidden)
    assert [one.label for one in table.columns] == ["Site", "Hash of its file"]
    assert "nobody saw the numbers of one site" in " ".join(table.notes)


def test_every_section_of_an_invented_network_holds_something(tmp_path):
    cohort = generate_cohort(patients=120, seed=5).observed
    cohort = replace(cohort, patients=cohort.patients.assign(site=np.tile(["north", "south"], 60)))
    study = study_of(cohort, tmp_path)
    for name in sites.__all__[2:-1]:
        section = getattr(sites, name)(study)
        assert len(section), name
        assert all(str(item).strip() for item in section), name
    assert "Not in the data" not in every_section(study)


def without_values(cohort, gone):
    return replace(cohort, visits=cohort.visits[~gone].reset_index(drop=True))


def test_who_has_no_baseline_was_seen_all_the_same(tmp_path):
    """All are seen at week 26, and 48 of 120 of each protocol have no baseline: they are in no curve, and not called unseen."""
    cohort = cohort_of(effect=1.2)
    number = cohort.visits["patient_id"].str[1:].astype(int)
    study = study_of(without_values(cohort, (cohort.visits["week"] == 0) & (number // 2 % 5 < 2)), tmp_path)
    told = said(sites.answer(study))
    assert "240/240 of those due had a value" in told
    assert "not seen" not in told
    assert (
        "No conclusion about early against usual from the curves, which hold too few of those due: early 72/120" in told
    )
    assert "The curves hold 144/240 of those with a value at week 26; the others lack the baseline." in told


def test_a_protocol_that_is_in_no_curve_is_not_called_unseen(tmp_path):
    """Of a third protocol nobody has a baseline: seen, and compared by no curve; the limits are of one comparison."""
    cohort = cohort_of(effect=1.2)
    third = np.arange(240) % 3 == 0
    people = cohort.patients.assign(protocol=cohort.patients["protocol"].astype("str").where(~third, "late"))
    like = replace(cohort, patients=people)
    gone = (cohort.visits["week"] == 0) & cohort.visits["patient_id"].isin(people.loc[third, "patient_id"])
    study = study_of(without_values(like, gone), tmp_path, like=like)
    told = said(sites.answer(study))
    assert "late 80/80" in told
    assert "Late could not be compared: the curves hold nobody of late." in told
    assert "not seen" not in told
    assert "nobody of late was seen" not in told
    assert [one.among for one in study.found.differences] == [1]


def test_the_reference_in_no_curve_leaves_none(tmp_path):
    cohort = cohort_of(effect=1.2)
    usual = cohort.patients.loc[cohort.patients["protocol"] == "usual", "patient_id"]
    gone = (cohort.visits["week"] == 0) & cohort.visits["patient_id"].isin(usual)
    study = study_of(without_values(cohort, gone), tmp_path, like=cohort)
    assert "No protocols could be compared by their curves." in said(sites.answer(study))
    assert "No curve: of the protocols only early has visits in the sums." in said(sites.methods(study))
    assert "favour" not in every_section(study)


def test_too_early_to_tell_is_no_error(tmp_path):
    """The plan goes to week 26, and nobody has got there: there are curves, and nothing is compared at that week."""
    cohort = cohort_of(effect=1.2)
    study = study_of(without_values(cohort, cohort.visits["week"] == 26), tmp_path, like=cohort)
    told = every_section(study)
    assert "Nobody in the curves was seen at week 26, so protocols are not compared there." in told
    assert study.compared.differences["week"].unique().tolist() == [6.0]
    assert "favour" not in told


def test_the_curves_are_compared_at_the_week_of_the_endpoint(tmp_path):
    study = study_of(cohort_of(effect=1.2), tmp_path, week=6)
    assert [one.week for one in study.found.differences] == [6.0]
    assert "At week 6, 240/240 of those due" in said(sites.answer(study))


def test_means_do_not_hang_on_a_site_that_sent_nothing(tmp_path):
    study = study_of(cohort_of(effect=1.2), tmp_path, without=["south"])
    assert len(study.compared.means) == 4
    assert study.compared.means["estimate"].notna().all()


def test_a_site_that_never_took_the_measure_counts_elsewhere(tmp_path):
    cohort = cohort_of(effect=1.2)
    south = cohort.patients.loc[cohort.patients["site"] == "south", "patient_id"]
    study = study_of(without_values(cohort, cohort.visits["patient_id"].isin(south)), tmp_path, like=cohort)
    told = said(sites.answer(study))
    assert "240 patients of 2 sites. At week 26, 120/240 of those due" in told
    assert "usual 12/120, early 12/120" in told


@pytest.mark.parametrize(("said_by", "told"), [((), 240), (("north",), 120), (("north", "south"), 0)])
def test_where_it_is_not_said_which_events_were_serious(said_by, told, tmp_path):
    cohort = cohort_of()
    sites_of = dict(zip(cohort.patients["patient_id"], cohort.patients["site"], strict=True))
    serious = [False if sites_of[one] in said_by else None for one in cohort.events["patient_id"]]
    if said_by:
        cohort = replace(cohort, events=cohort.events.assign(serious=np.array(serious, dtype=object)))
    answer = said(sites.answer(study_of(cohort, tmp_path)))
    sentence = f"At sites with {told} patients it is not said which events were serious"
    assert (sentence in answer) == bool(told)
    assert ("not said which" in answer) == bool(told)


def test_events_that_the_plan_did_not_expect_and_nobody_had_are_none_on_record(tmp_path):
    cohort = cohort_of(harms=0.0)
    told = said(sites.answer(study_of(cohort, tmp_path, like=replace(cohort, events=None))))
    assert "any serious harm: none on record of 240 patients" in told

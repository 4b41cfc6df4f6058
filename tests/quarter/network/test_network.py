"""Twelve clinics, no rows shared: what is combined is what one cohort of all patients would give."""

import datetime
import json
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from analysis.cohort import Cohort, write_cohort
from analysis.errors import CohortError, ReportError
from analysis.quarter.network import (
    NETWORK_FILE,
    aggregate,
    combine,
    read_combined,
    read_counts,
    write_combined,
    write_counts,
)
from analysis.quarter.network.combined import quarter_counts
from analysis.report.quarter.prepared.site_study import site_case_mix
from analysis.report.quarter.study import prepare_quarter

from .networks import ASKED, network, of_sites


@pytest.fixture(scope="module")
def sent(tmp_path_factory):
    """What the sites send: the first fits the case-mix model, the others apply it."""
    place = tmp_path_factory.mktemp("sent")
    _, sites = network()
    (first, *others) = sites.items()
    counts, model = aggregate(first[1], fit=True, **ASKED)
    made = [counts, *(aggregate(cohort, case_mix=model, **ASKED)[0] for _, cohort in others)]
    return [write_counts(one, place / f"{i}.json") for i, one in enumerate(made)], model


@pytest.fixture(scope="module")
def studies(sent, tmp_path_factory):
    """The quarter of the combined folder, that of one cohort with all patients, and its sites with the shared model applied."""
    place = tmp_path_factory.mktemp("studies")
    files, model = sent
    write_combined(combine([read_counts(file) for file in files]), place / "network")
    pooled, _ = network()
    write_cohort(pooled, place / "pooled")
    study = prepare_quarter(place / "pooled", **ASKED)
    together = quarter_counts(aggregate(pooled, case_mix=model, **ASKED)[0])
    adjusted, _ = site_case_mix(study.released, study.compared, None, together, study.level)
    return prepare_quarter(place / "network"), study, adjusted


def same(one, other):
    pd.testing.assert_frame_equal(one.reset_index(drop=True), other.reset_index(drop=True), check_exact=True)


@pytest.mark.slow
def test_every_count_that_is_released_is_that_of_one_cohort(studies):
    network_study, pooled, _ = studies
    assert network_study.released.periods == pooled.released.periods
    assert network_study.released.floors == pooled.released.floors
    assert {one.name for one in network_study.released.indicators} >= {
        "improved",
        "gain",
        "harms",
        "adherence",
        "complete ikdc",
    }
    for one, other in zip(network_study.released.indicators, pooled.released.indicators, strict=True):
        assert one.label == other.label
        periods = [*pooled.released.periods, "baseline", "window"]
        same(network_study.released.of(one, periods), pooled.released.of(other, periods))
        same(network_study.released.by_site(one), pooled.released.by_site(other))
    assert network_study.released.table["value"].notna().sum() > 100


@pytest.mark.slow
def test_charts_and_funnel_and_findings_are_those_of_one_cohort(studies):
    network_study, pooled, _ = studies
    for name, chart in pooled.charts.items():
        other = network_study.charts[name]
        assert (chart.signals, chart.why) == (other.signals, other.why)
        same(chart.points, other.points)
        if chart.chart is not None:
            same(chart.chart.table, other.chart.table)
    same(network_study.funnel.table, pooled.funnel.table)
    assert [one.change.verdict for one in network_study.found.followed] == [
        one.change.verdict for one in pooled.found.followed
    ]
    assert network_study.notes[:2] == pooled.notes[:2]


@pytest.mark.slow
def test_observed_against_expected_is_that_of_all_patients_with_the_shared_model(studies):
    network_study, pooled, adjusted = studies
    compared = network_study.case_mix.table
    assert compared["observed"].tolist() == pooled.case_mix.table["observed"].tolist()
    assert compared["n"].tolist() == pooled.case_mix.table["n"].tolist()
    numbers = compared.select_dtypes("number").to_numpy()
    np.testing.assert_allclose(numbers, adjusted.table.select_dtypes("number").to_numpy(), rtol=1e-9)
    # the model of one site is near that of all patients, of which a term for the window and patient by patient differ
    np.testing.assert_allclose(compared["expected"], pooled.case_mix.table["expected"], rtol=0.06)
    assert "a model that they share (Fitted by site A on" in network_study.case_mix.notes[0]


def test_what_is_read_is_what_was_written(sent):
    files, _ = sent
    one = read_counts(files[0])
    again = write_counts(one, files[0].with_name("again.json"))
    before, after = json.loads(files[0].read_text()), json.loads(again.read_text())
    assert before | {"files": after["files"]} == after
    assert [source["name"] for source in after["files"]] == ["0.json"]


def test_the_day_of_the_data_goes_along(sent, tmp_path):
    files, _ = sent
    day = datetime.date(2025, 6, 30)
    dated = [write_counts(replace(read_counts(file), as_of=day), tmp_path / file.name) for file in files]
    both = combine([read_counts(file) for file in dated])
    assert both.as_of == day
    study = prepare_quarter(write_combined(both, tmp_path / "network"), small_counts="shown")
    assert study.released.follow_up == "Data up to 30 June 2025."


def test_no_patient_is_in_the_file(sent):
    files, _ = sent
    _, sites = network()
    text = files[0].read_text()
    assert not [one for one in sites["site A"].patients["patient_id"] if str(one) in text]


def test_combining_twice_is_combining_once(sent, tmp_path):
    files, _ = sent
    counts = [read_counts(file) for file in files]
    halves = combine([combine(counts[:2]), counts[2]])
    same(halves.cells, combine(counts).cells)


def test_who_is_due_is_counted_at_each_site():
    pooled, sites = network(240, 4, 7)
    last = sorted(pooled.patients["quarter"].astype("str").unique())[-1]
    early = sites["site B"]
    waiting = set(early.patients.loc[early.patients["quarter"].astype("str") == last, "patient_id"])

    def without(cohort):
        late = cohort.patients["patient_id"].isin(waiting)
        seen = ~(cohort.visits["patient_id"].isin(waiting) & (cohort.visits["week"] >= 26))
        patients = cohort.patients.assign(due_week=np.where(late, 6.0, 26.0))
        return replace(cohort, patients=patients, visits=cohort.visits[seen])

    made = [aggregate(without(cohort), **ASKED)[0] for cohort in sites.values()]
    assert last in made[1].not_yet["due"]
    both, whole = combine(made), aggregate(without(pooled), **ASKED)[0]
    assert both.not_yet == whole.not_yet
    keys = ["quantity", "period", "site"]
    merged = both.cells.merge(whole.cells, on=keys, how="outer", suffixes=("", "_whole")).fillna(0.0)
    pd.testing.assert_series_equal(merged["lower"], merged["lower_whole"], check_names=False)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda one: replace(one, cells=one.cells.assign(site="SITE a")), "The site 'SITE a' is in two files"),
        (
            lambda one: replace(one, cells=one.cells.assign(site="site_A")),
            "differ by signs only: 'site A' and 'site_A'",
        ),
        (lambda one: replace(one, kit="9.9"), "different versions of the kit"),
        (
            lambda one: replace(one, as_of=datetime.date(2026, 3, 31)),
            "different days on which the data were taken",
        ),
        (lambda one: replace(one, expected=None), "different case-mix models"),
        (lambda one: replace(one, definitions=replace(one.definitions, week=12.0)), "different weeks"),
        (
            lambda one: replace(
                one,
                definitions=replace(
                    one.definitions,
                    indicators=(
                        replace(one.definitions.indicators[0], label="Improved by 9"),
                        *one.definitions.indicators[1:],
                    ),
                ),
            ),
            "different definitions of 'improved'",
        ),
        (
            lambda one: replace(one, definitions=replace(one.definitions, indicators=one.definitions.indicators[:-1])),
            "Some files lack an indicator",
        ),
    ],
)
def test_files_that_do_not_fit_are_refused_by_name(sent, change, message):
    files, _ = sent
    first, second = (read_counts(file) for file in files[:2])
    with pytest.raises(CohortError, match=message) as caught:
        combine([first, change(second)])
    if "signs" not in message:
        assert "1.json" in caught.value.where


def test_indicators_that_some_lack_are_left_out_where_that_is_asked(sent):
    files, _ = sent
    first = read_counts(files[0])
    _, sites = network()
    full = sites["site B"]
    quiet = Cohort(full.patients, full.visits, sessions=full.sessions, measures=full.measures, privacy="limited")
    second = replace(aggregate(quiet, **ASKED)[0], expected=first.expected)
    with pytest.raises(CohortError, match="'harms' is not in site B"):
        combine([first, second])
    both = combine([first, second], common=True)
    names = [one.name for one in both.definitions.indicators]
    assert "harms" not in names
    assert "improved" in names
    assert "harms" not in set(both.cells["quantity"])


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda data: data.update(version=2), "version 2 of the form"),
        (lambda data: data.update(form="other"), "no file of counts"),
        (lambda data: data.pop("counts"), "no file of counts"),
        (lambda data: data["counts"].pop(), "no file of counts"),
        (lambda data: data["counts"][0]["values"].update({"2022-Q1": -1}), "is no count"),
        (lambda data: data["counts"][0]["values"].update({"2022-Q1": True}), "is no number"),
        (lambda data: data["counts"][0]["values"].update({"2022-Q1": 100_000}), "a total is not the sum of its parts"),
        (lambda data: data["counts"][0]["values"].update({"spring": 3}), "'spring' is not a period"),
        (lambda data: data["definitions"]["indicators"][0].update(kind="odds"), "no file of counts"),
    ],
)
def test_a_file_that_was_changed_is_refused(sent, tmp_path, change, message):
    files, _ = sent
    data = json.loads(files[0].read_text())
    change(data)
    (tmp_path / "bad.json").write_text(json.dumps(data))
    with pytest.raises(CohortError, match=message):
        read_counts(tmp_path / "bad.json")


@pytest.mark.parametrize("text", ["", "{", "[]", '{"form": NaN}', "\xff"])
def test_what_is_no_file_of_counts_is_refused(tmp_path, text):
    (tmp_path / "bad.json").write_bytes(text.encode("latin-1"))
    with pytest.raises(CohortError, match="no file of counts"):
        read_counts(tmp_path / "bad.json")


def test_a_site_needs_a_name():
    _, sites = network(240, 4, 7)
    cohort = sites["site A"]
    nameless = Cohort(cohort.patients.drop(columns="site"), cohort.visits, measures=cohort.measures, privacy="limited")
    with pytest.raises(CohortError, match=r"patients \d+ have no site"):
        aggregate(nameless, **ASKED)
    assert aggregate(nameless, site=" North  clinic", **ASKED)[0].sites == ["North clinic"]
    pooled, _ = network(240, 4, 7)
    with pytest.raises(CohortError, match="The cohort has 3 sites"):
        aggregate(pooled, site="North", **ASKED)


def test_what_was_counted_cannot_be_chosen_again(sent, tmp_path):
    files, _ = sent
    write_combined(combine([read_counts(file) for file in files]), tmp_path / "network")
    with pytest.raises(ReportError, match="week cannot be chosen here"):
        prepare_quarter(tmp_path / "network", week=12.0)
    with pytest.raises(CohortError):
        write_combined(combine([read_counts(files[0])]), tmp_path / "network")
    assert len(read_combined(tmp_path / "network")[1].sites) == 3
    assert (tmp_path / "network" / NETWORK_FILE).is_file()


def test_one_site_of_several_is_enough():
    pooled, _ = network(240, 4, 7)
    both = combine(
        [aggregate(of_sites(pooled, "site A", "site B"), **ASKED)[0], aggregate(of_sites(pooled, "site C"), **ASKED)[0]]
    )
    assert both.sites == ["site A", "site B", "site C"]

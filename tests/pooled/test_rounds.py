"""Two rounds: who stays is settled over all sites, and masked sums are those of the rows; a missing site or seed is refused."""

from collections import Counter
from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.curves import fit_mixed
from analysis.curves.formula.part_summaries import VisitColumns, moments_of_part
from analysis.errors import CohortError
from analysis.pooled.comparison import compare_from_sums
from analysis.pooled.counting import cohort_sums
from analysis.pooled.planning import plan_pooling
from analysis.pooled.sites.combining import combine_sites
from analysis.pooled.sites.first_round import (
    every_profile,
    read_profiles,
    settle_kept,
    summarise_profiles,
    write_profiles,
)
from analysis.pooled.sites.masked_site import mask_site, read_masked, write_masked
from analysis.pooled.sites.masks import masked, unmasked_sum
from analysis.pooled.sites.site_file import summarise_site, write_site_sums
from analysis.pooled.visits_of_curves import curve_visits
from synthetic_cohort import generate_cohort

from .sites_of import by_site, with_sites


def seeds_of(sites):
    """Draw a seed for each pair; give each site those that it shares, by the other's name."""
    rng = np.random.default_rng(7)
    found = {one: {} for one in sites}
    for one, other in combinations(sites, 2):
        found[one][other] = found[other][one] = rng.bytes(16).hex()
    return found


def network_of(n_sites):
    cohort = with_sites(generate_cohort(patients=240, seed=5).observed, n_sites)
    sites = by_site(cohort)
    plan = plan_pooling(cohort, "pain", week=26, sites=list(sites), adjust_for=[])
    return cohort, sites, plan, seeds_of(sites)


@pytest.fixture(scope="module")
def network():
    return network_of(3)


def settled(sites, plan, seeds, folder):
    files = []
    for number, (name, one) in enumerate(sites.items()):
        found = summarise_profiles(one, plan, name, seeds=seeds[name])
        files.append(read_profiles(write_profiles(found, plan, folder / f"{number}.json"), plan))
    return settle_kept(plan, files)


@pytest.mark.parametrize("n_sites", [3, pytest.param(12, marks=pytest.mark.slow)])
def test_masked_sums_are_those_of_the_rows(n_sites, tmp_path):
    cohort, sites, plan, seeds = network_of(n_sites)
    second, stay, of = settled(sites, plan, seeds, tmp_path)
    assert 0 < stay < of
    files = [
        write_masked(mask_site(one, second, name, seeds[name]), second, tmp_path / f"masked {number}.json")
        for number, (name, one) in enumerate(sites.items())
    ]
    pooled = combine_sites(second, files)
    assert pooled.masked
    assert pooled.sites["patients"].isna().all()
    assert pooled.left_out == of - stay
    whole = cohort_sums(cohort, second)
    for name, table in whole.tables.items():
        if name == "recorded":  # parts are counted: one cohort is one
            continue
        assert np.abs(pooled.sums.tables[name].to_numpy() - table.to_numpy()).max(initial=0.0) < 1e-9
        counts = [column for column in table if (table[column] == table[column].round()).all()]
        assert (pooled.sums.tables[name][counts].to_numpy() == table[counts].to_numpy()).all()
    of = VisitColumns(second.moments.fixed, "patient_id", "week")
    kept = moments_of_part(curve_visits(cohort, second), of, second.moments, set(second.kept)).moments
    direct = fit_mixed(kept, second.terms, patient_effects=None, residual="ar1-by-week")
    found = fit_mixed(pooled.moments, second.terms, patient_effects=None, residual="ar1-by-week")
    for one, other in zip(
        (found.differences(of="protocol"), found.means(by="protocol")),
        (direct.differences(of="protocol"), direct.means(by="protocol")),
        strict=True,
    ):
        numbers = ["estimate", "std_error", "df", "lower", "upper"]
        assert np.allclose(one[numbers], other[numbers], rtol=1e-9, atol=1e-9)
    assert (
        compare_from_sums(pooled.sums, pooled.moments, left_out=pooled.left_out).differences["estimate"].notna().all()
    )


def test_more_stay_where_the_rule_is_over_all_sites(network, tmp_path):
    _, sites, plan, seeds = network
    _, stay, _ = settled(sites, plan, seeds, tmp_path)
    alone = [summarise_site(one, plan, name) for name, one in sites.items()]
    assert stay > sum(0 if one.moments is None else one.moments.n_patients for one in alone)


def test_the_first_round_is_the_same_masked_and_not(network, tmp_path):
    _, sites, plan, seeds = network
    open_ones = [summarise_profiles(one, plan, name) for name, one in sites.items()]
    again = [
        read_profiles(write_profiles(one, plan, tmp_path / f"open {number}.json"), plan)
        for number, one in enumerate(open_ones)
    ]
    (one, *counts), (other, *others) = settle_kept(plan, again), settled(sites, plan, seeds, tmp_path)
    assert (one.kept, counts) == (other.kept, others)


def test_one_masked_file_says_nothing(network):
    """Numbers of one site are spread over all that there are: beside another seed they are others, and none is small."""
    _, sites, plan, seeds = network
    (name, one), *_ = sites.items()
    sent = summarise_profiles(one, plan, name, seeds=seeds[name]).masked
    others = summarise_profiles(one, plan, name, seeds={key: value[::-1] for key, value in seeds[name].items()}).masked
    assert len(sent) == len(every_profile(plan))
    assert not set(sent) & set(others)
    leading = np.array([int(word[:2], 16) for word in sent])
    assert abs(leading.mean() - 127.5) < 6 * 73.9 / np.sqrt(len(leading))  # uniform over 0 to 255
    assert len(set(sent)) == len(sent)


@given(
    st.lists(st.floats(-1e12, 1e12), min_size=1, max_size=5),
    st.lists(st.floats(-1e12, 1e12), min_size=5, max_size=5),
    st.text("0123456789abcdef", min_size=32, max_size=64).filter(lambda one: len(one) % 2 == 0),
)
def test_masks_cancel(first, second, seed):
    second = second[: len(first)]
    sent = [
        masked(first, "north", ["north", "south"], {"south": seed}, "x"),
        masked(second, "south", ["north", "south"], {"north": seed}, "x"),
    ]
    exact = [one + other for one, other in zip(first, second, strict=True)]
    assert np.allclose(unmasked_sum(sent), exact, rtol=1e-15, atol=2.0**-62)


@pytest.mark.parametrize(
    ("seeds", "said"),
    [
        ({}, "seed is needed for each pair"),
        ({"south": "0f" * 16, "east": "0f" * 16}, "one too many with 'east'"),
        ({"south": "0f" * 8}, "too short"),
        ({"south": "no hexadecimal number at all, but long"}, "no hexadecimal"),
    ],
)
def test_seeds_that_will_not_do_are_refused(seeds, said):
    with pytest.raises(CohortError, match=said):
        masked([1.0], "north", ["north", "south"], seeds, "x")


@pytest.mark.parametrize("number", [float("nan"), float("inf"), 1e30])
def test_a_number_that_is_none_is_not_masked(number):
    with pytest.raises(CohortError, match="A number that is masked is"):
        masked([number], "north", ["north", "south"], {"south": "0f" * 16}, "x")


def test_masks_need_every_site(network, tmp_path):
    _, sites, plan, seeds = network
    second, *_ = settled(sites, plan, seeds, tmp_path)
    names = list(sites)
    files = [
        write_masked(mask_site(sites[name], second, name, seeds[name]), second, tmp_path / f"{name} masked.json")
        for name in names
    ]
    with pytest.raises(CohortError, match="1 site of the plan sent nothing"):
        combine_sites(second, files[1:])
    with pytest.raises(CohortError, match="need all sites of the plan"):
        combine_sites(second, files[1:], without=[names[0]])
    plain = write_site_sums(summarise_site(sites[names[0]], second, names[0], trusted=True), tmp_path / "plain.json")
    with pytest.raises(CohortError, match="Some files are masked and others are not"):
        combine_sites(second, [plain, *files[1:]])
    with pytest.raises(CohortError, match="does not say whose visits stay"):
        mask_site(sites[names[0]], plan, names[0], seeds[names[0]])
    with pytest.raises(CohortError, match="made by another plan"):
        read_masked(files[0], plan)


def test_a_first_round_needs_every_site_once(network):
    _, sites, plan, seeds = network
    found = [summarise_profiles(one, plan, name) for name, one in sites.items()]
    with pytest.raises(CohortError, match="is missing"):
        settle_kept(plan, found[1:])
    with pytest.raises(CohortError, match="is in two files"):
        settle_kept(plan, [*found, found[0]])
    name = found[0].site
    hidden = summarise_profiles(sites[name], plan, name, seeds=seeds[name])
    with pytest.raises(CohortError, match="is masked, and others are not"):
        settle_kept(plan, [hidden, *found[1:]])
    few = [replace(one, profiles=Counter({(b"\x80", ("exercise only",)): 1})) for one in found]
    with pytest.raises(CohortError, match="over all sites"):
        settle_kept(replace(plan, k=100), few)

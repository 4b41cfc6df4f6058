"""Signals of a release over networks drawn at random: how often chance makes one, how often what is planted is found, and that
nothing reassures about what was not judged."""

import re

import pytest
from scipy import stats

from analysis.quarter import signal_level

from .random_networks import draw, has_signal, told_of

#: Networks without any change, and those in which something is planted.
NETWORKS, PLANTED = 200, 60
#: What is planted from the last quarter but one on: name, size, and the least share that must be found within two quarters.
SHIFTS = {"shift": (0.2, 0.8), "wave": (0.25, 0.8), "site": (0.45, 0.6)}


def upper_limit(k, n):
    """Give the upper 95 % limit of a share, one-sided, exact (Clopper and Pearson, Biometrika 1934;26:404)."""
    return 1.0 if k == n else float(stats.beta.ppf(0.95, k + 1, n - k))


def without_change(seed):
    """Nothing at all in three of five networks; harder case mix at a site, and late data, in one each."""
    truth = ("nothing", "nothing", "nothing", "case mix", "late")[seed % 5]
    return draw(seed, truth, size=0.2 if truth == "case mix" else 0.0)


def found_in(told, network):
    """Say whether what is planted is a signal of a release."""
    found = told.found
    if network.site:
        return any((one.indicator, one.site) == (network.indicator, network.site) for one in found.site_signals)
    return network.indicator in [one.indicator.name for one in found.signals]


#: What would reassure about all, judged or not.
REASSURES = re.compile(
    r"\b(?:all|every|each) sites?\b|\bno sites?\b(?! can be judged)|as before|unchanged|no difference|"
    r"\bno change\b(?! can be told)|nothing (?:changed|new)",
    re.IGNORECASE,
)


def wrong_reassurances(told):
    """Give what a release says of more than was judged, or without saying of how much."""
    found, released, wrong = told.found, told.released, []
    judged = [one for one in found.beside_completeness if one.judged]
    text = " ".join(told.sentences)
    wrong += [one for one in told.sentences if REASSURES.search(one.replace("no change, points nearer", ""))]
    if "No change can be told in" in text:
        numbers = re.search(
            r"No change can be told in (?:any of the (\d+) indicators judged|(the one indicator judged))", text
        )
        told_of_all = int(numbers[1] or 1) == len(judged) and not any(one.change.verdict == "signal" for one in judged)
        wrong += [] if told_of_all else ["No change can be told"]
    for name, sites in {found.main: found.sites, **found.other_sites}.items():
        rows = released.by_site(found.of(name).indicator)
        known = int(rows["value"].notna().sum())
        if (
            sites.judged not in (0, known)
            or sites.hidden != int(rows["hidden"].sum())
            or known + sites.hidden > len(rows)
        ):
            wrong.append(f"{name}: judged {sites.judged}, shown {known}, hidden {sites.hidden}")
        hidden = set(rows.loc[rows["value"].isna(), "site"])
        if hidden & {one.name for one in (*sites.signals, *sites.beyond, *sites.near, *sites.apart)}:
            wrong.append(f"{name}: a hidden site is named")
    sites, n = found.sites, len(found.sites.recorded)
    if (
        sites.judged < n
        and n > 1
        and not re.search(rf"(?:{sites.judged} of {n} (?:is|are) judged|Of {n} sites none can be judged)", text)
    ):
        wrong.append("that sites are not judged is not said")
    if sites.hidden and "Whether a site that is hidden lies beyond the limits is not known." not in text:
        wrong.append("that nothing is known of the hidden is not said")
    none = re.search(r"Of the (\d+) judged[^,.]*, none has a signal", text)
    if none and (sites.signals or int(none[1]) != (sites.adjusted if sites.after_adjustment else sites.judged)):
        wrong.append(none[0])
    return wrong


def lists_agree(told):
    """Say whether In short, alternative sentences and titles name the signals that the findings have, and no others."""
    found = told.found
    text = "\n".join(told.sentences)
    changed = [one for one in found.beside_completeness if one.change.verdict == "signal"]
    sites = [one.name for one in found.sites.signals]
    listed = re.search(r"; signals(?: after adjustment for case mix)?: (.*?);", text)
    return (
        ("A change is seen in" in text) == bool(changed)
        and (listed is None or [one for one in re.split(r", | and ", listed[1]) if one != "none"] == sites)
        and text.count("none has a signal") in ((0,) if sites else (0, 2, 3))
    )


def test_the_parts_of_the_level_add_up_to_it():
    parts = (signal_level.CHARTS, signal_level.YEAR_BEFORE, signal_level.SITES, signal_level.OTHER_SITES)
    assert sum(parts) == pytest.approx(signal_level.RELEASES_WITH_A_SIGNAL)
    assert signal_level.limit_of_each(0.02, 0) == 0.0


def test_a_few_releases_without_a_change_have_no_signal_and_a_planted_one_has_it():
    """Seeds of which two in three meet a rule of a chart, which is worth a look and no signal."""
    told = [told_of(draw(seed, sites=2, indicators=4, quarters=16)) for seed in (20, 41, 42)]
    assert sum(has_signal(one) for one in told) == 0
    assert sum(bool(one.by_rules) for one in told) == 2
    assert sum("worth a look: " in sentence for one in told for sentence in one.sentences) >= 2
    for truth in ("shift", "site"):
        network = draw(1, truth, size=0.4, sites=3, indicators=3, volume=300)
        told.append(told_of(network))
        assert found_in(told[-1], network)
    assert [wrong for one in told for wrong in wrong_reassurances(one)] == []
    assert all(lists_agree(one) for one in told)


def test_a_shifted_site_that_is_hidden_is_reassured_of_by_no_sentence():
    network = draw(5, "site", size=0.5, sites=5, indicators=3, volume=40)
    told = told_of(network, small_counts="hidden")
    assert told.found.sites.hidden
    assert wrong_reassurances(told) == []
    assert lists_agree(told)


def test_what_would_reassure_is_told_apart():
    """The check itself can fail."""
    told = told_of(draw(2, sites=3, indicators=3))
    for one in (
        "No site lies beyond the limits.",
        "Harms are as before.",
        "No change can be told in any of the 9 indicators judged.",
    ):
        assert wrong_reassurances(type(told)(told.found, [*told.sentences[1:], one], told.released, []))


@pytest.mark.slow
def test_at_most_5_of_100_releases_without_any_change_have_a_signal():
    told = [told_of(without_change(seed)) for seed in range(NETWORKS)]
    alarms, by_rules = sum(map(has_signal, told)), sum(bool(one.by_rules) for one in told)
    print(
        f"\n{alarms} of {NETWORKS} releases have a signal (upper 95 % limit {upper_limit(alarms, NETWORKS):.1%}); by rules {by_rules}"
    )
    # A design that holds 5 % has 10 of 200 on average or fewer; the rules of the charts alone do not hold it.
    assert alarms <= 0.05 * NETWORKS
    assert by_rules > 0.10 * NETWORKS
    assert [wrong for one in told for wrong in wrong_reassurances(one)] == []
    assert all(lists_agree(one) for one in told)


@pytest.mark.slow
@pytest.mark.parametrize("truth", list(SHIFTS))
def test_what_is_planted_is_found_within_two_quarters(truth):
    size, least = SHIFTS[truth]
    n, found, wrong = PLANTED // len(SHIFTS), 0, []
    for seed in range(n):
        network = draw(
            1000 + seed, truth, size=size, sites=(3, 5, 12)[seed % 3], volume=300 if truth == "site" else 150
        )
        for quarter in (network.counts.periods[-1], network.begins):
            told = told_of(network, quarter)
            wrong += wrong_reassurances(told)
            if found_in(told, network):
                found += 1
                break
    print(f"\n{truth} of {size:.0%}: {found} of {n} found within two quarters")
    assert found >= least * n
    assert wrong == []


@pytest.mark.slow
def test_nothing_reassures_where_small_counts_are_hidden():
    for seed in range(6):
        truth = ("site", "nothing", "late")[seed % 3]
        network = draw(
            2000 + seed, truth, size=0.4, sites=(3, 5, 8)[seed % 3], indicators=4, volume=60 + 20 * (seed % 4)
        )
        told = told_of(network, small_counts="hidden")
        assert wrong_reassurances(told) == []
        assert lists_agree(told)

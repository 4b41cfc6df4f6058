"""Groups that are nearly whole sites: their counts beside those of sites would tell of few patients."""

import numpy as np
import pandas as pd
import pytest

from analysis.quarter.access.strata import nearly_sites

SITES = pd.Series(np.repeat(["north", "south", "west"], 40))


def kinds(language, **counted):
    groups = pd.DataFrame({"language": language, "sex": np.tile(["female", "male"], 60)})
    return nearly_sites(groups, SITES, pd.DataFrame({"seen": True, **counted}, index=SITES.index))


def language(*, north=0, others=0):
    """Give another language to so many of the north, and to so many of each other site."""
    place = np.tile(np.arange(40), 3)
    return pd.Series(np.where(place < np.where(SITES == "north", north, others), "other", "usual"))


def test_groups_that_are_at_every_site_are_told():
    assert kinds(language(north=20, others=15)) == []


@pytest.mark.parametrize(("north", "others"), [(40, 0), (40, 5), (39, 0), (30, 0)])
def test_a_site_and_up_to_ten_more_or_fewer_is_not_told(north, others):
    assert kinds(language(north=north, others=others)) == ["language"]


@pytest.mark.parametrize(("north", "others"), [(40, 6), (29, 0)])
def test_a_site_and_eleven_more_or_fewer_is_told(north, others):
    assert kinds(language(north=north, others=others)) == []


def test_each_quantity_is_judged():
    """Twelve of other sites speak as the north does, but only eight of them improved."""
    others = language(north=40, others=6)
    improved = np.where(SITES == "north", np.arange(120) % 2 == 0, np.tile(np.arange(40), 3) < 4)
    assert kinds(others, improved=improved) == ["language"]
    assert kinds(others, improved=np.arange(120) % 2 == 0) == ["language"]
    assert kinds(others, improved=np.where(SITES == "north", np.arange(120) % 4 == 0, False)) == []


def test_a_small_group_is_hidden_as_such():
    assert kinds(language(north=8, others=0)) == []


def test_one_site_tells_nothing():
    groups = pd.DataFrame({"sex": ["female", "male"] * 20})
    assert nearly_sites(groups, pd.Series(["north"] * 40), pd.DataFrame({"seen": [True] * 40})) == []

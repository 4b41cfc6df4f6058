"""Sites of which nothing may be shown: many of them are counted and not listed one by one."""

from dataclasses import replace

import pytest

from analysis.report import quarter

from ..truths.others.planted_quarters import plant, prepared

NAMES = [f"site {one}" for one in "abcdefghijklm"]


@pytest.mark.parametrize(("large", "listed"), [(2, 2), (0, 0)])
def test_many_sites_of_which_every_count_is_hidden_are_counted_and_not_listed(large, listed, tmp_path):
    """Eleven sites and more of one patient a quarter: their counts are small over a year, too."""
    study = prepared(plant(sites=tuple(NAMES), each=1, started=dict.fromkeys(NAMES[:large], 60)), tmp_path)
    shown = quarter.sites(replace(study, funnel=None, no_funnel="a funnel.")).items[1]
    told = " ".join(shown.notes if listed else shown.paragraphs)
    assert f"Every count of {13 - listed} of 13 sites is hidden; they are not listed." in told
    assert (list(shown.data["site"]) if listed else []) == NAMES[:listed]


def test_few_hidden_sites_are_listed(tmp_path):
    study = prepared(plant(sites=tuple(NAMES), each=60, started=dict.fromkeys(NAMES[:3], 1)), tmp_path)
    shown = quarter.sites(replace(study, funnel=None, no_funnel="a funnel.")).items[1]
    assert list(shown.data["site"]) == NAMES
    assert list(shown.data["value_text"]).count("hidden") >= 3

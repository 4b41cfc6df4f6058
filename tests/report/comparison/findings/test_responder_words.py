"""Responders in words: with their denominators, and when the shares tell little or allow no conclusion."""

import dataclasses

import pandas as pd
import pytest

from analysis.outcomes import responders
from analysis.report.comparison.findings.responder_words import responders_words


@pytest.fixture(scope="module")
def counted(invented):
    return responders(invented, "ikdc", week=26)


def changed(found, **columns):
    """The same analysis with other counts."""
    table = found.table.assign(**columns)
    table["share"] = table["responders"] / table["n"]
    return dataclasses.replace(found, table=table)


def test_responders_come_with_their_denominators(counted):
    sentence = responders_words(counted)
    for row in counted.table.itertuples():
        assert f"({row.responders}/{row.n}) with {row.protocol}" in sentence
    assert "had improved by 18.9 points or more" in sentence
    assert "tell little" not in sentence


def test_nobody_seen_gives_no_share(invented):
    assert "no share can be given" in responders_words(responders(invented, "ikdc", week=25))


@pytest.mark.parametrize(
    ("count", "words"),
    [([0, 0, 0], "Nobody judged reached it (0 of 90)"), ([1, 1, 1], "Hardly anybody judged reached it (3 of 90)"),
     ([30, 30, 30], "Everybody judged reached it (90 of 90)"), ([29, 29, 30], "Nearly everybody judged reached it (88 of 90)"),
     ([10, 12, 14], "")],
)  # fmt: skip
def test_what_hardly_anybody_or_nearly_everybody_reached_tells_little(counted, count, words):
    sentence = responders_words(changed(counted, responders=count, n=30, allocated=30))
    assert words in sentence
    assert ("tell little" in sentence) == bool(words)


@pytest.mark.parametrize(
    ("n", "conclusive"), [([30, 30, 28], True), ([20, 30, 30], False), ([25, 30, 30], False), ([26, 30, 30], True)]
)
def test_many_or_unlike_losses_allow_no_conclusion(counted, n, conclusive):
    sentence = responders_words(changed(counted, responders=[10, 10, 10], n=n, allocated=30))
    assert ("allow no conclusion" in sentence) != conclusive
    as_failed = dataclasses.replace(counted, endpoint=dataclasses.replace(counted.endpoint, missing="non-response"))
    assert "allow no conclusion" not in responders_words(
        changed(as_failed, responders=[10, 10, 10], n=30, allocated=30)
    )


def test_a_limit_beside_zero_is_not_shown_as_zero(counted):
    rows = counted.differences.head(1).assign(difference=-0.5, lower=-0.8, upper=-0.0003)
    sentence = responders_words(dataclasses.replace(counted, differences=pd.DataFrame(rows)))
    assert "−50 percentage points (−80.00 to −0.03)" in sentence

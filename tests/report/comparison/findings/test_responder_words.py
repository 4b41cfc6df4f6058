"""Responders in words: with their denominators, and when the shares tell little or allow no conclusion."""

import dataclasses

import pandas as pd
import pytest

from analysis.cohort import Cohort
from analysis.outcomes import responders
from analysis.report.comparison.findings.responder_words import responders_title, responders_words


@pytest.fixture(scope="module")
def counted(invented):
    return responders(invented, "ikdc", week=26)


def all_words(found):
    return " ".join(responders_words(found))


def changed(found, **columns):
    """The same analysis with other counts."""
    table = found.table.assign(**columns)
    table["share"] = table["responders"] / table["n"]
    return dataclasses.replace(found, table=table)


def test_responders_come_with_their_denominators(counted):
    sentence = all_words(counted)
    for row in counted.table.itertuples():
        assert f"({row.responders}/{row.n}) with {row.protocol}" in sentence
    assert "had improved by 18.9 points or more" in sentence
    assert "tell little" not in sentence


def test_nobody_seen_gives_no_share(invented):
    assert "no share can be given" in all_words(responders(invented, "ikdc", week=25))


@pytest.mark.parametrize(
    ("count", "words"),
    [([0, 0, 0], "Nobody judged reached it (0 of 90)"), ([1, 1, 1], "Hardly anybody judged reached it (3 of 90)"),
     ([30, 30, 30], "Everybody judged reached it (90 of 90)"), ([29, 29, 30], "Nearly everybody judged reached it (88 of 90)"),
     ([10, 12, 14], "")],
)  # fmt: skip
def test_what_hardly_anybody_or_nearly_everybody_reached_tells_little(counted, count, words):
    sentence = all_words(changed(counted, responders=count, n=30, allocated=30))
    assert words in sentence
    assert ("tell little" in sentence) == bool(words)


@pytest.mark.parametrize(
    ("n", "open_ones"),
    [([30, 30, 28], []), ([20, 30, 30], [1, 2]), ([25, 30, 30], [1, 2]), ([26, 30, 30], []), ([30, 30, 20], [2]),
     ([30, 25, 29], [1])],
)  # fmt: skip
def test_about_whom_too_many_were_not_seen_is_named(counted, n, open_ones):
    """The reference comes first; a third lost of either, or 15 points between the two, allow no conclusion about the two."""
    names = counted.table["protocol"].astype("str").tolist()
    assert names[0] == counted.reference
    sentence = all_words(changed(counted, responders=[10, 10, 10], n=n, allocated=30))
    named = " and ".join(names[place] for place in open_ones)
    assert (f"Too many were not judged for a conclusion about {named}." in sentence) == bool(open_ones)
    assert ("for a conclusion" in sentence) == bool(open_ones)
    as_failed = dataclasses.replace(counted, endpoint=dataclasses.replace(counted.endpoint, missing="non-response"))
    assert "for a conclusion" not in all_words(changed(as_failed, responders=[10, 10, 10], n=30, allocated=30))


def test_a_limit_beside_zero_is_not_shown_as_zero(counted):
    rows = counted.differences.head(1).assign(difference=-0.5, lower=-0.8, upper=-0.0003)
    sentence = all_words(dataclasses.replace(counted, differences=pd.DataFrame(rows)))
    assert "−50 percentage points (−80 to −0.03)" in sentence


def test_of_many_protocols_the_lowest_and_the_highest_share_are_named_and_those_unseen_are_not_counted():
    """Pain from 8 to 5 or to 8, two patients of each of six protocols; nobody of the first was seen at week 12."""
    after = {"a": (), "b": (5, 8), "c": (8, 8), "d": (5, 5), "e": (5, 8), "f": (8, 5)}
    ids = {f"{name}{k}": name for name in after for k in (1, 2)}
    rows = [(one, 0, 8) for one in ids]
    rows += [(f"{name}{k}", 12, value) for name, values in after.items() for k, value in enumerate(values, 1)]
    visits = pd.DataFrame(rows, columns=["patient_id", "week", "value"]).assign(measure="pain", limb="none")
    cohort = Cohort(pd.DataFrame({"patient_id": list(ids), "protocol": list(ids.values())}), visits)
    sentence = all_words(responders(cohort, "pain", week=12, threshold=2))
    assert "in 0 % (0/2) with c to 100 % (2/2) with d. Only patients seen are counted" in sentence


def test_a_difference_of_shares_whose_interval_ends_at_zero_is_not_one_that_leaves_it_out(counted):
    rows = counted.differences.assign(difference=0.2, lower=0.0, upper=0.4)
    assert "interval of each difference in shares holds zero" in all_words(
        dataclasses.replace(counted, differences=rows)
    )
    apart = dataclasses.replace(counted, differences=rows.assign(lower=0.01))
    assert "leaves out zero: home stimulation minus exercise only +20 percentage points (+1 to +40)" in all_words(apart)


def named(found, names, **columns):
    """The same analysis with other names of the protocols and other differences."""
    table = found.table.assign(protocol=names, responders=[10, 20, 10], n=30, allocated=30)
    rows = found.differences.assign(protocol=names[1:], reference=names[0], **columns)
    return dataclasses.replace(found, table=table, differences=rows, reference=names[0])


def test_a_title_tells_apart_protocols_of_which_one_name_begins_with_the_other(counted):
    found = named(
        counted, ["usual", "early", "early and late"], difference=[0.0, 0.3], lower=[-0.2, 0.1], upper=[0.2, 0.5]
    )
    assert responders_title(found).endswith("early and late +30 percentage points (+10 to +50); early: cannot be told")


def test_who_went_beyond_the_best_value_is_not_among_the_improved_but_the_worse():
    """Extension: all lack 8 degrees; of b all go straight, of c 8 or 14 beyond."""
    rows = [(f"{name}{k}", 0, -8.0) for name in "bc" for k in range(6)]
    rows += [(f"b{k}", 12, 0.0) for k in range(6)] + [
        (f"c{k}", 12, value) for k, value in enumerate([8.0] * 4 + [14.0] * 2)
    ]
    visits = pd.DataFrame(rows, columns=["patient_id", "week", "value"]).assign(
        measure="knee_extension", limb="involved"
    )
    ids = sorted(set(visits["patient_id"]))
    cohort = Cohort(pd.DataFrame({"patient_id": ids, "protocol": [one[0] for one in ids]}), visits)
    said = all_words(found := responders(cohort, "knee_extension", week=12, threshold=5))
    assert (
        "By week 12 knee extension had come nearer to 0 by 5 deg or more (given by the user) in 100 % (6/6) with b and 0 %"
        in said
    )
    assert "Worse by as much: 0 % (0/6) with b and 33 % (2/6) with c." in said
    assert responders_title(found).startswith("Responders in knee extension: c −100 percentage points")


@pytest.mark.parametrize(("missing", "of_whom"), [("excluded", ""), ("non-response", " of those seen")])
def test_who_got_worse_by_as_much_is_said_where_they_are_many(missing, of_whom):
    """Pain from 4 to 2, or in b twice to 6: 2 points are the threshold."""
    after = {"b": (2, 2, 2, 6, 6, None), "c": (2, 2, 2, 2, 5, None)}
    rows = [(f"{name}{k}", 0, 4) for name in after for k in range(6)]
    rows += [(f"{name}{k}", 12, v) for name, values in after.items() for k, v in enumerate(values) if v is not None]
    visits = pd.DataFrame(rows, columns=["patient_id", "week", "value"]).assign(measure="pain", limb="none")
    ids = [f"{name}{k}" for name in after for k in range(6)]
    cohort = Cohort(pd.DataFrame({"patient_id": ids, "protocol": [one[0] for one in ids]}), visits)
    found = responders(cohort, "pain", week=12, threshold=2, missing=missing)
    assert f"Worse by as much{of_whom}: 40 % (2/5) with b and 0 % (0/5) with c." in all_words(found)
    few = responders(cohort, "pain", week=12, threshold=3, missing=missing)
    assert "Worse by" not in all_words(few)

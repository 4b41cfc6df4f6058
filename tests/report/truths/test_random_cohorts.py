"""Slow: two hundred random cohorts; false favour, reassurance where many are lost, and sentences that a table contradicts."""

import re

import numpy as np
import pytest

from analysis.report import comparison
from analysis.report.parts.losses import MUCH_LOST

from .planted import MEASURES, WEEKS, plant, share

pytestmark = pytest.mark.slow
COHORTS = 200
SIZE = {"quadriceps_torque": 0.3, "pain": 1.2, "knee_extension": 1.5, "ikdc": 7.0}
NUMBER = r"[\d.]+"


@pytest.fixture(scope="module")
def told(study_in_memory):
    """Give of each cohort whether a difference was planted, its study and its lines."""
    found = []
    for seed in range(COHORTS):
        rng = np.random.default_rng(seed)
        protocols = ("usual", "early", "late", "both")[: rng.integers(2, 5)]
        measure = str(rng.choice(list(MEASURES)))
        losses = dict.fromkeys(protocols, float(rng.choice([0.0, 0.1, 0.25])))
        losses[str(rng.choice(protocols))] = float(rng.choice([0.0, 0.1, 0.45, 0.8]))
        planted = seed % 3 == 0
        effect = {protocols[1]: dict.fromkeys(WEEKS[2:], SIZE[measure])} if planted else None
        cohort = plant(
            seed,
            patients=int(rng.integers(8, 60)),
            protocols=protocols,
            measure=measure,
            effect=effect,
            lose=share(losses),
        )
        study = study_in_memory(cohort, imputations=2, design="randomised" if rng.random() < 0.7 else "observational")
        (answer,) = comparison.answer(study)
        found.append((planted, study, list(answer.paragraphs)))
    return found


def lost_by_protocol(study):
    at = study.missing.table[study.missing.table["week"] == study.primary_week]
    return dict(zip(at["protocol"].astype("str"), at["share"], strict=True))


def test_false_favour_is_rare_and_planted_differences_are_found(told):
    without = [("favour" in points[1] or "did better" in points[1]) for planted, _, points in told if not planted]
    planted = [(study, points) for planted, study, points in told if planted]
    assert len(without) > 120
    assert sum(without) <= 12  # 133 cohorts at 5 % or less in each: 12 or fewer in 98 of 100
    large = [points[1] for study, points in planted if min(study.flow.allocated["allocated"]) >= 30
             and max(lost_by_protocol(study).values()) < 0.2]  # fmt: skip
    assert len(large) > 5
    assert np.mean(["favour early over" in one or "patients with early did better" in one for one in large]) > 0.7


def test_nobody_is_reassured_where_a_third_or_more_were_lost(told):
    checked = 0
    for _, study, points in told:
        lost = lost_by_protocol(study)
        if max(lost.values()) < MUCH_LOST:
            continue
        checked += 1
        assert "A third or more have none: " in points[0]
        assert "Looked for and not found" not in points[-2]
        for name in (one for one in lost if one != study.reference):
            if max(lost[name], lost[study.reference]) >= MUCH_LOST:
                assert f"favour {name} over" not in points[1]
                assert f"patients with {name} did better" not in points[1]
    assert checked > 30


def test_no_sentence_contradicts_a_table(told):
    """Numbers are read back out of the sentences and compared with the tables they speak of."""
    read = 0
    for _, study, points in told:
        at = study.missing.table[study.missing.table["week"] == study.primary_week].set_index("protocol")
        for name, seen, allocated in re.findall(r"(\w+) (\d+)/(\d+)[,.]", points[0]):
            assert (at.loc[name, "seen"], at.loc[name, "expected"]) == (int(seen), int(allocated))
        primary = study.primary.assign(protocol=study.primary["protocol"].astype("str")).set_index("protocol")
        numbers_of = primary
        if study.found.balanced:  # a table of its own, which the words speak from
            at_week = study.balanced.differences[study.balanced.differences["week"] == study.primary_week]
            numbers_of = at_week.astype({"protocol": "str"}).set_index("protocol")
        pattern = rf"[Mm]ean [^.]*?was ({NUMBER}) \S+ (higher|lower) with (\w+);"
        for size, way, name in re.findall(pattern, points[1]):
            estimate = numbers_of.loc[name, "estimate"]
            assert way == ("higher" if estimate > 0 else "lower")
            decimals = len(size.partition(".")[2])
            assert abs(abs(estimate) - float(size)) <= 0.5001 * 10**-decimals
            read += 1
        favoured = set(re.findall(r"favour (\w+) over", points[1]))
        sign = study.measure.sign
        clear = {
            name if side > 0 else "usual"
            for name, side in (
                (one, sign * ((row["adjusted_lower"] > 0) - (row["adjusted_upper"] < 0.0)))
                for one, row in primary.iterrows()
            )
            if side
        }
        assert favoured <= clear
        if study.responders and len(points) > 3:
            table = study.responders[0].table.set_index("protocol")
            for count, n, name in re.findall(r"\((\d+)/(\d+)\) with (\w+)", points[2].partition("Worse by")[0]):
                assert (table.loc[name, "responders"], table.loc[name, "n"]) == (int(count), int(n))
                read += 1
    assert read > 400

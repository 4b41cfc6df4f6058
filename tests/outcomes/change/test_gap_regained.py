"""Per cent of the gap to the other limb regained, by hand and against a weighted regression of statsmodels."""

import numpy as np
import pandas as pd
import pytest

from analysis.cohort import Cohort
from analysis.errors import ModelError
from analysis.outcomes.change.gap_regained import gap_regained
from analysis.outcomes.chosen_endpoint import choose_endpoint


def cohort_of(rows):
    """``rows``: protocol, involved at 0, other at 0, involved at 26, other at 26 (None: not measured)."""
    patients, visits = [], []
    for number, (protocol, *values) in enumerate(rows):
        patients.append((f"P{number}", protocol))
        places = [(0, "involved"), (0, "uninvolved"), (26, "involved"), (26, "uninvolved")]
        visits += [
            (f"P{number}", week, limb, value)
            for (week, limb), value in zip(places, values, strict=True)
            if value is not None
        ]
    frame = pd.DataFrame(visits, columns=["patient_id", "week", "limb", "value"]).assign(measure="quadriceps_torque")
    return Cohort(pd.DataFrame(patients, columns=["patient_id", "protocol"]), frame)


ROWS = [
    ("usual", 1.0, 2.0, 1.5, 1.8),  # gap 1.0, 0.5 of it regained; against the other limb now 0.7
    ("usual", 1.5, 2.0, 1.4, 2.0),  # gap 0.5, now 0.6: -20 %
    ("usual", 2.1, 2.0, 2.0, 2.0),  # no gap before
    ("usual", 1.0, 2.0, None, 2.0),  # not seen
    ("early", 1.0, 2.0, 2.2, 2.0),  # past the other limb: 120 %
    ("early", None, 2.0, 1.5, 2.0),  # no baseline
]


def test_by_hand():
    found = gap_regained(those := cohort_of(ROWS), choose_endpoint(those, "quadriceps_torque", week=26, criterion=None))
    assert found.patients["regained_percent"].tolist() == pytest.approx(
        [50, -20, np.nan, np.nan, 120, np.nan], nan_ok=True
    )
    usual = found.table.set_index("protocol").loc["usual"]
    assert usual[["allocated", "n", "no_gap_before", "not_counted"]].tolist() == [4, 2, 1, 1]
    assert usual["regained_percent"] == pytest.approx(100 * (0.5 - 0.1) / 1.5)
    assert usual["median_percent"] == pytest.approx(15)
    assert usual[["lower_quartile", "upper_quartile"]].tolist() == pytest.approx([-2.5, 32.5])  # of -20 and 50
    assert found.patients["status"].astype("str").tolist() == [
        "counted", "counted", "no gap before", "not seen", "counted", "no baseline of both limbs",
    ]  # fmt: skip


def test_a_gap_of_a_rounding_error_is_none():
    """0.1 + 0.2 is 0.30000000000000004: no gap before, where a per cent of it was -4.5e16."""
    rows = [("usual", 0.3, 0.1 + 0.2, 2.5, 2.5), ("usual", 1.0, 2.0, 1.5, 2.0), ("usual", 1.1, 1.4, 1.3, 1.4)]
    found = gap_regained(those := cohort_of(rows), choose_endpoint(those, "quadriceps_torque", week=26, criterion=None))
    assert found.table[["n", "no_gap_before"]].to_numpy().tolist() == [[2, 1]]
    assert found.patients["regained_percent"].isna().tolist() == [True, False, False]
    cohort = cohort_of(rows)
    endpoint = choose_endpoint(cohort, "quadriceps_torque", week=26, criterion=None)
    assert gap_regained(cohort, endpoint, least_gap=0.3).table["n"].tolist() == [1]  # 1.4 - 1.1 is at most 0.3


def test_the_other_limb_at_the_same_week_flatters():
    found = gap_regained(
        those := cohort_of(ROWS),
        choose_endpoint(those, "quadriceps_torque", week=26, criterion=None),
        other_limb="same week",
    )
    assert found.patients["regained_percent"].iloc[0] == pytest.approx(70)


def test_a_least_gap_leaves_small_ones_out():
    found = gap_regained(
        those := cohort_of(ROWS), choose_endpoint(those, "quadriceps_torque", week=26, criterion=None), least_gap=0.6
    )
    assert found.table.set_index("protocol").loc["usual", ["n", "no_gap_before"]].tolist() == [1, 2]


def test_a_protocol_with_one_patient_has_no_interval():
    found = gap_regained(those := cohort_of(ROWS), choose_endpoint(those, "quadriceps_torque", week=26, criterion=None))
    early = found.table.set_index("protocol").loc["early"]
    assert (early["n"], early["regained_percent"]) == (1, pytest.approx(120))
    assert np.isnan(early["lower"])
    assert found.differences["difference"].item() == pytest.approx(120 - 100 * 0.4 / 1.5)
    assert found.differences[["std_error", "lower", "upper"]].isna().all().all()


def test_nobody_left_is_missing_not_zero():
    found = gap_regained(
        those := cohort_of([("usual", 2, 1, 2, 1), ("early", 1, 2, None, None)]),
        choose_endpoint(those, "quadriceps_torque", week=26, criterion=None),
    )
    assert found.table["n"].tolist() == [0, 0]
    assert found.table[["regained_percent", "lower", "gap", "median_percent"]].isna().all().all()


def test_the_error_is_that_of_a_ratio(rng):
    """statsmodels WLS of the gain on the gap through the origin, weights 1 / gap, HC1: the ratio of means with the same
    residual sum and n / (n - 1)."""
    import statsmodels.api as sm

    before = rng.uniform(0.3, 1.5, 60)
    gain = before * rng.normal(0.6, 0.3, 60)
    rows = [("usual", 2 - gap, 2.0, 2 - gap + won, 2.0) for gap, won in zip(before, gain, strict=True)]
    row = gap_regained(
        those := cohort_of(rows), choose_endpoint(those, "quadriceps_torque", week=26, criterion=None)
    ).table.iloc[0]
    fit = sm.WLS(gain, before, weights=1 / before).fit(cov_type="HC1", use_t=True)
    assert row["regained_percent"] == pytest.approx(100 * fit.params[0])
    assert [row["lower"], row["upper"]] == pytest.approx((100 * fit.conf_int()[0]).tolist())


def test_bad_choices_are_explained(make_cohort):
    with pytest.raises(ModelError, match=r"no choice 'now' of the other limb"):
        gap_regained(
            those := cohort_of(ROWS),
            choose_endpoint(those, "quadriceps_torque", week=26, criterion=None),
            other_limb="now",
        )
    with pytest.raises(ModelError, match="The least gap -1 is below 0"):
        gap_regained(
            those := cohort_of(ROWS), choose_endpoint(those, "quadriceps_torque", week=26, criterion=None), least_gap=-1
        )
    with pytest.raises(ModelError, match=r"was not measured on both limbs.*\n  where: measure 'ikdc', limbs: none"):
        gap_regained(those := make_cohort({"usual": [1, 2]}), choose_endpoint(those, "ikdc", week=26, criterion=None))

"""Time to the first visit that reached the threshold."""

import numpy as np
import pandas as pd
import pytest

from analysis.cohort import Cohort
from analysis.outcomes.chosen_endpoint import choose_endpoint
from analysis.outcomes.responders.time_to_response import time_to_response


def cohort_of(times):
    """``times``: protocol -> list of (week, reached); visits at every week 1, 2, ... up to then, baseline 0, +20 at the
    last one where reached."""
    patients, visits, number = [], [], 0
    for protocol, rows in times.items():
        for week, reached in rows:
            number += 1
            patients.append((f"P{number}", protocol))
            visits.append((f"P{number}", 0, 10))
            visits += [(f"P{number}", w, 10 + 20 * (reached and w == week)) for w in range(1, week + 1)]
    frame = pd.DataFrame(visits, columns=["patient_id", "week", "value"]).assign(measure="ikdc", limb="none")
    return Cohort(pd.DataFrame(patients, columns=["patient_id", "protocol"]), frame)


REMISSION = {  # weeks, 1 = relapse
    "6-MP": [(6, 1), (6, 1), (6, 1), (6, 0), (7, 1), (9, 0), (10, 1), (10, 0), (11, 0), (13, 1), (16, 1), (17, 0),
             (19, 0), (20, 0), (22, 1), (23, 1), (25, 0), (32, 0), (32, 0), (34, 0), (35, 0)],
    "placebo": [(w, 1) for w in (1, 1, 2, 2, 3, 4, 4, 5, 5, 8, 8, 8, 8, 11, 11, 12, 12, 15, 17, 22, 23)],
}  # fmt: skip


@pytest.fixture(scope="module")
def remission():
    return time_to_response(those := cohort_of(REMISSION), choose_endpoint(those, "ikdc", week=26, threshold=15))


def test_the_remission_times_of_freireich(remission):
    """Freireich 1963, the classical example of Cox 1972 and Kalbfleisch & Prentice: 6-MP survival .857 at 6, .807 at 7,
    .753 at 10, .690 at 13, .627 at 16, .538 at 22, .448 at 23; log-rank chi-square 16.79 on 1 (R survdiff: 16.8);
    medians 23 and 8 (R survfit)."""
    drug = remission.table[remission.table["protocol"] == "6-MP"].set_index("week")
    kept = {6: 0.8571, 7: 0.8067, 10: 0.7529, 13: 0.6902, 16: 0.6275, 22: 0.5378, 23: 0.4482}
    for week, value in kept.items():
        assert 1 - drug.loc[week, "share"] == pytest.approx(value, abs=5e-5)
    assert drug.loc[6, ["at_risk", "reached"]].tolist() == [21, 3]
    assert remission.comparison["statistic"].item() == pytest.approx(16.79, abs=0.005)
    assert remission.medians.set_index("protocol")["median_week"].to_dict() == {"6-MP": 23.0, "placebo": 8.0}


def test_limits_are_on_the_log_log_scale(remission):
    """R survfit(conf.type = "log-log") for 6-MP at week 6: survival .857, .620 to .952."""
    row = remission.table.query("protocol == '6-MP' and week == 6").iloc[0]
    assert 1 - row["upper"] == pytest.approx(0.620, abs=5e-4)
    assert 1 - row["lower"] == pytest.approx(0.952, abs=5e-4)


def test_without_censoring_the_share_is_the_share(remission):
    placebo = remission.table[remission.table["protocol"] == "placebo"]
    weeks = np.array([w for w, _ in REMISSION["placebo"]])
    assert placebo["share"].tolist() == pytest.approx([(weeks <= w).mean() for w in placebo["week"]])
    assert placebo["upper"].isna().tolist()[-1]


def test_differences_stop_where_a_group_is_no_longer_followed(remission):
    gaps = remission.differences.set_index("week")
    assert gaps.loc[6, "difference"] == pytest.approx(9 / 21 - 3 / 21)
    assert gaps.loc[6, "std_error"] == pytest.approx(np.hypot((9 * 12 / 21**3) ** 0.5, (3 * 18 / 21**3) ** 0.5))
    assert gaps["difference"].notna().all()


def test_the_gap_between_visits_is_kept():
    cohort = cohort_of({"usual": [(3, 1), (2, 0)]})
    thinned = cohort.visits[cohort.visits["week"] != 2]
    found = time_to_response(
        those := Cohort(cohort.patients, thinned), choose_endpoint(those, "ikdc", week=26, threshold=15)
    )
    rows = found.patients.set_index("patient_id")
    assert rows.loc["P1", ["after_week", "by_week", "week"]].tolist() == [1, 3, 3]
    assert rows.loc["P2", ["after_week", "week"]].tolist() == [1, 1]
    assert not rows.loc["P2", "reached"]
    soon = time_to_response(cohort, choose_endpoint(cohort, "ikdc", week=26, threshold=15))
    assert soon.patients["after_week"].tolist() == [2, 2]
    first = cohort_of({"usual": [(1, 1)]})  # the visit before the first one is the start, week 0
    found = time_to_response(first, choose_endpoint(first, "ikdc", week=26, threshold=15))
    assert found.patients[["after_week", "by_week"]].to_numpy().tolist() == [[0, 1]]


def test_nobody_everybody_and_nobody_seen():
    found = time_to_response(
        those := cohort_of({"usual": [(3, 0), (2, 0)], "early": [(1, 1), (1, 1)]}),
        choose_endpoint(those, "ikdc", week=26, threshold=15),
    )
    assert found.medians["median_week"].isna().tolist() == [True, False]
    assert found.table["protocol"].unique().tolist() == ["early"]
    cohort = cohort_of({"usual": [(3, 1)]})
    never = time_to_response(
        those := Cohort(cohort.patients, cohort.visits[cohort.visits["week"] == 0]),
        choose_endpoint(those, "ikdc", week=26, threshold=15),
    )
    assert never.table.empty
    assert never.comparison.empty
    assert "The one patient has no visit at which it could be judged." in never.notes

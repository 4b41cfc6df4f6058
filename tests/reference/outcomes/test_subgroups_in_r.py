"""Differences within groups of patients against R."""

import numpy as np
import pytest

from analysis.outcomes.comparisons.subgroups import subgroup_differences
from synthetic_cohort import generate_cohort


@pytest.fixture(scope="module")
def found():
    cohort = generate_cohort(patients=240, seed=1).observed
    return subgroup_differences(cohort, "ikdc", "sex", week=26, adjust_for=[])


def test_differences_within_groups_and_their_interaction_are_as_in_r(found):
    """R 4.2.2, nlme 3.1-162: gls(value ~ protocol * fw * sex + fw * baseline, correlation = corSymm(form = ~ w | patient_id),
    weights = varIdent(form = ~ 1 | fw), method = "REML"), sums of its coefficients; errors there without Kenward-Roger's terms."""
    np.testing.assert_allclose(found.table["estimate"], [-1.701818, 0.298328, 0.261457, 1.020680], atol=2e-5)
    np.testing.assert_allclose(found.table["std_error"], [2.633847, 2.471860, 2.794111, 2.419896], rtol=0.006)
    statistics = found.interaction.set_index("protocol")["statistic"]
    np.testing.assert_allclose(statistics.iloc[:2], [0.306418, 0.042310], rtol=0.012)

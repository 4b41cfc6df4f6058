"""Adjusted p values against statsmodels, whose collection of garbage at each call is left out here."""

import gc

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from statsmodels.stats.multitest import multipletests

from analysis.curves.engine.contrasts import adjust_table


@pytest.mark.parametrize("adjust", ["holm", "bonferroni", "sidak"])
@settings(max_examples=40)
@given(st.lists(st.one_of(st.none(), st.floats(0, 1), st.sampled_from([0.0, 0.01, 1.0])), min_size=1, max_size=12))
def test_p_values_are_those_of_statsmodels_and_rows_without_one_count_for_nothing(adjust, p_values):
    table = pd.DataFrame({"estimate": 1.0, "std_error": 0.5, "df": 30.0, "p_value": np.array(p_values, dtype=float)})
    found = adjust_table(table.assign(lower=0.0, upper=2.0), adjust, 0.95)["p_value"].to_numpy()
    known = np.array([one is not None for one in p_values])
    assert np.isnan(found[~known]).all()
    with pytest.MonkeyPatch.context() as patched, np.errstate(divide="ignore"):
        patched.setattr(gc, "collect", lambda *_: 0)
        expected = multipletests(table["p_value"][known], method=adjust)[1] if known.any() else []
    np.testing.assert_allclose(found[known], expected, rtol=1e-12, atol=0)

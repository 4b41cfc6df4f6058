"""How many lines of a suggested map a person changes until three public trials are the cohorts that the reports are tested on.

Before the suggestions were made for it, the same cohorts took 3 lines (BtheB), 17 (Wong) and 12 (Orthodont):
measures and the time were left out (2026-11-29). The reports of these maps are held against published and R values in
``tests/notebooks/test_public_data.py``.
"""

import pandas as pd
import pytest

from analysis.cohort import import_cohort

from .public_trials import changed_map

MEASURES = {"bdi": "depression", "piq": "performance_iq", "viq": "verbal_iq"}


@pytest.mark.parametrize(("name", "lines"), [("BtheB", 3), ("Wong", 1), ("Orthodont", 2)])
def test_lines_of_the_map_changed_by_hand(real_files, tmp_path, name, lines):
    file, written_by_hand = real_files[name]
    assert changed_map(file, tmp_path / "map.toml") == lines
    found = import_cohort(file, tmp_path / "map.toml").cohort
    truth = import_cohort(file, written_by_hand).cohort
    visits = found.visits.assign(measure=found.visits["measure"].astype("str").replace(MEASURES))
    keys = ["patient_id", "week", "measure"]
    if name == "BtheB":  # the map written by hand rounds months to whole weeks
        visits["week"] = visits["week"].round()
    pd.testing.assert_frame_equal(
        visits.sort_values(keys, ignore_index=True)[[*keys, "value"]],
        truth.visits.sort_values(keys, ignore_index=True)[[*keys, "value"]],
        check_dtype=False,
        check_categorical=False,
    )
    renamed = {"TAU": "usual care", "BtheB": "computer programme", "Male": {"Wong": "men"}.get(name, "Male"),
               "Female": {"Wong": "women"}.get(name, "Female")}  # fmt: skip
    assert [renamed[one] for one in found.patients["protocol"]] == list(truth.patients["protocol"])
    better = {measure.name: measure.direction for measure in truth.measures.values()}
    assert all(found.measures[old].direction == better[new] for old, new in MEASURES.items() if old in found.measures)

"""Visits in Parquet files: one row group at a time is the whole, and no patient is cut in two."""

import pytest

from analysis.curves.formula.gathered import visit_moments
from analysis.curves.mixed_model import fit_mixed
from analysis.curves.rows.parts import frames_of
from analysis.errors import ModelError

from ..cohort_of_visits import visits

FIXED = "value ~ protocol * week_spline + baseline + pain"


@pytest.fixture
def folder(tmp_path):
    frame = visits(patients=60)
    (tmp_path / "site=south").mkdir()
    frame[frame["patient_id"] < 25].to_parquet(tmp_path / "north.parquet", row_group_size=17)
    frame[frame["patient_id"] >= 25].to_parquet(tmp_path / "site=south" / "part.parquet", row_group_size=40)
    return frame, tmp_path


def test_a_folder_of_files_is_the_pooled_rows(folder):
    frame, path = folder
    found = fit_mixed(visit_moments(path, FIXED), FIXED)
    whole = fit_mixed(frame, FIXED)
    assert found.criterion == pytest.approx(whole.criterion, rel=1e-11)
    assert found.n_patients == whole.n_patients
    one = visit_moments(str(path / "north.parquet"), FIXED)
    assert one.n_patients == frame.loc[frame["patient_id"] < 25, "patient_id"].nunique()


def test_every_row_comes_once_and_a_patient_in_one_part(folder):
    frame, path = folder
    parts = list(frames_of(path, ["patient_id", "week"], "patient_id"))
    assert len(parts) > 6
    assert sum(map(len, parts)) == len(frame)
    ids = [one for part in parts for one in part["patient_id"].unique()]
    assert len(ids) == len(set(ids))


def test_what_cannot_be_read_is_said(folder, tmp_path):
    frame, path = folder
    empty = tmp_path / "empty"
    empty.mkdir()
    with pytest.raises(ModelError, match="holds no Parquet file"):
        visit_moments(empty, FIXED)
    with pytest.raises(ModelError, match="no Parquet file that can be read"):
        visit_moments(tmp_path / "nothing.parquet", FIXED)
    frame.drop(columns="pain").to_parquet(path / "zz.parquet")
    with pytest.raises(ModelError, match="The file has no column 'pain'"):
        visit_moments(path, FIXED)
    scattered = frame.sort_values("week")
    scattered.to_parquet(empty / "all.parquet", row_group_size=30)
    with pytest.raises(ModelError, match="in both of these moments and would be counted twice"):
        visit_moments(empty, FIXED)

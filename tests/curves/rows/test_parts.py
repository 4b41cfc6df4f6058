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
    with pytest.raises(ModelError, match="in both of these parts and would be counted twice"):
        visit_moments(empty, FIXED)


@pytest.mark.parametrize("size", [1, 2, 5, 50])
@pytest.mark.parametrize("kind", ["Int64", "float64", "str"])
def test_rows_without_a_patient_are_counted_and_take_nobody_with_them(tmp_path, kind, size):
    """Once rows before a missing identifier were lost in silence, and patients were cut in two."""
    frame = visits(patients=30)
    frame["patient_id"] = frame["patient_id"].astype(kind).where(frame.index % 7 != 0)
    frame.to_parquet(tmp_path / "all.parquet", row_group_size=size)
    found = visit_moments(tmp_path, FIXED)
    whole = visit_moments(frame, FIXED)
    assert (found.n_patients, found.n_visits, found.dropped) == (whole.n_patients, whole.n_visits, whole.dropped)
    assert found.dropped > 0


def test_a_part_in_which_every_row_misses_a_value_is_left_out_and_counted():
    """Whether it stands first, where its column has no kind yet, or last."""
    frame = visits()
    whole = frame.assign(site=frame["site"].where(frame["patient_id"] % 2 == 0))
    parts = [whole[whole["patient_id"] % 2 == 0], whole[whole["patient_id"] % 2 == 1].assign(site=None)]
    fixed = "value ~ site + week"
    pooled = visit_moments(whole, fixed)
    for order in (parts, parts[::-1]):
        found = visit_moments(order, fixed)
        assert (found.n_visits, found.dropped) == (pooled.n_visits, pooled.dropped)
        assert found.dropped == len(parts[1])
    with pytest.raises(ModelError, match=r"No row of any part has outcome.*\n *where: \d+ rows, all with a missing"):
        visit_moments(parts[1:], fixed)


def test_an_index_is_a_column_and_truth_values_stay_so_where_one_is_missing(tmp_path):
    frame = visits()
    frame["smoker"] = (frame["patient_id"] % 3 == 0).astype("boolean").where(frame["patient_id"] != 7)
    as_objects = frame.assign(smoker=frame["smoker"].astype(object).where(frame["smoker"].notna(), None))
    as_objects.set_index("patient_id").to_parquet(tmp_path / "all.parquet", row_group_size=9)
    fixed = FIXED + " + smoker"
    found = fit_mixed(visit_moments(tmp_path, fixed), fixed)
    assert found.criterion == pytest.approx(fit_mixed(frame, fixed).criterion, rel=1e-11)


def test_a_damaged_file_and_what_is_no_frame_are_said(tmp_path):
    (tmp_path / "named.parquet").mkdir()
    path = tmp_path / "named.parquet" / "all.parquet"
    visits().to_parquet(path, row_group_size=40)
    assert visit_moments(tmp_path, FIXED).n_patients == 40
    with pytest.raises(ModelError, match=r"Part 1 is no data frame but .*Path"):
        visit_moments([path], FIXED)
    held = bytearray(path.read_bytes())
    for place in range(40, 400):
        held[place] ^= 0x5A
    path.write_bytes(bytes(held))
    with pytest.raises(ModelError, match="Row group 1 of this Parquet file cannot be read"):
        visit_moments(tmp_path, FIXED)


@pytest.mark.parametrize("at_least", [0, 5])
def test_a_patient_in_two_parts_is_refused_where_rare_patterns_are_left_out_too(at_least):
    """Once the half with the rare pattern was left out, and the other half counted as a patient."""
    frame = visits(missing=0.0)
    cut = (frame["patient_id"] == 3) & (frame["week"] == 26)
    with pytest.raises(
        ModelError, match=r"1 patient is in both of these parts.*\n.*\n *what to do: Put all visits of a"
    ):
        visit_moments([frame[~cut], frame[cut]], "value ~ week", at_least=at_least)

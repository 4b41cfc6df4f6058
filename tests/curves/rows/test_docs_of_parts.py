"""The page on visits in many files: its code runs as it stands there, and gives the fit of all rows."""

import re
from pathlib import Path

import numpy as np
import pytest

from analysis.curves.mixed_model import fit_mixed
from analysis.curves.rows.moments import read_moments

from ..cohort_of_visits import visits

PAGE = Path(__file__).resolve().parents[3] / "docs" / "visits-in-many-files.md"


# Dask writes Parquet files by a keyword that pandas 3.1 deprecates
@pytest.mark.slow
@pytest.mark.filterwarnings(
    "ignore:The inplace keyword in DataFrame.reset_index:pandas.errors.Pandas4Warning:dask.dataframe.io.parquet.arrow"
)
def test_the_page_runs_as_it_stands(tmp_path, monkeypatch):
    frame = visits(patients=900, missing=0.05)
    north = frame["patient_id"] % 2 == 0
    (tmp_path / "visits").mkdir()
    frame[north].to_parquet(tmp_path / "visits" / "north.parquet", row_group_size=400)
    frame[~north].to_parquet(tmp_path / "visits" / "south.parquet")
    (tmp_path / "by_quarter").mkdir()
    for week, rows in frame.groupby("week"):
        rows.to_parquet(tmp_path / "by_quarter" / f"{week}.parquet", index=False)
    monkeypatch.chdir(tmp_path)
    blocks = re.findall(r"<!-- runs -->\n```python\n(.*?)```", PAGE.read_text(encoding="utf-8"), flags=re.DOTALL)
    assert len(blocks) == 5
    held: dict = {}
    for block in blocks[:2]:
        exec(block, held)
    whole = fit_mixed(frame, held["formula"])
    assert held["fit"].criterion == pytest.approx(whole.criterion, rel=1e-10)
    assert held["moments"].n_patients == frame["patient_id"].nunique()
    held["__name__"] = "__main__"
    for block in blocks[2:4]:
        held["moments"] = None
        exec(block, held)
        assert held["moments"].n_patients == whole.n_patients
        assert fit_mixed(held["moments"], held["formula"]).criterion == pytest.approx(whole.criterion, rel=1e-10)
    other = held["visit_moments"]("visits/south.parquet", held["formula"], plan=held["plan"], at_least=10)
    other.save("south")
    exec(blocks[4], held)
    assert held["fit"].n_patients == read_moments("north.npz").n_patients + other.n_patients
    assert not held["ours"].disclosure().small
    assert np.isfinite(held["fit"].coefficients["estimate"]).all()

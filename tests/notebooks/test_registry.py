"""The notebook of a registry on a cluster: run as it stands, it gives the recovery curves of all rows on one machine."""

import pandas as pd
import pytest
from numpy.testing import assert_allclose

from analysis import fit_recovery, open_cluster
from analysis.report import notebook_folder
from analysis.report.running.notebooks import read_notebook
from synthetic_cohort import generate_cohort

from .conftest import run

pytestmark = pytest.mark.slow

PATIENTS = 400


def run_registry(folder, address=""):
    """Run the cells in this process; give the names that they leave."""
    names = {}
    for cell in read_notebook(notebook_folder() / "more" / "registry.ipynb").cells:
        if cell.cell_type == "code":
            names["shown", cell.id] = run(cell.source, names)
            if cell.id == "parameters":
                assert names["address"] == ""
                names |= {"folder": str(folder), "patients": PATIENTS, "address": address}
    return names


@pytest.fixture(scope="module")
def registry(tmp_path_factory):
    folder = tmp_path_factory.mktemp("registry") / "visits"
    return folder, run_registry(folder)


def test_it_gives_the_recovery_curves_of_all_rows(registry):
    folder, names = registry
    curves = fit_recovery(generate_cohort(patients=PATIENTS, seed=1).observed, "ikdc")
    assert curves.model.residual == names["fit"].residual == "unstructured"
    assert names["formula"] == curves.model.design.formula
    assert names["visits"].npartitions == len(list(folder.iterdir())) == 3
    expected = curves.differences()
    found = names["shown", "fit"].merge(expected, on=["protocol", "week"], suffixes=("", "_of_all"))
    assert len(found) == len(expected) == len(names["shown", "fit"])
    for column in ("estimate", "std_error", "df", "lower", "upper"):
        assert_allclose(found[column], found[f"{column}_of_all"], rtol=1e-10)
    means = names["means"].merge(curves.means(), on=["protocol", "week"], suffixes=("", "_of_all"))
    assert_allclose(means["estimate"], means["estimate_of_all"], rtol=1e-10)
    assert names["moments"].n_patients == curves.model.n_patients


def test_the_curve_is_drawn_and_small_cells_are_listed(registry):
    _, names = registry
    axes = names["axes"]
    drawn = pd.concat([pd.DataFrame({"week": line.get_xdata(), "estimate": line.get_ydata()}) for line in axes.lines])
    assert_allclose(sorted(drawn["estimate"].dropna()), sorted(names["means"]["estimate"]))
    assert axes.get_xlabel() == "Weeks"
    assert names["shown", "disclosure"].small


def test_another_cluster_and_a_folder_that_is_there_give_the_same(registry, tmp_path):
    folder, names = registry
    before = {file: file.stat().st_mtime_ns for file in folder.rglob("*.parquet")}
    with open_cluster(workers=1) as client:
        again = run_registry(folder, client.scheduler.address)
    assert {file: file.stat().st_mtime_ns for file in folder.rglob("*.parquet")} == before
    assert_allclose(again["means"]["estimate"], names["means"]["estimate"], rtol=1e-12)

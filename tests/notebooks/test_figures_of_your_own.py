"""The notebook of figures that no report has: every cell runs and gives the figure or table that it is about."""

from analysis.report import Figure, Table, notebook_folder
from analysis.report.running.notebooks import read_notebook


def test_every_cell_runs_and_shows_what_it_says():
    cells = [cell.source for cell in read_notebook(notebook_folder() / "more" / "figures_of_your_own.ipynb").cells
             if cell.cell_type == "code"]  # fmt: skip
    names, shown = {}, []
    for source in cells:
        *before, last = source.splitlines()
        exec("\n".join(before), names)
        if last.startswith("cohort ="):
            exec(last, names)
        else:
            shown.append(eval(last, names))
    assert [one.name for one in shown] == [
        "dose", "agreement", "detectable-change", "thresholds", "anchor", "calibration"
    ]  # fmt: skip
    for one in shown:
        assert isinstance(one, Figure | Table)
        assert len(one.data) > 0

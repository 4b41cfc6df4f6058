"""``kneecurve report clinic``: a page for every clinic, or for the one that is named."""

from pathlib import Path

import pytest

from analysis.errors import ReportError
from analysis.report import ReportFiles, clinic
from analysis.report.clinic import batch


def files_in(folder):
    return ReportFiles(*(folder / f"clinic.{ending}" for ending in ("html", "ipynb", "json")))


def test_it_names_every_page_by_its_clinic(kneecurve, monkeypatch, tmp_path):
    asked = {}

    def make(folder, out, **options):
        asked.update(options, folder=folder)
        options["progress"](1, 2)
        return {name: files_in(Path(out) / name) for name in ("north", "south")}

    monkeypatch.setattr(clinic, "make_clinic_pages", make)
    answer = kneecurve(
        "report", "clinic", "cohort", "--out", tmp_path, "--set", "floor=0.9", "--format", "html,pdf", "--overwrite"
    )
    assert answer.code == 0, answer.err
    said = " ".join(answer.out.split())
    assert "Written: 2 pages" in said
    assert "north:" in said
    assert "south:" in said
    assert asked["parameters"] == {"floor": 0.9}
    assert (asked["formats"], asked["overwrite"]) == (["html", "pdf"], True)


@pytest.fixture
def aggregates(tmp_path):
    folder = tmp_path / "counts"
    folder.mkdir()
    rows = [f"Main,{year}-Q{q},{site},30,60" for year in (2024, 2025) for q in (1, 2, 3, 4) for site in ("a/b", "c d")]
    (folder / "aggregates.csv").write_text("\n".join(["indicator,period,site,numerator,denominator", *rows]) + "\n")
    return folder


def test_a_batch_has_a_folder_a_clinic_and_its_ledger_where_other_reports_have_it(aggregates, monkeypatch, tmp_path):
    asked = {}
    monkeypatch.setattr(batch, "make_reports", lambda name, folder, each, **_: asked.update(each) or list(each))
    made = batch.make_clinic_pages(aggregates, tmp_path / "out", parameters={"releases": "board.json"})
    assert len({one.name.lower() for one in asked}) == len(made) == 2
    assert [one["site"] for one in asked.values()] == list(made)
    assert {one["releases"] for one in asked.values()} == {"../board.json"}
    asked.clear()
    assert list(batch.make_clinic_pages(aggregates, tmp_path / "out", parameters={"site": "a/b"})) == ["a/b"]
    assert len(asked) == 1


def test_a_clinic_that_is_not_there_and_a_parameter_that_is_none(kneecurve, aggregates, tmp_path):
    answer = kneecurve("report", "clinic", aggregates, "--out", tmp_path / "out", "--set", "site=nowhere")
    assert answer.code == 1
    assert "There is no clinic 'nowhere'." in answer.err
    assert not (tmp_path / "out").exists()
    with pytest.raises(ReportError, match="no parameter 'sites'"):
        batch.make_clinic_pages(aggregates, tmp_path / "out", parameters={"sites": ["a"]})

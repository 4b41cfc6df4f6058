"""One page a clinic: the page keeps the rules, is one page of paper, and a batch counts the network once."""

import json
import re
from dataclasses import replace

import pytest

from analysis.cohort import write_cohort
from analysis.quarter.ledger.entries import read_ledger
from analysis.report import make_report, repeat_report
from analysis.report.clinic import make_clinic_pages, network
from analysis.report.parts.figures import Figure
from synthetic_cohort import generate_cohort

from .conftest import run_quickly
from .test_quarter_outcomes import sited, slim

SECTIONS = ["In short", "Indicators", "Over time", "Completeness", "Late data", "Questions open", "Cautions"]
NAMES = ["north", "east", "south & west", "tiny"]


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    made_up = slim(sited(generate_cohort(patients=900, seed=5, quarters=9).observed, NAMES[:3]))
    site = made_up.patients["site"].astype("str")
    few = made_up.patients.index[made_up.patients["quarter"].astype("str").eq("2024-Q1")][:3]
    made_up = replace(made_up, patients=made_up.patients.assign(site=site.where(~site.index.isin(few), "tiny")))
    return write_cohort(made_up, tmp_path_factory.mktemp("clinics") / "cohort")


@pytest.mark.parametrize("site", ["south & west", "tiny"])
def test_every_section_is_there_and_the_page_keeps_the_rules(folder, page_rules, monkeypatch, site):
    monkeypatch.setattr(Figure, "png", lambda self, width="wide": b"not drawn")
    network._KEPT.clear()
    made = run_quickly("clinic", folder, {"site": site})
    assert page_rules.problems(made.page) == []
    assert re.findall(r"<h2 id=\"[^\"]*\">(.*?)</h2>", made.page) == SECTIONS
    assert not [one for one in NAMES if one != site and re.search(rf"\b{re.escape(one)}\b", made.page)]
    assert bool(made.figures("over-time")) == (site != "tiny")
    assert any("release 1 in the ledger" in text for text in made.sentences("record"))


@pytest.mark.slow
def test_a_batch_is_a_page_of_paper_a_clinic_and_releases_the_quarter_once(folder, tmp_path):
    told = []
    made = make_clinic_pages(
        folder, tmp_path / "pages", parameters={"releases": "board.json"}, formats=["html", "pdf"],
        progress=lambda done, total: told.append((done, total)),
    )  # fmt: skip
    assert list(made) == sorted(NAMES)
    assert told[-1][0] == told[-1][1] > len(NAMES) * 10
    assert made["south & west"].html.parent.name == "south_west"
    assert [len(re.findall(rb"/Type\s*/Page\b", one.pdf.read_bytes())) for one in made.values()] == [1] * len(NAMES)
    assert len(read_ledger(tmp_path / "pages" / "board.json").releases) == 1
    record = json.loads(made["tiny"].record.read_text(encoding="utf-8"))
    assert record["parameters"]["site"] == "tiny"
    quarter = make_report(
        "quarter_outcomes", folder, tmp_path / "quarter", parameters={"releases": "../pages/board.json"}
    )
    assert quarter.html.is_file()
    assert (
        len(read_ledger(tmp_path / "pages" / "board.json").releases) == 1
    )  # the pages released what the quarter releases
    (alone,) = make_clinic_pages(folder, tmp_path / "alone", parameters={"site": "east"}).values()
    assert alone.html == tmp_path / "alone" / "east" / "clinic.html"
    assert repeat_report(alone.record).same
